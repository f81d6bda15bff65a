"""Makes the tuned file of a cell, from the text of its phrases to the file beside it.

Knows the order of the work and nothing of how a step is done. Called by ``tablevoice tune``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np

from tablevoice import __version__
from tablevoice.cell import Cell
from tablevoice.corpora.speakers import Speaker, speakers
from tablevoice.errors import FileRefused, Problem
from tablevoice.listening.evidence import untaught_weights
from tablevoice.listening.sound_encoder import encoder_mark
from tablevoice.listening.tuned_file import FORMAT, phrases_mark
from tablevoice.model import Samples
from tablevoice.phrasebook.phrases import spoken_phrases
from tablevoice.tuning.curves import measured
from tablevoice.tuning.examples import NOISES, Amounts, plan
from tablevoice.tuning.gathering import Setting, gather
from tablevoice.tuning.training import classes_of, learn, learn_fusion, learner
from tablevoice.tuning.writing import try_place, write
from tablevoice.wording import normalise

FAMILIES = ("espeak", "flite", "hibari")
"""Who speaks, where they are here: those that the encoder has learnt from too. The others
(``pico``, ``piper``) are never asked, so that the result can be tried on them."""

Step: TypeAlias = Callable[[str, int, int], None]
"""Called with what is being done, how much is done, and of how much."""


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """A real sound of the place: ``phrase`` is what was said, ``""`` for nothing of ours."""

    phrase: str
    samples: Samples
    source: str


def tune(
    cell: Cell,
    out: Path,
    *,
    lines: Sequence[str] = (),
    noises: Sequence[Samples] = (),
    recordings: Sequence[Recording] = (),
    amounts: Amounts = Amounts(),
    cast: Sequence[Speaker] | None = None,
    kinds: tuple[str, ...] = NOISES,
    workers: int | None = None,
    seed: int = 1,
    step: Step = lambda what, done, of: None,
) -> dict[str, Any]:
    """Write ``out`` and return what stands in it beside the arithmetic.

    ``lines``: what the arms say. ``noises``: recordings of the room, 16 kHz mono. ``kinds``:
    which made noises are played (:data:`NOISES`). Raises FileRefused for a language or
    recogniser that the second opinion does not know, and what making, learning and writing
    raise.
    """
    book = cell.phrasebook
    if problems := cannot_learn(cell):
        raise FileRefused(problems)
    learner()
    try_place(out)
    phrases = tuple(sorted({normalise(phrase) for phrase in spoken_phrases(book)}))
    kept = [recording for recording in recordings if recording.phrase in ("", *phrases)]
    cast = speakers(FAMILIES) if cast is None else cast
    step("planning", 0, 1)
    examples = plan(
        phrases, cast, pronunciations=book.pronunciations, lines=lines,
        recordings=[recording.phrase for recording in kept], amounts=amounts, seed=seed,
    )  # fmt: skip
    setting = Setting(
        phrases, dict(book.pronunciations), cell.recogniser.kind, cell.recogniser.model,
        tuple(noises), tuple(recording.samples for recording in kept), kinds, seed,
    )  # fmt: skip
    gathered = gather(
        examples, setting, workers=workers,
        progress=lambda done, of: step("speaking and listening", done, of),
    )  # fmt: skip
    classes = classes_of(gathered.examples, phrases)
    step("learning", 0, 2)
    learnt = learn(
        gathered.sound, classes, gathered.examples, seed, untaught_weights(len(phrases))
    )
    held_out = [gathered.examples[int(index)] for index in learnt.tried]
    curves = {"second_opinion": measured(held_out, classes[learnt.tried], learnt.held_out)}
    step("learning", 1, 2)
    # Held out and decoded by the grammar too: numbers into the two tables of rows.
    _, scored, decoded = np.intersect1d(learnt.tried, gathered.asked, return_indices=True)
    examples_of_both = [held_out[int(index)] for index in scored]
    classes_of_both = classes[learnt.tried[scored]]
    fusion, chances = learn_fusion(
        learnt.scores[scored], gathered.grammar[decoded], classes_of_both, examples_of_both
    )
    curves["both"] = measured(examples_of_both, classes_of_both, chances)
    families: dict[str, int] = {}
    for example in gathered.examples:
        families[example.family] = families.get(example.family, 0) + 1
    notes: dict[str, Any] = {
        "format": FORMAT,
        "made_by": f"tablevoice {__version__}",
        "mark": phrases_mark(phrases, book.pronunciations),
        "encoder": encoder_mark(),
        "phrases": list(phrases),
        "seed": seed,
        "examples": families,
        "room_recordings": len(noises),
        "voice_recordings": sorted({recording.source for recording in kept}),
        "fusion": asdict(fusion),
        "measured": curves,
    }
    write(out, {"second_opinion": learnt.network}, notes)
    step("learning", 2, 2)
    return notes


def cannot_learn(cell: Cell) -> list[Problem]:
    """What keeps a cell from having a tuned file, nothing where it can have one."""
    problems = []
    if not cell.phrasebook.language.lower().startswith("en"):
        problems.append(Problem(
            f"The second opinion knows the sounds of English; the phrasebook is in"
            f" {cell.phrasebook.language!r}.",
            where=str(cell.path),
            do="This table listens by its grammar alone; leave tune out.",
        ))  # fmt: skip
    if cell.recogniser.kind != "pocketsphinx":
        problems.append(Problem(
            f"The second opinion is fused with PocketSphinx; this cell has {cell.recogniser.kind}.",
            where=str(cell.path),
            do="Set recogniser.kind to pocketsphinx, or leave tune out.",
        ))  # fmt: skip
    return problems
