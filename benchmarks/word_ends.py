"""How well the ends of words are found in a shop: our endpointing beside a voice-activity network.

Both are run over the same streams; what they call an utterance is laid beside where the
words are. Called by ``benchmarks.listeners_compared``.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from benchmarks.listeners_clips import Stream
from benchmarks.other_listeners import Floats, VoiceModel
from tablevoice.listening.endpointing import Endpointer, EndpointOptions, SpeechEnded
from tablevoice.model import Samples

Spans: TypeAlias = list[tuple[float, float]]


@dataclass(frozen=True, slots=True)
class WordEnds:
    """What came of it. ``late_s``: how far each found word's end mark was after its end.

    A word is missed when no utterance covers half of it; an utterance that touches no word
    is a false start. ``broken``: words that more than one utterance touches.
    """

    what: str
    snr_db: float
    words: int
    missed: int
    broken: int
    false_starts: int
    noise_s: float
    late_s: tuple[float, ...]
    cost: float
    """Processor time over the length of the sound."""


def ours(samples: Samples) -> Spans:
    """Every utterance that our endpointing cuts out of a stream."""
    endpointer = Endpointer()
    events = [*endpointer.feed(samples), *endpointer.flush()]
    return [(one.start_s, one.end_s) for one in events if isinstance(one, SpeechEnded)]


def network(model: VoiceModel, threshold: float) -> Callable[[Samples], Spans]:
    """The same out of the network's probabilities, with our own waiting times."""
    return lambda samples: spans_of(model.probabilities(samples), threshold, model.STEP_S)


def spans_of(
    probabilities: Floats, threshold: float, step_s: float, options: EndpointOptions | None = None
) -> Spans:
    """Speech opens at ``threshold``, holds down to 0.15 below it (the network's own advice,
    from memory), and ends after the silence that our endpointing waits for."""
    options = options or EndpointOptions()
    spans: Spans = []
    first = last = -1
    for index, probability in enumerate(probabilities):
        if first < 0:
            if probability >= threshold:
                first = last = index
        elif probability >= threshold - 0.15:
            last = index
        elif (index - last) * step_s >= options.silence_s:
            spans.append((first * step_s, (last + 1) * step_s))
            first = -1
    if first >= 0:
        spans.append((first * step_s, (last + 1) * step_s))
    return [(start, end) for start, end in spans if end - start >= options.shortest_s]


def found_in(
    what: str, snr_db: float, heard: Sequence[Stream], find: Callable[[Samples], Spans]
) -> WordEnds:
    """Run one of them over the streams."""
    missed = broken = false_starts = words = 0
    late_s: list[float] = []
    began_s = time.process_time()
    found = [find(stream.samples) for stream in heard]
    took_s = time.process_time() - began_s
    for stream, spans in zip(heard, found, strict=True):
        words += len(stream.words)
        false_starts += sum(
            all(_common(span, word) <= 0.0 for word in stream.words) for span in spans
        )
        for word in stream.words:
            touching = [span for span in spans if _common(span, word) > 0.0]
            if sum(_common(span, word) for span in touching) < 0.5 * (word[1] - word[0]):
                missed += 1
                continue
            broken += len(touching) > 1
            late_s.append(touching[-1][1] - word[1])
    length_s = sum(stream.length_s for stream in heard)
    noise_s = sum(stream.noise_s for stream in heard)
    return WordEnds(
        what, snr_db, words, missed, broken, false_starts, noise_s, tuple(late_s), took_s / length_s
    )  # fmt: skip


def quantile_ms(late_s: Sequence[float], share: float) -> float:
    """Of the end marks' errors, in milliseconds; not a number where no word was found."""
    return 1000.0 * float(np.quantile(late_s, share)) if late_s else float("nan")


def _common(one: tuple[float, float], other: tuple[float, float]) -> float:
    return min(one[1], other[1]) - max(one[0], other[0])
