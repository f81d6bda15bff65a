"""The table's ears: endpointing, recognisers, matching, judging and the gate.

Knows sound and words, not what they mean for the table and not where the sound comes from.
"""
