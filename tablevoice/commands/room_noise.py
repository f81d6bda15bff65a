"""The noise of a room at the listener's place, from octave levels or a calibrated recording.

Reads what a person gives on the command line and refuses what cannot be right. Called by
``tablevoice intelligibility``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from tablevoice.acoustics.bands import (
    a_weighted_sum_db,
    from_band_levels,
    loud_moments,
    spectrum_levels,
)
from tablevoice.acoustics.intelligibility import OCTAVES, THIRD_OCTAVES, Levels, Procedure
from tablevoice.acoustics.levels import SILENCE_DBFS, a_weighted_dbfs
from tablevoice.audio.clip_files import read_clip
from tablevoice.errors import TablevoiceError

LONGEST_S = 900.0
"""Of a recording: a quarter of an hour shows every cycle of a cell."""

SHORTEST_S = 5.0
"""Less than this is one moment of a room, not its noise."""

LOUD_SHARE = 0.1
"""A valve or a pump that runs a tenth of the time is met in every game."""

_LOWER_HZ = (31.5, 63.0, 125.0)
"""Octaves that the index does not use, but the A-weighted level does."""

_EXAMPLE = "250=58,500=60,1000=57,2000=52,4000=46,8000=38"


@dataclass(frozen=True, slots=True, eq=False)
class RoomNoise:
    """``spectrum_db``: spectrum levels in dB SPL by band of ``procedure``, shape ``(bands,)``.

    ``loud_spectrum_db`` and ``loud_level_dba``: the same of the loudest tenth of the time; as
    the mean where only means are known.
    """

    procedure: Procedure
    spectrum_db: Levels
    level_dba: float
    loud_spectrum_db: Levels
    loud_level_dba: float
    told: str


def from_octaves(text: str) -> RoomNoise:
    """``250=58,500=60,…`` up to 8000, in dB SPL; 31.5, 63 and 125 may be added.

    Raises TablevoiceError for anything else.
    """
    levels: dict[float, float] = {}
    for pair in filter(None, (part.strip() for part in text.split(","))):
        centre, equals, level = pair.partition("=")
        centre_hz, level_db = _number(centre), _number(level)
        if not equals or centre_hz is None or level_db is None:
            raise _wrong_octaves(f"{pair!r} is not an octave's centre in Hz with its level.")
        if centre_hz not in (*_LOWER_HZ, *OCTAVES.centres_hz):
            raise _wrong_octaves(f"{centre_hz:g} Hz is not the centre of an octave in use.")
        if centre_hz in levels:
            raise _wrong_octaves(f"The octave {centre_hz:g} Hz stands there twice.")
        if not -20.0 <= level_db <= 140.0:
            raise _wrong_octaves(f"{level_db:g} dB is no level of a room.")
        levels[centre_hz] = level_db
    missing = [f"{centre:g}" for centre in OCTAVES.centres_hz if centre not in levels]
    if missing:
        raise _wrong_octaves(f"The level at {', '.join(missing)} Hz is missing.")
    bands_db = [levels[centre] for centre in OCTAVES.centres_hz]
    spectrum_db, level_dba = from_band_levels(bands_db, OCTAVES), a_weighted_sum_db(levels)
    return RoomNoise(OCTAVES, spectrum_db, level_dba, spectrum_db, level_dba, "octave levels")


def from_recording(
    file: Path, *, level_dba: float | None = None, full_scale_db: float | None = None
) -> RoomNoise:
    """A recording, calibrated by one of two: what a meter showed meanwhile, or the microphone.

    ``level_dba``: the A-weighted mean level that a sound level meter showed while it was made.
    ``full_scale_db``: the sound pressure level that an RMS of full scale (0 dBFS, an RMS of
    1.0) stands for. Raises TablevoiceError for a file that cannot be used or no calibration.
    """
    if (level_dba is None) == (full_scale_db is None):
        raise TablevoiceError(
            "How loud the recording was is not known."
            if level_dba is None
            else "The recording is calibrated twice.",
            where=str(file),
            do="Give one of --noise-level (what a sound level meter showed, in dB(A)) and"
            " --full-scale (the dB SPL of an RMS of full scale).",
        )
    clip = read_clip(file, longest_s=LONGEST_S)
    if clip.duration_s < SHORTEST_S:
        raise TablevoiceError(
            f"{clip.duration_s:.1f} s of a room are too few.", where=str(file),
            do=f"Record at least {SHORTEST_S:g} s with everything running that runs.",
        )  # fmt: skip
    own_dbfs = a_weighted_dbfs(clip.samples, clip.rate_hz)
    if own_dbfs <= SILENCE_DBFS:
        raise TablevoiceError(
            "The recording is silent.", where=str(file), do="Look to the microphone."
        )
    offset_db = full_scale_db if full_scale_db is not None else (level_dba or 0.0) - own_dbfs
    room_dba = own_dbfs + offset_db
    if not 0.0 <= room_dba <= 140.0:
        raise TablevoiceError(
            f"That makes the room {room_dba:.0f} dB(A), which no room is.", where=str(file),
            do="Look to the calibration.",
        )  # fmt: skip
    try:
        spectrum_dbfs = spectrum_levels(clip, THIRD_OCTAVES, of_the_room=True)
    except ValueError as error:
        raise TablevoiceError(
            f"The recording does not reach high enough: {error}.", where=str(file),
            do="Record at 44100 or 48000 Hz.",
        ) from error  # fmt: skip
    loud = loud_moments(clip, LOUD_SHARE)
    return RoomNoise(
        THIRD_OCTAVES, spectrum_dbfs + offset_db, room_dba,
        spectrum_levels(loud, THIRD_OCTAVES, of_the_room=True) + offset_db,
        a_weighted_dbfs(loud.samples, loud.rate_hz) + offset_db,
        f"{clip.duration_s:.0f} s of recording",
    )  # fmt: skip


def _number(text: str) -> float | None:
    try:
        number = float(text)
    except ValueError:
        return None
    return number if math.isfinite(number) else None


def _wrong_octaves(what: str) -> TablevoiceError:
    return TablevoiceError(what, where="--octaves", do=f"Write them as in {_EXAMPLE}.")
