"""How long the desk takes with 10,000 lines, and how that grows, against comparing all pairs.

The lines are spread over forty events, or all in one, or all of one wording but for a number,
which is the worst for the search for lines that are nearly the same. The plain way compares
every line with every other by the same library. Both in one run, so that ratios stand on any
machine.
"""

from __future__ import annotations

import random
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from rapidfuzz import fuzz, process

from tablevoice.phrasebook.desk.house_style import HouseStyle
from tablevoice.phrasebook.desk.likeness import LIKE_PERCENT, Counted, alike, said
from tablevoice.phrasebook.desk.manuscript import Manuscript, manuscript
from tablevoice.phrasebook.desk.reading import read
from tablevoice.phrasebook.desk.word_lists import read_word_lists
from tablevoice.phrasebook.loading import read_phrasebook

LINES = 10_000
FEWER = 2_500
ALL_PAIRS = 2_500
GROWTH_GOAL = 6.0
"""Four times the lines may take six times as long: sorting, memory and a busy machine."""

_VOCABULARY = """
lantern moth string basket light colour hang draw call shine dark paper glow round lucky careful
quick slow bright pretty small warm late early again perhaps never always under over beside behind
left right middle first last only every another little good
"""
_WORDS = _VOCABULARY.split()


def measure() -> list[dict[str, Any]]:
    """One row a shape of phrasebook: seconds with all lines, and the growth from a quarter."""
    shapes: dict[str, Callable[[int], list[list[str]]]] = {
        "forty events": lambda lines: [_lines(lines // 40, seed) for seed in range(40)],
        "one event": lambda lines: [_lines(lines, 1)],
        "one wording": lambda lines: [
            [f"{{arm}} says line number {_name(n)} of it." for n in range(lines)]
        ],
    }
    words = read_word_lists((), "en")
    rows = []
    for name, shape in shapes.items():
        few, many = _book(shape(FEWER)), _book(shape(LINES))
        few_s, many_s = _seconds(few, words), _seconds(many, words)
        counted, texts = Counted(), [said(line.pieces) for _, line in many.lines()]
        list(alike(texts, counted))
        pairs_s = _all_pairs_s(texts[:ALL_PAIRS]) * (LINES / ALL_PAIRS) ** 2
        rows.append({
            "what": f"desk reads {LINES} lines, {name}",
            "seconds": round(many_s, 2),
            f"growth_from_{FEWER}": round(many_s / few_s, 2),
            "comparisons_a_line": round(counted.comparisons / LINES, 1),
            "ratio_to_all_pairs": round(many_s / pairs_s, 3),
            "goal": f"growth <= {GROWTH_GOAL:g}",
            "met": many_s / few_s <= GROWTH_GOAL,
        })  # fmt: skip
    return rows


def _lines(count: int, seed: int) -> list[str]:
    chosen = random.Random(seed)
    lines = {
        " ".join(chosen.choice(_WORDS) for _ in range(chosen.randint(5, 11))) + "."
        for _ in range(2 * count)
    }
    return sorted(lines)[:count]


def _name(number: int) -> str:
    return "".join(chr(97 + int(digit)) for digit in str(number))


def _book(events: list[list[str]]) -> Manuscript:
    parts = ["format: 1\ntitle: Many\nlanguage: en\nslots: {arm: [Alder, Briar]}\nevents:\n"]
    for number, lines in enumerate(events):
        parts.append(f"  event_{number}:\n    slots: [arm]\n    uses: 5\n    lines:\n")
        parts += [f'      - "{line}"\n' for line in lines]
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "many.yaml"
        file.write_text("".join(parts), encoding="utf-8")
        return manuscript(read_phrasebook(file))


def _seconds(text: Manuscript, words: Any) -> float:
    start_s = time.perf_counter()
    read(text, HouseStyle(), words)
    return time.perf_counter() - start_s


def _all_pairs_s(texts: list[str]) -> float:
    start_s = time.perf_counter()
    process.cdist(texts, texts, scorer=fuzz.token_sort_ratio, score_cutoff=LIKE_PERCENT, workers=1)
    return time.perf_counter() - start_s


if __name__ == "__main__":
    for row in measure():
        print("  ".join(f"{key}: {value}" for key, value in row.items()))
