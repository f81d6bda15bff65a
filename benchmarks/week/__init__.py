"""A week in an hour: one table that stays open while its clock runs 168 times as fast.

Real: ``tablevoice run`` with its loop, threads, JSON lines over pipes, chooser, queue,
dialogue, record, history, store, the engine's process, the whole ear. Stand-ins: loudspeaker
and microphone, since no sound card plays 168 times as fast, and the clock. The week has play
and nights, and things are broken all the time. ``python -m benchmarks.week``.
"""
