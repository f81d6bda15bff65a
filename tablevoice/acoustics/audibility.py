"""What level at a listener is enough, and what is too much: rules of others, with their sources.

Pure. The rules of the place go before all of these. Asked about the voices of a cell by
:mod:`tablevoice.commands.intelligibility`.
"""

from __future__ import annotations

from dataclasses import dataclass

LONG_EXPOSURE_DBA = 85.0
"""Nobody is to be given more than this for long, and no advice here goes above it.

NIOSH, Criteria for a Recommended Standard: Occupational Noise Exposure (1998): a recommended
limit of 85 dB(A) over eight hours, halved in time for every 3 dB. EU directive 2003/10/EC:
action at 80 and 85 dB(A) a day, 87 at most (both from memory). Local rules go first."""

ACTION_DBA = 80.0
"""The lower action value of 2003/10/EC: from here hearing protection is offered (from memory)."""

STANDS_OUT_DB = 15.0
"""ISO 7731:2003: a danger signal lies this far above the A-weighted ambient level …"""

SIGNAL_AT_LEAST_DBA, SIGNAL_AT_MOST_DBA = 65.0, 118.0
"""… is 65 dB(A) or more, and 118 or less (ISO 7731, from memory)."""

SHORT_WARNING_S = 3.0
"""Longer than this a warning is not over when somebody should have acted. Our measure, no
standard's: two breath groups of about three words each."""


@dataclass(frozen=True, slots=True)
class StandsOut:
    """How a warning at ``level_dba`` lies in a room of ``room_dba``.

    ``needs_dba`` is the least level that would do; ``within_limits`` whether that level is
    fit for long exposure.
    """

    level_dba: float
    room_dba: float

    @property
    def over_db(self) -> float:
        return self.level_dba - self.room_dba

    @property
    def needs_dba(self) -> float:
        return max(self.room_dba + STANDS_OUT_DB, SIGNAL_AT_LEAST_DBA)

    @property
    def does(self) -> bool:
        return self.needs_dba <= self.level_dba <= SIGNAL_AT_MOST_DBA

    @property
    def within_limits(self) -> bool:
        return self.needs_dba <= LONG_EXPOSURE_DBA


def hours_a_day(level_dba: float) -> float:
    """How long a day that level may last by the rule of 85 dB(A), 8 h and 3 dB (NIOSH 1998)."""
    return float(min(24.0, 8.0 * 2.0 ** ((LONG_EXPOSURE_DBA - level_dba) / 3.0)))
