"""Speaking: voices, the engine behind a process border, prepared lines, the loudspeaker's queue.

Nothing is re-exported here: the engine's child process imports this package too and
has to start quickly, so it must not pull in more than it needs.
"""
