"""Makes the sounds that models are trained and measured with: speakers, noises, rooms, words.

Everything in it can be made again from a seed and a name; nothing in it listens, decides
or reports. Called by :mod:`tablevoice.tuning`, :mod:`tablevoice.evaluation` and the choice
of words.
"""
