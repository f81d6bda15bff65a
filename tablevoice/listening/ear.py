"""From microphone samples to what a person said: gate, endpointer, recogniser, second opinion.

Knows what may be heard now and whether the table itself is speaking; knows no device, no
clock (times are passed in) and no meaning. The table feeds it; what it returns goes to
:mod:`tablevoice.listening.matching` and :mod:`tablevoice.listening.judging`.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

import numpy as np

from tablevoice.listening.certainty import all_that_was_said
from tablevoice.listening.endpointing import (
    Endpointer,
    EndpointOptions,
    SpeechDropped,
    SpeechEnded,
    SpeechFrames,
    SpeechStarted,
)
from tablevoice.listening.framing import FRAME_S, FRAME_SAMPLES, clean, frames_in
from tablevoice.listening.gate import Gate, GateOptions, GateState
from tablevoice.listening.recognisers import Recogniser
from tablevoice.listening.room_doubt import RoomDoubt, doubted
from tablevoice.listening.second_opinion import SecondOpinion
from tablevoice.model import LISTENING_RATE_HZ, Heard, Samples
from tablevoice.wording import normalise

_ONSET_FRAMES = 8
"""The double-talk rule needs some frames to be sure; the onset of the word lies before."""


_UNDERSTOOD, _UNDERSTOOD_STANDING = 0.9, 0.6
"""Sure enough to wait no longer for the rest of the silence; the verdict is made as always.
For what may be said at any time ("pause") less will do: nobody should wait for a hold."""

_URGENT = 0.8
"""Sure enough of a hold to end an utterance where its sound falls, be it in the middle of a word:
half of "pause" comes to 0.2 to 0.75, the whole of it to more than 0.95."""

_KEPT_BACK_GAIN = 0.2
"""Not zero: the recogniser takes the mean of the room's sound from these frames too."""


@dataclass(frozen=True, slots=True)
class EarOptions:
    """How the ear cuts utterances and how it keeps the table's own voice out."""

    endpoint: EndpointOptions = field(default_factory=EndpointOptions)
    gate: GateOptions = field(default_factory=GateOptions)


