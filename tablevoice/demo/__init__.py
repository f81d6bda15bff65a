"""The built-in scenario: a maker-fair table where Alder, Briar and a visitor string up lanterns.

The cell's controller and the visitor are simulated here; everything between them
(voices, microphone path, recogniser, dialogue) is the real thing.
"""
