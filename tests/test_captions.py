"""Captions, read back by a WebVTT library that is not ours (PyPI ``webvtt-py``)."""

from __future__ import annotations

import random
import re
import subprocess
import sys
import time
import unicodedata
from io import StringIO
from pathlib import Path

import pytest
import webvtt
from hypothesis import given
from hypothesis import strategies as st

from tablevoice.captions import CaptionFile, Cue, direction, isolated
from tablevoice.captions import webvtt as written

FSI, LRI, RLI, PDI, RLO = "\u2068", "\u2066", "\u2067", "\u2069", "\u202e"
ARABIC, HEBREW = "\u0623\u0636\u064a\u0621\u062a", "\u05e0\u05d3\u05dc\u05e7"

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


def test_the_language_stands_around_the_words_and_the_voice_around_both() -> None:
    text = written([Cue("Alder", 0.0, 1.0, "Es leuchtet.")], language="de")
    (cue,) = read(text)
    assert (cue.voice, cue.text) == ("Alder", "Es leuchtet.")
    assert "<v Alder><lang de>Es leuchtet.</lang></v>" in text


@pytest.mark.parametrize("name", ["Bri<ar>", "R&D", "two\nlines", "a --> b", "Ålder der Ältere"])
def test_any_name_of_a_voice_is_one_span(name: str) -> None:
    (cue,) = read(written([Cue(name, 0.0, 1.0, "It is lit.")]))
    assert cue.text == "It is lit."
    assert cue.voice is not None
    # In an annotation the characters of markup are written as references (WebVTT, 4.2.2).
    assert not set("<>\n") & set(cue.voice)


@pytest.mark.parametrize(
    ("language", "way"),
    [("de", "ltr"), ("en-GB", "ltr"), ("ko", "ltr"), ("ar", "rtl"), ("he", "rtl"), ("fa", "rtl"),
     ("tlh", "unknown"), ("de-x-own", "unknown"), ("", "unknown")],
)  # fmt: skip
def test_a_language_has_its_direction(language: str, way: str) -> None:
    assert direction(language) == way


def test_words_from_the_right_keep_their_direction_to_themselves() -> None:
    # UAX #9: an isolate's content has no influence on what stands beside it.
    assert isolated(ARABIC, "ar") == f"{RLI}{ARABIC}{PDI}"
    assert isolated(f"Alder: {HEBREW}", "de") == f"{LRI}Alder: {HEBREW}{PDI}"
    assert isolated(HEBREW, "tlh") == f"{FSI}{HEBREW}{PDI}"
    assert isolated("Es leuchtet.", "de") == "Es leuchtet."
    assert isolated("ABC 3", "he") == f"{RLI}ABC 3{PDI}"


def test_what_would_turn_more_than_the_caption_is_taken_out() -> None:
    assert isolated(f"lit{RLO}thgil", "en") == "litthgil"
    assert isolated(f"a{RLI}{HEBREW}", "en") == f"{LRI}a{HEBREW}{PDI}"  # never ended
    assert isolated(f"a{PDI}{HEBREW}", "en") == f"{LRI}a{HEBREW}{PDI}"  # never begun
    assert isolated(f"a {FSI}{HEBREW}{PDI} b", "en") == f"{LRI}a {FSI}{HEBREW}{PDI} b{PDI}"


@given(
    st.text(st.characters(exclude_categories=("Cs", "Co"))),
    st.sampled_from(["", "de", "ar", "tlh"]),
)
def test_isolates_always_come_in_pairs(text: str, language: str) -> None:
    depth = 0
    for mark in isolated(text, language):
        depth += (mark in (LRI, RLI, FSI)) - (mark == PDI)
        assert depth >= 0
        assert unicodedata.bidirectional(mark) not in ("LRE", "RLE", "LRO", "RLO", "PDF")
    assert depth == 0


# --- a file that grows ----------------------------------------------------------