class Ear:
    """One microphone. Feed it 16 kHz mono blocks of any size; it is not thread-safe."""

    def __init__(
        self,
        recogniser: Recogniser,
        options: EarOptions = EarOptions(),
        second_opinion: SecondOpinion | None = None,
    ) -> None:
        self.options = options
        self._second_opinion = second_opinion
        self._recogniser = recogniser
        self._phrases: frozenset[str] = frozenset()
        self._standing: frozenset[str] = frozenset()
        self._holds: frozenset[str] = frozenset()
        self._begin()

    def reset(self) -> None:
        """Forget the stream, what was learned of the room too; what may be heard stays.

        Afterwards the same samples give the same results as from a new ear.
        """
        self._recogniser.reset()
        self._begin()

    def close(self) -> None:
        """Give the recogniser's memory back; the ear is unusable afterwards."""
        self._recogniser.close()

    def _begin(self) -> None:
        options = self.options
        self._endpointer = Endpointer(
            options.endpoint, self._recogniser.complete, self._understood, self._urgent
        )
        self._gate = Gate(options.gate)
        self._doubt = RoomDoubt()
        self._microphone = np.zeros(0, dtype=np.float32)
        self._reference = np.zeros(0, dtype=np.float32)
        self._passed: deque[bool] = deque(maxlen=frames_in(options.endpoint.preroll_s) + 1)
        # True where the table itself sounded, for the frames an utterance may reach back over.
        self._own_voice: deque[bool] = deque(
            maxlen=round((options.endpoint.longest_s + 2.0) / FRAME_S)
        )

    def allow(
        self,
        phrases: Collection[str],
        standing_phrases: Collection[str],
        hold_phrases: Collection[str] = (),
    ) -> None:
        """What may be heard from the next utterance on; ``hold_phrases``: what is urgent of it.

        An utterance that is already open is finished with the phrases that were allowed
        when it began: the person answers what they heard before they opened their mouth,
        and a decoder cannot change its grammar in the middle. Matching then holds the
        text against what is expected by that time.
        """
        self._phrases = frozenset(filter(None, map(normalise, phrases)))
        self._standing = frozenset(filter(None, map(normalise, standing_phrases)))
        self._holds = frozenset(filter(None, map(normalise, hold_phrases)))

    @property
    def in_speech(self) -> bool:
        """Whether a person is speaking right now, as far as the endpointer can tell."""
        return self._endpointer.in_speech

    def feed(self, samples: Samples, now_s: float, reference: Samples | None = None) -> list[Heard]:
        """Listen to a block of shape ``(n,)`` whose last sample was taken at ``now_s``.

        ``reference``: what the loudspeaker played meanwhile, of the same length; ``None``
        when it was silent.
        """
        block = clean(samples)
        played = np.zeros(len(block), dtype=np.float32) if reference is None else clean(reference)
        if len(played) != len(block):
            raise ValueError("microphone and reference must be equally long")
        block = np.concatenate((self._microphone, block))
        played = np.concatenate((self._reference, played))
        whole = len(block) // FRAME_SAMPLES * FRAME_SAMPLES
        self._microphone, self._reference = block[whole:], played[whole:]
        heard: list[Heard] = []
        # Stream time runs in samples; this is where it stands on the session's clock.
        zero_s = now_s - len(self._microphone) / LISTENING_RATE_HZ - self._stream_s(whole)
        for start in range(0, whole, FRAME_SAMPLES):
            cut = slice(start, start + FRAME_SAMPLES)
            self._feed_frame(block[cut], played[cut], zero_s, heard)
        return heard

    def _stream_s(self, more_samples: int) -> float:
        return self._endpointer.now_s + more_samples / LISTENING_RATE_HZ

    def _feed_frame(
        self, frame: Samples, played: Samples, zero_s: float, heard: list[Heard]
    ) -> None:
        gated = self._gate.feed(frame, played)[0]
        self._passed.append(gated.passed)
        self._own_voice.append(gated.state is GateState.SPEAKING)
        for event in self._endpointer.feed(frame, np.array([gated.passed])):
            if isinstance(event, SpeechStarted):
                speaking = gated.state is GateState.SPEAKING
                self._recogniser.set_phrases(
                    self._standing if speaking else self._phrases | self._standing
                )
                self._recogniser.start()
            elif isinstance(event, SpeechFrames):
                self._recogniser.feed(self._without_own_voice(event.samples))
            elif isinstance(event, SpeechEnded):
                heard.append(self._finish(event, zero_s))
            else:
                assert isinstance(event, SpeechDropped)
                self._recogniser.finish()

    def _without_own_voice(self, samples: Samples) -> Samples:
        """Turn down what the gate kept back, but for a little before each frame that passed."""
        count = len(samples) // FRAME_SAMPLES
        known = list(self._passed)
        gains = [
            1.0 if any(known[index : index + _ONSET_FRAMES + 1]) else _KEPT_BACK_GAIN
            for index in range(len(known) - count, len(known))
        ]
        return samples * np.repeat(np.array(gains, dtype=np.float32), FRAME_SAMPLES)

    def _finish(self, event: SpeechEnded, zero_s: float) -> Heard:
        frames_ago = round((self._endpointer.now_s - event.start_s) / FRAME_S)
        length = max(1, round((event.end_s - event.start_s) / FRAME_S))
        spoken = list(self._own_voice)[-frames_ago:][:length]
        duration_s = event.end_s - event.start_s
        hypothesis = all_that_was_said(self._recogniser.finish(), duration_s)
        probabilities: Mapping[str, float] = {}
        scores: Mapping[str, float] = {}
        doubt_nats = 0.0
        if self._second_opinion is not None:
            opinion = self._second_opinion.opinion(event.samples, hypothesis)
            doubt_nats = self._doubt.nats(event.end_s)
            probabilities, scores = doubted(opinion.probabilities, doubt_nats), opinion.scores
            # By what it is without the doubt: else doubt would breed doubt.
            self._doubt.note(event.end_s, 1.0 - sum(opinion.probabilities.values()))
        return Heard(
            hypothesis,
            zero_s + event.start_s,
            zero_s + event.end_s,
            event.level_dbfs,
            during_speech=2 * sum(spoken) > len(spoken),
            samples=event.samples,
            probabilities=probabilities,
            second_opinion=scores,
            room_doubt_nats=doubt_nats,
        )

    def _understood(self, samples: Samples) -> bool:
        """Whether the second opinion is sure already of a phrase that may be said now."""
        allowed = self._phrases | self._standing
        bars = dict.fromkeys(self._phrases, _UNDERSTOOD)
        bars.update(dict.fromkeys(self._standing, _UNDERSTOOD_STANDING))
        # Whoever has said "front" may be about to say "left".
        return any(not _may_go_on(phrase, allowed) for phrase in self._surely(samples, bars))

    def _urgent(self, samples: Samples) -> bool:
        """Whether it is sure of a hold, which is never made to wait; "stop" is one whether or
        not it goes on to be "stop the lamp"."""
        others = (self._phrases | self._standing) - self._holds
        bars = dict.fromkeys(self._holds, _URGENT)
        return any(not _may_go_on(phrase, others) for phrase in self._surely(samples, bars))

    def _surely(self, samples: Samples, bars: Mapping[str, float]) -> list[str]:
        if self._second_opinion is None or not bars:
            return []
        chances = self._second_opinion.by_sound(samples)
        return [phrase for phrase, bar in bars.items() if chances.get(phrase, 0.0) >= bar]


def _may_go_on(phrase: str, allowed: Collection[str]) -> bool:
    return any(longer.startswith(f"{phrase} ") for longer in allowed)
