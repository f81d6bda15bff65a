"""What a second opinion can be built on, compared on the same clips; writes LISTENERS.md.

Our own encoder without and with a head that learns the words, a speech embedding from
another package with the same head, the bare grammar, noise suppressors before the encoder,
and a voice-activity network beside our endpointing. The other packages are the extra
``compare``; what is not installed is named in the table.

    python -m benchmarks.listeners_compared           # about half an hour on one core
    python -m benchmarks.listeners_compared --small   # a few clips, nothing is written
"""

from __future__ import annotations

import argparse
import sys
import time
import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np

from benchmarks.claims import with_table
from benchmarks.listeners_clips import (
    HELD_OUT,
    LEARNT_FROM,
    SNRS_DB,
    WORDS,
    Clip,
    Size,
    Stream,
    held_out,
    learnt_from,
    streams,
)
from benchmarks.other_listeners import (
    DeepFilter,
    Floats,
    SpeechEmbedding,
    Suppressor,
    VoiceModel,
    WebrtcSuppressor,
)
from benchmarks.word_ends import WordEnds, found_in, network, ours, quantile_ms
from tablevoice.errors import RecogniserUnavailable
from tablevoice.evaluation.intervals import wilson
from tablevoice.listening.evidence import Commands
from tablevoice.listening.recognisers import open_recogniser
from tablevoice.listening.sound_encoder import SoundEncoder
from tablevoice.model import Samples
from tablevoice.tuning.examples import Amounts

PAGE = Path(__file__).with_name("LISTENERS.md")
OUTSIDE_LET_THROUGH = 0.02
SMALL = Size(Amounts(6, 1, 1, 0, 1, 10, 40, 0, 10, 0), takes=1, outside_words=10, noises=2)
Rows: TypeAlias = Floats
"""Numbers by which a head tells the words apart, shape ``(clips, columns)``."""


@dataclass(frozen=True, slots=True)
class Answer:
    """The word that a clip is nearest to, and how much more likely than none of them."""

    word: str
    score: float


@dataclass(frozen=True, slots=True)
class Listener:
    """What one way of listening made of the held-out clips, in their order.

    ``cost_ms``: processor time a clip, of all threads together, the head left out.
    """

    what: str
    answers: tuple[Answer, ...]
    cost_ms: float


@dataclass(frozen=True, slots=True)
class Missing:
    """A package that is not here, and what to do."""

    what: str
    why: str


# --- ways of listening -----------------------------------------------------------


class Encoder:
    """Our own network, and all that its evidence row says about the words."""

    def __init__(self) -> None:
        self._encoder = SoundEncoder()
        self.commands = Commands(WORDS, {}, self._encoder)

    def row(self, samples: Samples) -> Floats:
        return self.commands.row(self._encoder.listen(samples))

    def untaught(self, rows: Rows) -> list[Answer]:
        """By the words' spelling alone: how much nearer each is than all ordinary words."""
        nearer = rows[:, : len(WORDS)]
        return [
            Answer(self.commands.phrases[int(best)], float(row[best]))
            for row, best in zip(nearer, np.argmax(nearer, axis=1), strict=True)
        ]


def summary(steps: Floats) -> Floats:
    """Mean, highest and last of an utterance's embeddings, shape ``(288,)``."""
    return np.concatenate((steps.mean(axis=0), steps.max(axis=0), steps[-1]))


_PLACES = 8


def in_order(steps: Floats) -> Floats:
    """The embeddings at eight places from first to last, shape ``(768,)``."""
    places = np.linspace(0, len(steps) - 1, _PLACES).round().astype(int)
    return np.asarray(steps[places].reshape(-1), np.float32)


def taught(rows: Rows, clips: Sequence[Clip], asked: Rows) -> list[Answer]:
    """The answers of a head that learnt from ``rows``; the same head for everybody."""
    from sklearn.neural_network import MLPClassifier
    from sklearn.preprocessing import StandardScaler

    scaler = StandardScaler().fit(rows)
    head = MLPClassifier((64,), alpha=3e-2, max_iter=25, random_state=1)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # 25 rounds are the choice, not a failure to converge
        head.fit(scaler.transform(rows), [clip.word for clip in clips])
    logs = np.log(np.maximum(head.predict_proba(scaler.transform(asked)), 1e-12))
    names = [str(name) for name in head.classes_]
    none = names.index("")
    words = [index for index in range(len(names)) if index != none]
    answers = []
    for row in logs:
        best = max(words, key=lambda index: row[index])
        answers.append(Answer(names[best], float(row[best] - row[none])))
    return answers


