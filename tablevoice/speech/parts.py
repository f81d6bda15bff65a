"""A marked line for an engine that knows no pauses: cut into parts, and joined again.

Pure; knows neither engines nor voices. The client of the engines has each part rendered
between the two.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tablevoice.markup import Pause, Pieces, Words, words_alone
from tablevoice.model import Clip
from tablevoice.speech.loudness import integrated_lufs
from tablevoice.speech.trimming import LEAD_MS, TAIL_MS, trim

EMPHASIS_PACE = 1 / 1.13
EMPHASIS_DB = 1.4
"""Emphasis by an engine that knows none; espeak-ng 1.52 says an emphasised word 13 % slower and
1.4 dB louder (measured)."""

MOST_LEVELLED_DB = 6.0
"""A part is moved no further: what is quieter still may be meant to be."""


@dataclass(frozen=True, slots=True)
class Part:
    """Words that are said in one go, and the silence after them (``None``: the line goes on)."""

    pieces: tuple[Words, ...]
    emphasised: bool
    pause_s: float | None


def parts_of(pieces: Pieces) -> list[Part]:
    """The pieces cut where a pause stands or emphasis changes.

    Punctuation alone is no part: it goes to the words before it, at the beginning to those
    after it.
    """
    parts: list[Part] = []
    group: tuple[Words, ...] = ()
    for index, piece in enumerate(pieces):
        if isinstance(piece, Pause):
            continue
        group = (*group, piece)
        following = pieces[index + 1] if index + 1 < len(pieces) else None
        if isinstance(following, Words) and following.emphasised == piece.emphasised:
            continue
        pause_s = following.seconds if isinstance(following, Pause) else None
        if any(char.isalnum() for char in words_alone(group)):
            parts.append(Part(group, piece.emphasised, pause_s))
            group = ()
        elif parts:
            pause_s = pause_s if pause_s is not None else parts[-1].pause_s
            parts[-1] = replace(parts[-1], pieces=parts[-1].pieces + group, pause_s=pause_s)
            group = ()
    if group:
        parts.append(Part(group, False, None))
    return parts


def joined(rendered: Sequence[tuple[Part, Clip]]) -> Clip:
    """The parts as one clip, each trimmed, with their pauses; a part alone stays as it is.

    Some engines bring each thing that they say to one peak, so parts are brought to the loudness
    of the longest one, what is emphasised above it.
    """
    if len(rendered) == 1:
        return rendered[0][1]
    rate_hz = rendered[0][1].rate_hz
    usual_lufs = integrated_lufs(max((clip for _, clip in rendered), key=lambda c: c.duration_s))
    found = []
    for part, clip in rendered:
        gain_db = usual_lufs - integrated_lufs(clip)
        gain_db = max(-MOST_LEVELLED_DB, min(MOST_LEVELLED_DB, gain_db)) + (
            EMPHASIS_DB if part.emphasised else 0.0
        )
        found.append(trim(clip).samples * np.float32(10 ** (gain_db / 20)))
        # The margins that trimming leaves are part of the pause.
        silence_s = max(0.0, (part.pause_s or 0.0) - (LEAD_MS + TAIL_MS) / 1000)
        found.append(np.zeros(round(silence_s * rate_hz), np.float32))
    return Clip(np.concatenate(found), rate_hz)
