"""What the finder of speech takes for speech though nobody speaks: a servo's whine, a chord.

Such pieces of sound are what the second opinion is asked about in a room at work, and so
they are what it has to learn to leave alone; stretches of noise cut anywhere are not. Called
while the examples of a plan are made.
"""

from __future__ import annotations

from tablevoice.listening.endpointing import Endpointer, SpeechEnded
from tablevoice.model import Samples

MOST_OF_A_PIECE = 12
"""A machine that is taken for speech without pause must not be half of what is learnt."""


def false_starts(alone: Samples) -> list[Samples]:
    """Utterances cut out of a piece of sound without speech, mono 16 kHz, in order."""
    endpointer = Endpointer()
    events = [*endpointer.feed(alone), *endpointer.flush()]
    found = [event.samples for event in events if isinstance(event, SpeechEnded)]
    return found[:MOST_OF_A_PIECE]
