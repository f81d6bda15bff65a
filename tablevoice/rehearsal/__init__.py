"""Tries out a table before it is open: a whole season of choices, or one session from a file."""