def grammar(clips: Sequence[Clip]) -> Listener:
    """The bare grammar; its score is that against the loop of phones."""
    recogniser = open_recogniser("pocketsphinx")
    recogniser.set_phrases(WORDS)
    answers = []
    began_s = time.process_time()
    for clip in clips:
        recogniser.start()
        recogniser.feed(clip.samples)
        found = recogniser.finish()
        ratio = found.evidence.get("log_likelihood_ratio", -np.inf) if found.text else -np.inf
        answers.append(Answer(found.text, float(ratio)))
    cost_ms = _each_ms(began_s, clips)
    recogniser.close()
    return Listener("PocketSphinx grammar", tuple(answers), cost_ms)


def timed(
    make: Callable[[Samples], Floats], sounds: Sequence[Samples], steps: Callable[[str], None]
) -> tuple[list[Floats], float]:
    """What is made of each sound, and the processor time that each took in milliseconds."""
    made = []
    began_s = time.process_time()
    for number, samples in enumerate(sounds):
        made.append(make(samples))
        if number % 200 == 199:
            steps(f"{number + 1} of {len(sounds)} clips")
    return made, _each_ms(began_s, sounds)


def _each_ms(began_s: float, sounds: Sequence[object]) -> float:
    return 1000.0 * (time.process_time() - began_s) / max(len(sounds), 1)


def listen(
    learnt: Sequence[Clip], asked: Sequence[Clip], steps: Callable[[str], None]
) -> Iterator[Listener | Missing]:
    """Every way of listening on the same clips, one after another."""
    yield grammar(asked)
    encoder = Encoder()
    before, after = _sounds(learnt), _sounds(asked)
    steps("our encoder")
    own_before, _ = timed(encoder.row, before, steps)
    own_after, own_ms = timed(encoder.row, after, steps)
    yield Listener(f"{OURS}, nothing learnt", tuple(encoder.untaught(np.stack(own_after))), own_ms)
    yield _headed(f"{OURS}, head", own_before, learnt, own_after, own_ms)
    try:
        embedding = SpeechEmbedding()
    except RecogniserUnavailable as error:
        yield Missing("speech embedding", str(error))
    else:
        steps("speech embedding")
        steps_before, _ = timed(embedding.listen, before, steps)
        steps_after, other_ms = timed(embedding.listen, after, steps)
        for what, pool in (("mean, highest, last", summary), ("eight in order", in_order)):
            rows = [[pool(one) for one in part] for part in (steps_before, steps_after)]
            name = f"speech embedding ({what}), head"
            yield _headed(name, rows[0], learnt, rows[1], other_ms)
        joined = [
            [
                np.concatenate((mine, summary(other)))
                for mine, other in zip(own, others, strict=True)
            ]
            for own, others in ((own_before, steps_before), (own_after, steps_after))
        ]
        name = f"{OURS} and speech embedding, one head"
        yield _headed(name, joined[0], learnt, joined[1], own_ms + other_ms)
    # How much the head depends on the number of examples.
    yield _headed(
        f"{OURS}, head from a third of the examples",
        own_before[::3], learnt[::3], own_after, own_ms,
    )  # fmt: skip


OURS = "our encoder"
SUPPRESSED_EVERY = 3
"""Suppressors are tried on every third clip, which has both manners and all voices: they take
their time."""

MOST_DB = 12.0

SUPPRESSORS: tuple[tuple[str, Callable[[], Suppressor]], ...] = (
    ("WebRTC suppressor", WebrtcSuppressor),
    ("DeepFilterNet", DeepFilter),
)


