"""Captions, read back by a WebVTT library that is not ours (PyPI ``webvtt-py``)."""

from __future__ import annotations

from io import StringIO

import webvtt
from hypothesis import given
from hypothesis import strategies as st

from tablevoice.captions import Cue
from tablevoice.captions import webvtt as written

texts = st.text(
    st.characters(exclude_categories=("Cs", "Cc"), exclude_characters="\u2028\u2029"), min_size=1
).filter(str.strip)


def read(text: str) -> list[webvtt.Caption]:
    captions: list[webvtt.Caption] = webvtt.WebVTT.from_buffer(StringIO(text)).captions
    return captions


def test_a_cue_comes_back_with_its_voice_times_and_words() -> None:
    (cue,) = read(written([Cue("Alder", 1.5, 3723.25, "Well drawn. It is lit.")], title="Table"))
    assert (cue.start, cue.end) == ("00:00:01.500", "01:02:03.250")
    assert cue.voice == "Alder"
    assert cue.text == "Well drawn. It is lit."


def test_markup_and_arrows_in_a_line_cannot_break_the_file() -> None:
    hostile = "a --> b\n\n00:00:09.000 --> 00:00:10.000\n<b>&"
    (cue,) = read(written([Cue("Bri<ar", 0.0, 1.0, hostile)]))
    assert "→" in cue.raw_text
    assert "<b>" not in cue.raw_text


@given(st.lists(st.tuples(st.floats(0, 9e4), st.floats(0, 30), texts), max_size=8))
def test_any_lines_give_as_many_cues_in_order(lines: list[tuple[float, float, str]]) -> None:
    cues = [Cue("Briar", start, start + lasts, text) for start, lasts, text in lines]
    found = read(written(cues))
    assert len(found) == len(cues)
    for cue, caption in zip(cues, found, strict=True):
        assert abs(caption.start_in_seconds - cue.start_s) < 1.0
        assert caption.start < caption.end
