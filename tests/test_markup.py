"""The markup of lines: it comes back as it was, means what SSML says, and no data becomes it."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tablevoice import markup
from tablevoice.markup import Pause, Piece, Pieces, Words
from tablevoice.model import Pronunciation

W3C_SSML = "{http://www.w3.org/2001/10/synthesis}"
"""The namespace of Speech Synthesis Markup Language 1.1 (W3C Recommendation, 7 September 2010)."""


def test_marks_mean_emphasis_pauses_and_breath() -> None:
    assert markup.parse("I said _crimson_ | not teal. || Go |1.5s| now.") == (
        Words("I said "), Words("crimson", emphasised=True), Pause(0.2), Words("not teal."),
        Pause(0.5), Words("Go"), Pause(1.5), Words("now."),
    )  # fmt: skip
    assert markup.plain("I said _crimson_ | not teal. || Go |1.5 s| now.") == (
        "I said crimson not teal. Go now."
    )
    assert markup.plain(r"a\_b \| c\\d") == r"a_b | c\d"
    assert markup.parse("_one | two_") == (Words("one", True), Pause(0.2), Words("two", True))


def test_a_text_without_marks_is_itself() -> None:
    text = "Four lights. Call the colour (any colour!) that finishes it: 50 % / 3 * 4 <b>."
    assert markup.parse(text) == (Words(text),)


def test_a_number_between_two_short_pauses_is_said() -> None:
    assert markup.plain("Wait | 5s | then go") == "Wait 5s then go"


@pytest.mark.parametrize(
    ("text", "what", "at"),
    [
        ("one _two", "no end", 4),
        ("a_b_c_d", "no end", 5),
        ("one __ two", "nothing stands between", 4),
        ("| one", "begins with a pause", 0),
        ("_ | one_", "begins with a pause", 2),
        ("one ||", "ends with a pause", 4),
        ("one |2s|", "ends with a pause", 4),
        ("one | | two", "two pauses", 6),
        ("one ||| two", "two pauses", 6),
        ("one |9s| two", "pause of 9 s", 4),
        ("one |0.01s| two", "pause of 0.01 s", 4),
        (r"one \n two", "backslash", 4),
        ("one\\", "backslash", 3),
    ],
)
def test_what_is_no_markup_is_refused_with_its_place(text: str, what: str, at: int) -> None:
    with pytest.raises(markup.MarkupError, match=what) as refused:
        markup.parse(text)
    assert refused.value.at == at
    assert refused.value.do


words = st.text("ab _|\\s5.<&", min_size=1, max_size=8).filter(lambda text: bool(text.strip()))
pauses = st.one_of(
    st.sampled_from([markup.SHORT_PAUSE_S, markup.BREATH_S]),
    st.floats(markup.SHORTEST_PAUSE_S, markup.LONGEST_PAUSE_S),
)


@st.composite
def lines(draw: st.DrawFn) -> Pieces:
    """Pieces as a parser gives them: kinds alternate, pauses stand between words, unpadded."""
    groups = draw(st.lists(st.lists(words, min_size=1, max_size=3), min_size=1, max_size=3))
    made: list[Piece] = []
    for index, group in enumerate(groups):
        if index:
            made.append(Pause(draw(pauses)))
        emphasised = draw(st.booleans())
        for number, text in enumerate(group):
            whole = text if index == 0 or number else text.lstrip()
            if number == len(group) - 1 and index < len(groups) - 1:
                whole = whole.rstrip()
            made.append(Words(whole, emphasised))
            emphasised = not emphasised
    return tuple(made)


@given(lines())
def test_written_pieces_come_back(pieces: Pieces) -> None:
    assert markup.parse(markup.written(pieces)) == pieces


@given(st.text(max_size=60))
def test_escaped_text_says_itself(text: str) -> None:
    assert markup.plain(markup.escape(text)) == text
    assert all(
        isinstance(piece, Words) and not piece.emphasised
        for piece in markup.parse(markup.escape(text))
    )


@given(st.text(r"a_|\5s. ", max_size=24))
def test_any_text_is_markup_or_refused_and_markup_is_stable(text: str) -> None:
    try:
        pieces = markup.parse(text)
    except markup.MarkupError as refused:
        assert 0 <= refused.at < len(text)  # noqa: PT017
        return
    assert markup.parse(markup.written(pieces)) == pieces


@given(lines())
def test_ssml_is_well_formed_and_holds_the_words_and_pauses(pieces: Pieces) -> None:
    """Element names and attributes of W3C SSML 1.1, sections 3.1.1, 3.2.2 and 3.2.3."""
    root = ET.fromstring(markup.ssml(pieces, "en-GB"))
    assert root.tag == f"{W3C_SSML}speak"
    assert root.attrib == {
        "version": "1.1", "{http://www.w3.org/XML/1998/namespace}lang": "en-GB",
    }  # fmt: skip
    assert "".join(root.itertext()) == "".join(
        piece.text for piece in pieces if isinstance(piece, Words)
    )
    assert [element.attrib["time"] for element in root.iter(f"{W3C_SSML}break")] == [
        f"{round(piece.seconds * 1000)}ms" for piece in pieces if isinstance(piece, Pause)
    ]
    assert [element.text for element in root.iter(f"{W3C_SSML}emphasis")] == [
        piece.text for piece in pieces if isinstance(piece, Words) and piece.emphasised
    ]


ENTRIES = {
    "zaffre": Pronunciation(ipa="ˈzæfə"),
    "zaffre light": Pronunciation(respelling="zaffer lite"),
    "teal": Pronunciation(respelling="teel"),
}


def test_whole_words_get_their_pronunciation_in_any_case() -> None:
    pieces = markup.pronounced(markup.parse("Zaffre, _not teal_: steal the zaffre light."), ENTRIES)
    assert pieces == (
        Words("Zaffre", said_as=ENTRIES["zaffre"]), Words(", "),
        Words("not ", True), Words("teal", True, ENTRIES["teal"]),
        Words(": steal the "), Words("zaffre light", said_as=ENTRIES["zaffre light"]), Words("."),
    )  # fmt: skip
    assert markup.words_alone(pieces) == "Zaffre, not teal: steal the zaffre light."
    assert markup.pronounced(markup.parse("the teal's end"), ENTRIES) == (Words("the teal's end"),)


def test_pronunciations_are_ssml_phonemes_and_substitutes() -> None:
    said = markup.ssml(markup.pronounced(markup.parse("zaffre _teal_"), ENTRIES), "en")
    assert '<phoneme alphabet="ipa" ph="ˈzæfə">zaffre</phoneme>' in said
    assert '<emphasis level="moderate"><sub alias="teel">teal</sub></emphasis>' in said