def test_a_line_is_in_the_file_while_it_sounds_and_its_end_is_set_right(tmp_path: Path) -> None:
    path = tmp_path / "screen" / "captions.vtt"
    with CaptionFile(path, title="Tisch", language="de") as captions:
        assert webvtt.read(str(path)).captions == []
        captions.begin("u1", Cue("Alder", 1.0, 3.5, "Es leuchtet."))
        (cue,) = webvtt.read(str(path)).captions
        assert (cue.start, cue.end) == ("00:00:01.000", "00:00:03.500")
        assert captions.end("u1", 2.25)
        captions.begin("u2", Cue("Briar", 2.5, 4.0, "Motte! Weg da!"))
        assert not captions.end("u7", 9.0)
    first, second = webvtt.read(str(path)).captions
    assert (first.voice, first.end, first.identifier) == ("Alder", "00:00:02.250", "1")
    assert (second.voice, second.end, second.identifier) == ("Briar", "00:00:04.000", "2")
    same = [Cue("Alder", 1.0, 2.25, "Es leuchtet."), Cue("Briar", 2.5, 4.0, "Motte! Weg da!")]
    assert path.read_bytes() == written(same, title="Tisch", language="de").encode()


lines = st.lists(st.tuples(st.floats(0.001, 400.0), st.floats(0.001, 400.0), texts), max_size=6)


@given(lines)
def test_a_grown_file_is_the_one_that_is_written_at_once(
    tmp_path_factory: pytest.TempPathFactory, lines: list[tuple[float, float, str]]
) -> None:
    path = tmp_path_factory.mktemp("captions") / "captions.vtt"
    cues = []
    start_s = 3_599.0
    with CaptionFile(path, title="Table") as captions:
        for number, (expected_s, lasts_s, text) in enumerate(lines):
            captions.begin(f"u{number}", Cue("Briar", start_s, start_s + expected_s, text))
            captions.end(f"u{number}", start_s + lasts_s)
            cues.append(Cue("Briar", start_s, start_s + lasts_s, text))
            start_s += lasts_s + 0.25
    assert path.read_bytes() == written(cues, title="Table").encode()


def test_an_earlier_file_is_written_over_only_where_that_is_wanted(tmp_path: Path) -> None:
    path = tmp_path / "captions.vtt"
    with CaptionFile(path) as captions:
        captions.begin("u1", Cue("Alder", 0.0, 1.0, "Yesterday."))
    with pytest.raises(FileExistsError):
        CaptionFile(path)
    with CaptionFile(path, anew=True) as captions:
        captions.begin("u1", Cue("Alder", 0.0, 1.0, "Today."))
    assert [cue.text for cue in webvtt.read(str(path)).captions] == ["Today."]


TALKER = """
import sys, pathlib
from tablevoice.captions import CaptionFile, Cue
captions = CaptionFile(pathlib.Path(sys.argv[1]), title="Table", language="de")
print("ready", flush=True)
number = 0
while True:
    text = "Es leuchtet & glüht, zum " + str(number) + ". Mal."
    captions.begin(str(number), Cue("Alder", 2.0 * number, 2.0 * number + 1.5, text))
    captions.end(str(number), 2.0 * number + 1.0)
    number += 1
"""


@pytest.mark.parametrize("turn", range(4))
def test_the_file_is_whole_whenever_the_program_is_killed(tmp_path: Path, turn: int) -> None:
    path = tmp_path / "captions.vtt"
    talker = subprocess.Popen(
        [sys.executable, "-c", TALKER, str(path)], stdout=subprocess.PIPE, text=True
    )
    assert talker.stdout is not None
    assert talker.stdout.readline() == "ready\n"
    until_s = time.monotonic() + 60.0
    while path.read_bytes().count(b" --> ") < 3:
        assert time.monotonic() < until_s
    time.sleep(random.Random(turn).uniform(0.0, 0.1))
    talker.kill()
    talker.wait(30)
    talker.stdout.close()
    text = path.read_text("utf-8")
    assert text.endswith("</lang></v>\n")
    cues = webvtt.read(str(path)).captions
    assert len(cues) == text.count(" --> ") > 1
    assert [int(re.findall(r"[0-9]+", cue.text)[0]) for cue in cues] == list(range(len(cues)))
    assert all(cue.end_in_seconds - cue.start_in_seconds == 1 for cue in cues[:-1])


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full, a Linux device")
def test_a_full_disk_is_an_error_of_the_system() -> None:
    with pytest.raises(OSError, match="No space left"):
        CaptionFile(Path("/dev/full"), title="Table", anew=True)
