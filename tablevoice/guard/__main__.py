"""``python -m tablevoice.guard``."""

import sys

from tablevoice.guard.cli import main

sys.exit(main())
