"""Slots: filled as data, checked at the door, and every text that can be prepared ahead."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tablevoice.errors import MessageRefused
from tablevoice.model import Condition, Line, SlotValue
from tablevoice.phrasebook import load_phrasebook
from tablevoice.phrasebook.slots import (
    check_slots,
    eligible,
    fill,
    fillings,
    parsed,
    slots_in,
    voice_of,
)

KITES = load_phrasebook(Path(__file__).with_name("kite_stand.yaml"))


def test_slots_are_filled_and_double_braces_are_plain() -> None:
    assert fill("{arm} has {n} of {{n}}, {{{n}}}.", {"arm": "Alder", "n": 3}) == \
        "Alder has 3 of {n}, {3}."
    assert slots_in("{b} {a} {b} {{c}}") == ("b", "a")


@settings(max_examples=80, deadline=None)
@given(value=st.text(st.characters(blacklist_categories=["Cc", "Cs", "Zl", "Zp"]), min_size=1,
                     max_size=80).filter(str.strip))
def test_a_value_is_data_whatever_stands_in_it(value: str) -> None:
    assert fill("<{x}>", {"x": value, "y": "no"}) == f"<{value}>"


@settings(max_examples=80, deadline=None)
@given(text=st.text("ab{} ", max_size=12))
def test_braces_are_parsed_or_refused(text: str) -> None:
    """Python's own ``str.format`` as the outside check for texts that are accepted."""
    try:
        parsed(text)
    except ValueError as error:
        assert str(error)  # noqa: PT017
        return
    values = dict.fromkeys(slots_in(text), "V")  # a capital already: see below
    assert fill(text, values) == text.format(**values)


@pytest.mark.parametrize("text", ["{", "}", "a { b", "{}", "{a b}", "{a.b}", "{a!r}", "{0}", "{{}"])
def test_a_lone_brace_is_no_slot(text: str) -> None:
    with pytest.raises(ValueError, match=r"partner|no slot"):
        parsed(text)


@pytest.mark.parametrize(
    ("value", "words"),
    [
        ("a\nb", "U\\+000A"), ("a\x00", "U\\+0000"), ("\ud800", "U\\+D800"),
        ("a\u2028b", "U\\+2028"),
        ("x" * 81, "81 characters long"), ("  ", "empty"), ("", "empty"),
        (True, "found bool"), (1.5, "found float"), (None, "found NoneType"), (["a"], "found list"),
        pytest.param(10**5000, "too large", id="huge"),
    ],
)
def test_values_that_cannot_be_said(value: object, words: str) -> None:
    with pytest.raises(MessageRefused, match=words) as refused:
        fill("{x}", {"x": value})  # type: ignore[dict-item]
    assert refused.value.problem.do


def test_check_slots_names_the_nearest() -> None:
    turn, remark = KITES.events["turn"], KITES.events["remark"]
    check_slots(turn, KITES.slot_values, {"arm": "Briar", "kites": 0})
    check_slots(remark, KITES.slot_values, {"note": "{arm} anything"})
    check_slots(remark, KITES.slot_values, {"note": 7})
    refusals: list[tuple[dict[str, SlotValue], str]] = [
        ({"arm": "Alder"}, "needs the slot 'kites'. Send it: kites=0."),
        ({"arm": "Aldre", "kites": 0}, "cannot be 'Aldre'. Did you mean 'Alder'?"),
        ({"arm": "Alder", "kites": 9}, "cannot be 9. Use one of: 0, 1, 2, 3."),
        ({"arm": "Alder", "kites": "0"}, "Write it as a number, without quotes."),
        ({"arm": "Alder", "kitse": 0}, "has no slot 'kitse'. Did you mean 'kites'?"),
        ({"arm": "Alder", "kites": True}, "found bool"),
    ]
    for slots, words in refusals:
        with pytest.raises(MessageRefused) as refused:
            check_slots(turn, KITES.slot_values, slots)
        assert words in str(refused.value)


def test_conditions() -> None:
    def line(condition: Condition) -> Line:
        return Line("k", "turn", "x", when=(condition,))

    assert eligible(line(Condition("n", at_least=2, at_most=4)), {"n": 4})
    assert not eligible(line(Condition("n", at_least=2, at_most=4)), {"n": 5})
    assert not eligible(line(Condition("n", at_least=2)), {"n": "3"})
    assert not eligible(line(Condition("n", among=(1, "1"))), {})
    assert eligible(line(Condition("n", not_among=(3,))), {"n": "3"})
    assert not eligible(line(Condition("n", not_among=(3,))), {"n": 3})


def test_voice_of() -> None:
    assert voice_of(Line("k", "e", "x"), {}, "Alder") == "Alder"
    assert voice_of(Line("k", "e", "x", "Briar"), {}, "Alder") == "Briar"
    assert voice_of(Line("k", "e", "x", "{arm}"), {"arm": "Briar"}, "Alder") == "Briar"
    with pytest.raises(MessageRefused, match="names the voice"):
        voice_of(Line("k", "e", "x", "{arm}"), {}, "Alder")


def test_fillings_are_all_that_can_be_said_with_known_values() -> None:
    turn = KITES.events["turn"]
    said = list(fillings(turn, KITES.slot_values, 1000, "Alder"))
    assert len(said) == len({(text, voice) for _, _, text, voice in said})
    expected = set()
    for arm in ("Alder", "Briar"):
        for kites in range(4):
            for line in turn.lines:
                values: dict[str, SlotValue] = {"arm": arm, "kites": kites}
                if eligible(line, values):
                    expected.add((fill(line.text, values), voice_of(line, values, "Alder")))
    assert {(text, voice) for _, _, text, voice in said} == expected
    for line, slots, text, voice in said:
        assert eligible(line, slots)
        assert (fill(line.text, slots), voice_of(line, slots, "Alder")) == (text, voice)
    assert list(fillings(KITES.events["remark"], KITES.slot_values, 10)) == []


def test_a_limit_is_shared_out_among_lines() -> None:
    said = list(fillings(KITES.events["turn"], KITES.slot_values, 5))
    assert len(said) == 5
    assert len({line.key for line, _, _, _ in said}) == 5


def test_a_sentence_that_begins_with_a_slot_begins_with_a_capital() -> None:
    assert fill("{colour}, please.", {"colour": "crimson"}) == "Crimson, please."
    assert fill("It is {colour}.", {"colour": "crimson"}) == "It is crimson."
    assert fill("{lights} lights.", {"lights": 4}) == "4 lights."
