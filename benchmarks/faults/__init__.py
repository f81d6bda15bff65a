"""Breaks a real running table on purpose, one thing at a time, and looks at what becomes of it.

The table is ``tablevoice run`` in a process of its own under a real sound server; its
controller is this program, by JSON lines. ``python -m benchmarks.faults`` breaks everything
several times and keeps what happened; the tests break a few things once.
"""
