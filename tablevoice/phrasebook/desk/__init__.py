"""The editor's desk: what a careful reader would say about the lines of a phrasebook.

Pure: knows a phrasebook and where its lines stand, no device, engine or clock; how long a
line lasts is told from outside. ``reading`` puts the readers of this room together and is
called by ``tablevoice check``; nothing here stops a table from opening.
"""
