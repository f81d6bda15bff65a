"""Lines that are nearly the same, found without comparing each with every other.

Two lines are held side by side only when they share all words but one (or two, of five to
ten), whatever the order; `rapidfuzz` then tells how alike they are letter by letter. With
n lines this takes some dozen comparisons a line at most, where all pairs would take n / 2.
"""

from __future__ import annotations

import re
from collections import defaultdict, deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, islice

from rapidfuzz import fuzz

from tablevoice.model import Line, Priority
from tablevoice.phrasebook.desk.manuscript import Manuscript, WrittenEvent, WrittenLine
from tablevoice.phrasebook.desk.notes import Note
from tablevoice.phrasebook.slots import SlotName, holds
from tablevoice.wording import normalise

LIKE_PERCENT = 82.0
"""From this likeness on two lines count as nearly the same: the order of the words is another,
an ending, or one word of five. Tried on the shipped phrasebooks, where it finds six pairs."""
TWO_WORDS = (5, 10)
"""Lines of five to ten words are held side by side when two of their words differ, too."""
MOST_BESIDE = 6
"""The latest lines of a group that a line is compared with. In a group of many that all share
a wording each finds a neighbour among them; more would be many times the work for no more."""
MOST_WORDS = 40
"""Words of a line that are looked at; 400 characters hold some 70."""

_SLOT = re.compile(r"\{\w+\}")
_BLANK = "…"  # so that the length of a slot's name counts for nothing


@dataclass(slots=True)
class Counted:
    """How many lines were compared letter by letter, for the tests and the benchmark."""

    comparisons: int = 0


def read_likeness(text: Manuscript, counted: Counted | None = None) -> Iterator[Note]:
    """Notes on lines that are nearly the same (D201), and on repeats elsewhere (D202).

    Warnings are left out: the same wording each time is what makes them known.
    """
    counted = Counted() if counted is None else counted
    elsewhere: dict[tuple[str, str | None], WrittenLine] = {}
    for event in text.events:
        if event.event.priority is Priority.WARNING:
            continue
        yield from _within(event, counted)
        for line in event.lines:
            if line.line.weight <= 0:
                continue
            key = (said(line.pieces), line.line.voice)
            first = elsewhere.setdefault(key, line)
            if first.line.event != line.line.event and key[0]:
                yield line.note(
                    "D202", f"{line.quoted} is also said for event {first.line.event!r} "
                    f"({first.place}).", "Word one of them otherwise.", first)  # fmt: skip


def _within(event: WrittenEvent, counted: Counted) -> Iterator[Note]:
    lines = [line for line in event.lines if line.line.weight > 0]
    texts = [said(line.pieces) for line in lines]

    def meet(one: int, other: int) -> bool:
        return may_meet(lines[one].line, lines[other].line)

    for one, other, percent in alike(texts, counted, meet):
        earlier, later = lines[one], lines[other]
        how = "the same words as" if percent == 100.0 else "nearly"
        yield later.note(
            "D201", f"{later.quoted} is {how} {earlier.quoted} "
            f"(line {earlier.place.line}).",
            "Say it in another way, or remove one of the two.", earlier)  # fmt: skip


def said(pieces: Iterable[str | SlotName]) -> str:
    """A line as it is compared: its words, each slot by its name."""
    return " ".join(
        f"{{{piece.name}}}" if isinstance(piece, SlotName) else normalise(piece) for piece in pieces
    ).strip()


def alike(
    texts: Sequence[str],
    counted: Counted,
    meet: Callable[[int, int], bool] = lambda one, other: True,
) -> Iterator[tuple[int, int, float]]:
    """Pairs (earlier, later, likeness in percent), for each text its likest neighbour.

    Only of two that ``meet``. Complete for texts that differ by a word as long as no more than
    ``MOST_BESIDE`` others share the rest of their words; in larger groups each text has a
    neighbour told all the same.
    """
    groups: dict[tuple[str, ...], deque[int]] = defaultdict(lambda: deque(maxlen=MOST_BESIDE))
    for index, text in enumerate(texts):
        best: tuple[float, int] | None = None
        beside: dict[int, None] = {}
        for key in dict.fromkeys(_keys(text)):
            group = groups[key]
            beside.update(dict.fromkeys(group))
            group.append(index)
        for other in beside:
            if not meet(other, index):
                continue
            counted.comparisons += 1
            percent = _likeness(texts[other], text)
            if percent >= LIKE_PERCENT and (
                best is None or (percent, -other) > (best[0], -best[1])
            ):
                best = percent, other
        if best is not None:
            yield best[1], index, best[0]


def _likeness(one: str, other: str) -> float:
    one, other = _SLOT.sub(_BLANK, one), _SLOT.sub(_BLANK, other)
    straight = fuzz.ratio(one, other, score_cutoff=LIKE_PERCENT)
    if straight >= LIKE_PERCENT:
        return straight
    return fuzz.token_sort_ratio(one, other, score_cutoff=LIKE_PERCENT)


def _keys(text: str) -> Iterator[tuple[str, ...]]:
    """What texts that differ by a word or two have in common: all words but those."""
    words = sorted(islice(text.split(), MOST_WORDS))
    yield tuple(words)
    if len(words) < 2:
        return
    for left_out in range(len(words)):
        yield (*words[:left_out], *words[left_out + 1 :])
    if TWO_WORDS[0] <= len(words) <= TWO_WORDS[1]:
        for pair in combinations(range(len(words)), 2):
            yield tuple(word for at, word in enumerate(words) if at not in pair)


def may_meet(one: Line, other: Line) -> bool:
    """Whether there may be slot values with which either line may come."""
    for mine in one.when:
        for theirs in other.when:
            if mine.slot != theirs.slot:
                continue
            for test, against in ((mine, theirs), (theirs, mine)):
                if test.among is not None and not any(
                    holds(against, value) for value in test.among
                ):
                    return False
            low = max(
                (bound for bound in (mine.at_least, theirs.at_least) if bound is not None),
                default=None,
            )
            high = min(
                (bound for bound in (mine.at_most, theirs.at_most) if bound is not None),
                default=None,
            )
            if low is not None and high is not None and low > high:
                return False
    return True
