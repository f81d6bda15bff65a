"""The stop guard: a process of its own that watches physical stop inputs and holds a permit.

It imports nothing of the rest of the package and nothing of the rest imports it; it is
started as ``python -m tablevoice.guard guard.yaml``. GUARD.md beside this file says how it
is wired, what it promises and what it does not.
"""
