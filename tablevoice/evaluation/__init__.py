"""The instrument: how well a cell hears its words, and what else it acts on.

Plays recordings through the very ear and judge of the live table and counts. It trains
nothing and chooses nothing: what is measured here was fixed before.
"""
