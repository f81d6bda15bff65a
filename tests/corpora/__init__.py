"""Corpora: what speaks, hums and echoes for training and measuring."""
