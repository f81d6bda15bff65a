"""Lets a machine table talk and listen.

The names that a program of yours needs stand here; everything else is found by
the room it lives in (see DEVELOPERS.md). Importing this package opens no device,
reads no file and starts no thread.
"""

__version__ = "0.1.0"