def suppress(asked: Sequence[Clip], steps: Callable[[str], None]) -> Iterator[Listener | Missing]:
    """The encoder, nothing learnt, without a suppressor and behind each: one that takes all
    that it can, and one that takes 12 dB at most."""
    encoder = Encoder()
    sounds = _sounds(asked)
    rows, own_ms = timed(encoder.row, sounds, steps)
    yield Listener(OURS, tuple(encoder.untaught(np.stack(rows))), own_ms)
    for what, opened in SUPPRESSORS:
        try:
            suppressor = opened()
        except RecogniserUnavailable as error:
            yield Missing(what, str(error))
            continue
        steps(what)
        cleaned, cost_ms = timed(suppressor.clean, sounds, steps)
        for how, rest in (("", 0.0), (f", at most {MOST_DB:g} dB", 10.0 ** (-MOST_DB / 20.0))):
            # What is left of the sound itself bounds what can be taken away.
            rows = [
                encoder.row(np.float32(rest) * sound + np.float32(1.0 - rest) * clean)
                for sound, clean in zip(sounds, cleaned, strict=True)
            ]
            answers = tuple(encoder.untaught(np.stack(rows)))
            yield Listener(f"{what}{how}, {OURS}", answers, cost_ms + own_ms)


def _sounds(clips: Sequence[Clip]) -> list[Samples]:
    return [clip.samples for clip in clips]


def _headed(
    what: str, rows: Sequence[Floats], learnt: Sequence[Clip], asked: Sequence[Floats],
    cost_ms: float,
) -> Listener:  # fmt: skip
    return Listener(what, tuple(taught(np.stack(rows), learnt, np.stack(asked))), cost_ms)


def find_ends(heard: dict[float, list[Stream]]) -> list[WordEnds | Missing]:
    """Our endpointing and the voice-activity network at two thresholds."""
    finders: list[tuple[str, Callable[[Samples], list[tuple[float, float]]]]] = [
        ("our endpointing", ours)
    ]
    results: list[WordEnds | Missing] = []
    try:
        model = VoiceModel()
    except RecogniserUnavailable as error:
        results.append(Missing("voice-activity network", str(error)))
    else:
        for threshold in (0.5, 0.3):
            what = f"voice-activity network, opens at {threshold:g}"
            finders.append((what, network(model, threshold)))
    results += [
        found_in(what, snr_db, parts, find)
        for snr_db, parts in heard.items()
        for what, find in finders
    ]
    return results


# --- tables ----------------------------------------------------------------------


def threshold(answers: Sequence[Answer], clips: Sequence[Clip]) -> float:
    """Scores above it let ``OUTSIDE_LET_THROUGH`` of the outside words through, no more.

    One threshold for all ratios: a table does not know how loud its room is.
    """
    outside = sorted(
        (one.score for one, clip in zip(answers, clips, strict=True) if not clip.word),
        reverse=True,
    )
    return outside[int(OUTSIDE_LET_THROUGH * len(outside))] if outside else -np.inf


def right(
    listener: Listener, clips: Sequence[Clip], above: float, where: Callable[[Clip], bool]
) -> tuple[int, int]:
    """Words heard rightly with a score above ``above``, and words asked."""
    asked = [
        one.word == clip.word and one.score > above
        for one, clip in zip(listener.answers, clips, strict=True)
        if clip.word and where(clip)
    ]
    return sum(asked), len(asked)


def shown(count: int, of: int) -> str:
    """A share with Wilson's 95 % interval."""
    share = wilson(count, of)
    if share.share is None or share.low is None or share.high is None:
        return ""
    return f"{share.share:.0%} ({share.low:.0%}–{share.high:.0%})".replace("%", " %")


