"""What a table may say and ask: phrasebook files, slots of lines, and the choice of a line.

Knows no audio, no clock and no controller. The session loads a phrasebook here once
and asks the chooser for a line each time something happens.
"""

from tablevoice.phrasebook.loading import load_phrasebook
from tablevoice.phrasebook.schema import phrasebook_schema

__all__ = ["load_phrasebook", "phrasebook_schema"]
