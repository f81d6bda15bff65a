"""What the stop guard is not, in one place.

The same words stand in ``--help``, in the guard file's template, in the first status line
and in GUARD.md; a test compares them. Nothing here decides anything.
"""

from __future__ import annotations

CAUTIONS: tuple[str, ...] = (
    "This is not a safety-rated function and carries no performance level (ISO 13849-1).",
    "Emergency stop, guards and light curtains are hard-wired to safety-rated parts and designed"
    " to local codes by licensed practice (ISO 13850, IEC 60204-1, ISO 10218-1/-2, ISO 12100).",
    "A voice or software pause is not lockout/tagout: isolate the energy before working inside.",
    "The guard only adds a way to ask for a hold. At best the cell's controller answers with a"
    " controlled hold (in the manner of stop category 2, IEC 60204-1); stop category 0 belongs to"
    " the hard-wired circuit.",
)