def listeners_table(results: Sequence[Listener | Missing], clips: Sequence[Clip]) -> str:
    """Closed set, at the threshold, worst family, cost."""
    families = sorted({clip.family for clip in clips})
    words = sum(bool(clip.word) for clip in clips) // len(SNRS_DB)
    outside = sum(not clip.word for clip in clips)
    ratios = [f"{snr_db:g} dB" for snr_db in SNRS_DB]
    at_limit = f"{OUTSIDE_LET_THROUGH:.0%}".replace("%", " %")
    lines = [
        f"{words} words a ratio, {outside} outside words in all. Shares of words heard rightly, "
        f"with Wilson's 95 % interval: *closed set* forces an answer, *limit* answers only above "
        f"the threshold that lets {at_limit} of the outside words through. *Worst*: the worse "
        "family of voices at the limit, all ratios together.",
        "",
        _row(["listener"] + [f"closed set, {ratio}" for ratio in ratios]
             + [f"limit, {ratio}" for ratio in ratios] + ["worst", "ms a clip"]),
        "|---" * (2 * len(SNRS_DB) + 3) + "|",
    ]  # fmt: skip
    for one in results:
        if isinstance(one, Missing):
            lines.append(_row([one.what, f"not measured: {one.why}"]))
            continue
        limit = threshold(one.answers, clips)
        cells = [one.what]
        # The closed set forces an answer: any score will do, no score at all included.
        for above in (None, limit):
            for snr_db in SNRS_DB:
                at = right(
                    one, clips, -np.inf if above is None else above,
                    lambda clip, snr_db=snr_db: clip.snr_db == snr_db,  # type: ignore[misc]
                )  # fmt: skip
                cells.append(shown(*at))
        by_family = {
            family: right(one, clips, limit, lambda clip, family=family: clip.family == family)  # type: ignore[misc]
            for family in families
        }
        worst = min(by_family, key=lambda family: by_family[family][0] / by_family[family][1])
        cells.append(f"{worst}: {shown(*by_family[worst])}")
        cells.append(f"{one.cost_ms:.0f}")
        lines.append(_row(cells))
    return "\n".join(lines)


def ends_table(results: Sequence[WordEnds | Missing]) -> str:
    """Misses, false starts and the error of the end mark at each ratio."""
    lines = [
        _row(["what finds the word", "ratio", "missed", "in pieces",
              "false starts a minute of noise", "end mark: median", "5 % to 95 %", "× real time"]),
        "|---" * 8 + "|",
    ]  # fmt: skip
    for one in results:
        if isinstance(one, Missing):
            lines.append(_row([one.what, f"not measured: {one.why}"]))
            continue
        low, middle, high = (quantile_ms(one.late_s, share) for share in (0.05, 0.5, 0.95))
        lines.append(_row([
            one.what, f"{one.snr_db:g} dB",
            f"{one.missed}/{one.words} = {shown(one.missed, one.words)}",
            f"{one.broken}/{one.words}",
            f"{60.0 * one.false_starts / one.noise_s:.1f} "
            f"({one.false_starts} in {one.noise_s / 60.0:.1f} min)",
            f"{middle:+.0f} ms", f"{low:+.0f} to {high:+.0f} ms", f"{one.cost:.3f}",
        ]))  # fmt: skip
    return "\n".join(lines)


def _row(cells: Sequence[str]) -> str:
    return f"| {' | '.join(cells)} |"


def tables(
    results: Sequence[Listener | Missing], behind: Sequence[Listener | Missing],
    ends: Sequence[WordEnds | Missing], learnt: int, asked: Sequence[Clip],
) -> str:  # fmt: skip
    """All that was measured, as Markdown."""
    about = (
        f"{learnt} examples learnt from, spoken by {', '.join(LEARNT_FROM)}; asked in the voices "
        f"of {' and '.join(HELD_OUT)}. Synthetic voices and noises, one thread."
    )
    return "\n\n".join(
        (
            "### Listeners", about, listeners_table(results, asked),
            "### Noise suppression before our encoder, nothing learnt",
            listeners_table(behind, asked[::SUPPRESSED_EVERY]),
            "### Ends of words", "Marks before the word's end are negative.", ends_table(ends),
        )
    )  # fmt: skip


def main(arguments: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.listeners_compared")
    parser.add_argument("--small", action="store_true", help="a few clips, nothing is written")
    options = parser.parse_args(arguments)
    size = SMALL if options.small else Size()

    def steps(text: str) -> None:
        print(text, file=sys.stderr, flush=True)

    steps("making the clips")
    learnt, asked = learnt_from(size), held_out(size)
    heard = {snr_db: streams(snr_db, 8 if options.small else 40) for snr_db in (10.0, 0.0)}
    behind = list(suppress(asked[::SUPPRESSED_EVERY], steps))
    results = list(listen(learnt, asked, steps))
    text = tables(results, behind, find_ends(heard), len(learnt), asked)
    print(text)
    if not options.small:
        PAGE.write_text(with_table(PAGE.read_text("utf-8"), text), encoding="utf-8")
    return 0


def measure() -> list[dict[str, Any]]:
    """For ``python -m benchmarks listeners_compared``: writes the page, gives no goals."""
    main([])
    return [{"what": "listeners compared", "written to": PAGE.name}]


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
