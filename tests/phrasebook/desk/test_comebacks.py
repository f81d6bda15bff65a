"""How soon a line comes back: the arithmetic, held against the chooser that it is about."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tablevoice.model import Condition, EventLines, Line, Phrasebook, Priority, SlotValue
from tablevoice.phrasebook.choosing import Chooser
from tablevoice.phrasebook.desk.comebacks import (
    SOON_SHARE,
    lines_needed,
    mean_uses,
    share_within,
    soonest_uses,
)
from tablevoice.phrasebook.desk.freshness import scarcest
from tablevoice.phrasebook.slots import SlotValues

ARMS: SlotValues = {"arm": ("Alder", "Briar")}


def event(*lines: Line) -> EventLines:
    return EventLines("turn", "", ("arm",), Priority.MOVE, 8.0, True, None, None, lines)


def plain(count: int, **more: object) -> EventLines:
    return event(*(Line(f"k{n}", "turn", f"Line {n}.", **more) for n in range(count)))  # type: ignore[arg-type]


def gaps(lines: EventLines, uses: int, seed: int = 5) -> Iterator[tuple[str, int]]:
    """Each repeat that the real chooser makes: the line's key, and after how many uses."""
    book = Phrasebook("Test", "en", ARMS, {"turn": lines}, {}, {})
    chooser = Chooser(book, seed)
    last: dict[str, int] = {}
    for use in range(uses):
        slots: Mapping[str, SlotValue] = {"arm": ("Alder", "Briar")[use % 2]}
        key = chooser.choose("turn", slots, "Alder").line.key
        if key in last:
            yield key, use - last[key]
        last[key] = use


@pytest.mark.parametrize("count", [1, 2, 3, 4, 7, 12, 30])
def test_the_share_of_soon_repeats_is_the_choosers(count: int) -> None:
    found = Counter(gap for _, gap in gaps(plain(count), 12_000))
    repeats = found.total()
    assert min(found) >= soonest_uses(count)
    assert max(found) <= 2 * count
    seen = 0
    for uses in range(1, 2 * count + 1):
        seen += found[uses]
        expected = share_within(count, uses)
        # Four standard deviations of a share; repeats of one round depend on one another,
        # which makes the counts steadier than that, not looser.
        sigma = math.sqrt(max(expected * (1 - expected), 1e-4) / repeats)
        assert seen / repeats == pytest.approx(expected, abs=4 * sigma + 1e-9), uses


@pytest.mark.parametrize("count", [2, 5, 12])
def test_on_the_average_a_line_comes_back_after_as_many_uses_as_there_are_lines(
    count: int,
) -> None:
    found = [gap for _, gap in gaps(plain(count), 8_000)]
    assert sum(found) / len(found) == pytest.approx(mean_uses(count), rel=0.01)


def test_weights_make_repeats_steadier_not_sooner() -> None:
    lines = event(*(Line(f"k{n}", "turn", f"Line {n}.", weight=1 + 9 * (n < 4)) for n in range(12)))
    found = Counter(gap for _, gap in gaps(lines, 12_000))
    for uses in (2, 4, 6, 8):
        share = sum(found[gap] for gap in range(uses + 1)) / found.total()
        assert share <= share_within(12, uses) + 0.01, uses


def test_two_voices_that_share_lines_share_their_rounds() -> None:
    found = Counter(gap for _, gap in gaps(plain(10, voice="{arm}"), 10_000))
    mean = sum(gap * count for gap, count in found.items()) / found.total()
    assert mean == pytest.approx(mean_uses(10), rel=0.01)


def test_lines_with_conditions_are_counted_where_they_are_scarcest() -> None:
    def of(arm: str) -> tuple[Condition, ...]:
        return (Condition("arm", among=(arm,)),)

    lines = event(
        Line("shared", "turn", "Mine."),
        *(Line(f"a{n}", "turn", f"Slow {n}.", when=of("Alder")) for n in range(2)),
        *(Line(f"b{n}", "turn", f"Quick {n}.", when=of("Briar")) for n in range(9)),
    )
    scarce = scarcest(lines, ARMS)
    assert (scarce.lines, scarce.uses_share, dict(scarce.when)) == (3, 0.5, {"arm": "Alder"})
    found = [(key, gap) for key, gap in gaps(lines, 20_000)]
    own = [gap for key, gap in found if key[0] == "a"]
    assert sum(own) / len(own) == pytest.approx(scarce.lines / scarce.uses_share, rel=0.02)
    # The others are at leisure: nine lines for the other half of the uses.
    others = [gap for key, gap in found if key[0] == "b"]
    assert sum(others) / len(others) == pytest.approx(9 / 0.5, rel=0.02)


def test_a_stock_that_all_situations_share_is_counted_whole() -> None:
    few = (Condition("arm", among=("Alder",)),)
    lines = event(
        *(Line(f"s{n}", "turn", f"Shared {n}.") for n in range(10)),
        Line("a0", "turn", "Slow.", when=few),
    )
    scarce = scarcest(lines, ARMS)
    assert (scarce.lines, scarce.uses_share, dict(scarce.when)) == (11, 1.0, {})
    found = [gap for _, gap in gaps(lines, 12_000)]
    assert sum(found) / len(found) == pytest.approx(11, rel=0.02)


@given(uses=st.floats(0, 5_000), share=st.floats(0.001, 1))
def test_the_number_that_is_asked_for_is_the_least_that_does(uses: float, share: float) -> None:
    needed = lines_needed(uses, share)
    assert share_within(needed, uses) <= share
    assert needed == 1 or share_within(needed - 1, uses) > share


@given(lines=st.integers(1, 400), uses=st.floats(0, 1_000))
def test_more_lines_never_bring_a_line_back_sooner(lines: int, uses: float) -> None:
    share = share_within(lines, uses)
    assert -1e-12 <= share <= 1 + 1e-12
    assert share_within(lines + 1, uses) <= share + 1e-12
    assert share_within(lines, uses + 1) >= share - 1e-12


def test_the_known_way_to_plan_twelve_uses() -> None:
    # By the triangular law that the exact one comes to for many lines: P(gap <= t n) = t^2 / 2,
    # so one in twenty needs n = uses / sqrt(0.1).
    assert lines_needed(1_000) == pytest.approx(1_000 / math.sqrt(2 * SOON_SHARE), rel=0.01)
    assert lines_needed(0) == 1
    assert lines_needed(1) == 2  # two lines take turns


def test_nonsense_is_refused() -> None:
    with pytest.raises(ValueError, match="lines 0"):
        share_within(0, 3)
    with pytest.raises(ValueError, match="share 0"):
        lines_needed(3, 0)
