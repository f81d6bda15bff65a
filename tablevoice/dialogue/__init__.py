"""Questions, standing commands, confirmation, time-outs, fall-backs: a pure state machine."""

from tablevoice.dialogue.expecting import expected
from tablevoice.dialogue.machine import longest_s, start, step, with_standing
from tablevoice.dialogue.terms import Expected, State

__all__ = ["Expected", "State", "expected", "longest_s", "start", "step", "with_standing"]
