"""The German lantern table: as rich as the English one, spelt right, and played to its end."""

from __future__ import annotations

import itertools
import json
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import webvtt
from babel import Locale
from babel.numbers import format_decimal, parse_decimal
from numpy.typing import NDArray

from tablevoice.acoustics.room import Room
from tablevoice.actions import Send
from tablevoice.assembly import Assembly
from tablevoice.cell import load_cell
from tablevoice.commands.checking import look_over
from tablevoice.demo.lanterns import MOTH, evening
from tablevoice.errors import RecogniserUnavailable
from tablevoice.links import messages
from tablevoice.model import Clip, Phrasebook, Priority
from tablevoice.phrasebook import load_phrasebook
from tablevoice.phrasebook.slots import fillings
from tablevoice.rehearsal.controller import Controller
from tablevoice.session_records import Record
from tablevoice.shipped import shipped
from tablevoice.simulation import SimulatedSession
from tablevoice.speech.engines import Engine
from tablevoice.wording import normalise

COLOURS = ("Rubin", "Silber", "Türkis", "Violett")
NUMBERS = ("null", "eins", "zwei", "drei", "vier", "fünf")
WORD = re.compile(r"[A-Za-zÄÖÜäöüß]+")
LETTERS_ALONE = re.compile(r"[A-ZÄÖÜ]{2,}|\b(bzw|usw|ca|evtl|ggf|max|min|Nr|Std|z|B)\b\.?")
CLAIMS_SAFETY = re.compile(
    r"\b(sicher|gefahrlos|ungefährlich|hineingreifen|hineinfassen|freigegeben)\w*\b", re.IGNORECASE
)
UNFIT = re.compile(
    r"\b(verdammt|verflucht|scheiß|mist|dumm|blöd|idiot|hass|töte|tot|bier|wette)\w*\b",
    re.IGNORECASE,
)
UNKNOWN_TO_THE_DICTIONARY = {
    *("Alder", "Briar"),  # names
    *("Autsch", "Buh", "Ha", "Hoppla", "Hui", "Husch", "Na", "Och", "Pff", "Psst", "Pst"),
    *("häng", "Häng", "schnapp", "Verbeug", "verblüff", "Überrasch"),  # spoken, without -e
    "hineingetan",  # a participle that its table of prefixes does not make
    *("Rücksetztaster", "Wellness"),  # a trade's compound, a foreign word
}
"""Right words that Debian's hunspell-de-de lacks."""


@cache
def book(name: str = "laternenschnur.yaml") -> Phrasebook:
    return load_phrasebook(shipped(name))


def texts() -> Iterator[str]:
    """Every line with its slots left out."""
    for event in book().events.values():
        for line in event.lines:
            yield re.sub(r"\{\w+\}", " ", line.text)


def spoken() -> Iterator[str]:
    """Every text that can be said with known values."""
    for event in book().events.values():
        for _, _, text, _ in fillings(event, book().slot_values, 10_000, "Alder"):
            yield text


def test_it_has_every_event_of_the_english_book_and_as_many_lines() -> None:
    english = book("lantern_strings.yaml")
    assert set(book().events) == set(english.events)
    for name, event in english.events.items():
        german = book().events[name]
        assert (german.slots, german.priority, german.asks) == (
            event.slots, event.priority, event.asks
        )  # fmt: skip
        assert (german.fresh_for_s, german.longest_s) == (event.fresh_for_s, event.longest_s)
        said_when = [(line.voice, line.weight, line.when, line.kind) for line in event.lines]
        assert said_when == [
            (line.voice, line.weight, line.when, line.kind) for line in german.lines
        ]
    assert (book().kinds, book().characters) == (english.kinds, english.characters)
    assert book().stop_guard == english.stop_guard
    assert set(book().standing) == set(english.standing)


def test_no_english_line_was_left_standing() -> None:
    english = {
        line.text for event in book("lantern_strings.yaml").events.values() for line in event.lines
    }
    assert not english & {line.text for event in book().events.values() for line in event.lines}


@pytest.mark.skipif(shutil.which("hunspell") is None, reason="needs hunspell and hunspell-de-de")
def test_the_spelling_is_right() -> None:
    words = sorted({word for text in texts() for word in WORD.findall(text)} | set(COLOURS))
    assert len(words) > 500
    done = subprocess.run(
        ["hunspell", "-d", "de_DE", "-i", "utf-8", "-l"],
        input="\n".join([*words, "Laternne"]), capture_output=True, encoding="utf-8",
        timeout=60, check=True,
    )  # fmt: skip
    unknown = set(done.stdout.split())
    assert "Laternne" in unknown  # the dictionary is there and finds something
    assert unknown - {"Laternne"} - UNKNOWN_TO_THE_DICTIONARY == set()


def test_lines_can_be_spoken_as_they_are_written() -> None:
    for event in book().events.values():
        for line in event.lines:
            plain = re.sub(r"\{\w+\}", "", line.text)
            assert not re.search(r"[0-9&@#%/+*=<>()\[\]~^\\]", plain), line.text
            assert not LETTERS_ALONE.search(plain), line.text
            assert re.search(r"[.!?]$", line.text), line.text
            most = 6 if event.priority is Priority.WARNING else 15
            assert len(line.text.split()) <= most, (event.name, line.text)
            assert not CLAIMS_SAFETY.search(line.text), (event.name, line.text)
            assert not UNFIT.search(line.text), (event.name, line.text)


def test_no_line_says_what_a_table_that_listens_would_act_on() -> None:
    questions = book().questions.values()
    standing = {phrase for command in book().standing.values() for phrase in command.phrases}
    answers = {
        phrase
        for question in questions
        for phrase in [*itertools.chain(*question.answers.values()), *question.yes, *question.no]
    }
    asked = {name for q in questions for name in (q.ask_again, q.waited, q.confirm)}
    asked |= {event.name for event in book().events.values() if event.asks is not None}
    for event in book().events.values():
        forbidden = standing | (answers if event.name in asked else set())
        for line in event.lines:
            words = f" {normalise(re.sub(r'{[a-z]+}', ' ', line.text))} "
            said = [phrase for phrase in forbidden if f" {phrase} " in words]
            assert said == [], (event.name, line.text)


def test_colours_stand_in_a_line_only_where_help_lists_them() -> None:
    named = {
        event.name
        for event in book().events.values()
        for line in event.lines
        if any(colour.casefold() in line.text.casefold() for colour in COLOURS)
    }
    assert named == {"help"}
    for question in ("colour",):
        assert set(book().questions[question].answers) == set(COLOURS)


def test_one_light_is_singular_and_any_other_number_plural() -> None:
    # The rules are those of the Unicode CLDR, by babel.
    plural = Locale("de").plural_form
    found = [match for text in spoken() for match in re.finditer(r"(\d+) (\w+)", text)]
    assert len(found) >= 6
    for match in found:
        number, noun = int(match.group(1)), match.group(2)
        assert noun == ("Licht" if plural(number) == "one" else "Lichter"), match.string
    # and in words: "ein Licht", "zwei Lichter"
    for text in texts():
        for word, noun in re.findall(r"\b(ein|zwei|drei|vier|fünf) (Licht(?:er)?)\b", text.lower()):
            assert noun == ("licht" if word == "ein" else "lichter"), text


@pytest.mark.parametrize("number", [0, 5, 1_000, 25_000, 1_234_567])
def test_numbers_are_written_and_read_back_in_german(number: int) -> None:
    written = format_decimal(number, locale="de")
    assert parse_decimal(written, locale="de") == number
    assert ("." in written) == (number >= 1_000)


def loudness_by_band(clip: Clip) -> NDArray[np.float64]:
    """Log power of 24 bands in steps of 20 ms, shape ``(steps, 24)``."""
    step = clip.rate_hz // 50
    pieces = clip.samples[: len(clip.samples) // step * step].reshape(-1, step)
    power = np.abs(np.fft.rfft(pieces * np.hanning(step), axis=1)) ** 2
    bands = np.array_split(power[:, 1:], 24, axis=1)
    return np.log10(np.stack([band.sum(axis=1) for band in bands], axis=1) + 1e-6)


def apart(one: Clip, other: Clip) -> float:
    """How differently two clips sound, step by step from their beginning."""
    first, second = loudness_by_band(one), loudness_by_band(other)
    steps = min(len(first), len(second))
    return float(np.abs(first[:steps] - second[:steps]).mean())


def test_the_voice_reads_a_slots_number_as_the_german_word() -> None:
    voice = load_cell(shipped("laternentisch.yaml")).voices["Alder"]
    told = "Sie haben jetzt {} Lichter."
    with Engine() as engine:
        words = {word: engine.render(told.format(word), voice) for word in NUMBERS}
        for number in (0, 2, 3, 4, 5):
            digit = engine.render(told.format(number), voice)
            nearest = min(NUMBERS, key=lambda word: apart(digit, words[word]))
            assert nearest == NUMBERS[number]


# --- the whole table ------------------------------------------------------------


def test_an_evening_is_played_in_german_with_buttons_for_answers(tmp_path: Path) -> None:
    cell = replace(
        load_cell(shipped("laternentisch.yaml")),
        store_folder=tmp_path / "store", history_file=tmp_path / "history.sqlite",
    )  # fmt: skip
    wishes = iter(["Violett", "Türkis", "Silber"])
    basket = ("Türkis", MOTH, "Silber", "Rubin", "Violett", "Türkis", MOTH, "Silber", "Violett")
    screen = tmp_path / "screen.vtt"
    sent: list[messages.Outbound] = []
    with Assembly(cell) as parts:
        assert not parts.listens
        with pytest.raises(RecogniserUnavailable, match="listens to nobody"):
            parts.open_recogniser()
        assert parts.history is not None
        parts.history.begin_session(cell.table, "0")
        with Record(tmp_path / "record", parts.history, title=book().title, language="de",
                    captions=screen) as record:  # fmt: skip
            room = Room(None, arms=tuple(cell.voices))
            session = SimulatedSession(parts.open_table(7), None, room, parts.voices, record)
            play = evening(
                {"Alder": 3, "Briar": 4, "visitor": 3}, basket,
                {"Alder": "Silber", "Briar": "Rubin"},
            )  # fmt: skip

            def later(after_s: float, what: object) -> None:
                assert callable(what)
                session.at(session.now_s + after_s, what)

            controller = Controller(play, session.receive, later, 1.0, None)

            def told(message: Send) -> None:
                sent.append(message.message)
                controller.hears(message.message)
                said = message.message
                if isinstance(said, messages.Said) and said.event == "colour_asked":
                    button = next(wishes)
                    later(0.8, lambda: session.receive(messages.ButtonPressed(button=button)))

            session.overheard = told
            session.open("0")
            later(0.2, controller.begin)
            while session.now_s < 240.0 and not (controller.finished and session.table.idle):
                session.step()
            assert controller.refused is None
            assert controller.finished
    answers = [message for message in sent if isinstance(message, messages.AnswerGiven)]
    assert answers
    assert {answer.how for answer in answers} == {"button"}
    assert not [message for message in sent if isinstance(message, messages.ErrorReported)]
    heard = [message for message in sent if isinstance(message, messages.HeardReported)]
    assert heard == []
    lines = [message for message in sent if isinstance(message, messages.Said)]
    german = set(spoken())
    assert {line.text for line in lines} <= german
    assert any(line.event.startswith("win") for line in lines)

    captions = webvtt.read(str(screen)).captions
    assert [caption.text for caption in captions] == [line.text for line in lines if line.start_s]
    assert {caption.voice for caption in captions} == {"Alder", "Briar"}
    assert screen.read_text("utf-8").count("<lang de>") == len(captions)
    for line, caption in zip(lines, captions, strict=True):
        assert line.start_s is not None
        assert line.end_s is not None
        assert caption.start_in_seconds == int(line.start_s + 0.0005)
        assert caption.end >= caption.start
    rows = (tmp_path / "record" / "session.jsonl").read_text("utf-8").splitlines()
    assert any(json.loads(row).get("value") in COLOURS for row in rows)


def test_the_evening_that_comes_with_it_is_rehearsed_with_typed_words(tmp_path: Path) -> None:
    out = tmp_path / "out"
    done = subprocess.run(
        [sys.executable, "-m", "tablevoice", "rehearse", str(shipped("laternentisch.yaml")),
         "--session", str(shipped("laternenabend.jsonl")), "--out", str(out)],
        capture_output=True, encoding="utf-8", timeout=240, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    rows = [json.loads(row) for row in (out / "session.jsonl").read_text("utf-8").splitlines()]
    answers = [row["value"] for row in rows if row["type"] == "answer"]
    assert answers == ["Violett", "Türkis", "nein"]
    assert [row["kind"] for row in rows if row["type"] == "hold_request"] == ["pause"]
    assert [row["type"] for row in rows if row["type"] in ("error", "refused")] == []
    said = [row for row in rows if row["type"] == "said" and row["start_s"] is not None]
    rules = [row["text"] for row in said if row["event"] == "rules_told"]
    assert len(rules) == 2  # told once more at "wiederholen"
    assert rules[0] == rules[1]
    events = [row["event"] for row in said]
    assert {"help", "paused", "resumed", "win_visitor", "good_bye"} <= set(events)
    assert {row["text"] for row in said} <= set(spoken())
    shown = webvtt.read(str(out / "captions.vtt")).captions
    assert [caption.text for caption in shown] == [row["text"] for row in said]
    ends_s = [caption.end_in_seconds for caption in shown]
    assert ends_s == [int(row["end_s"] + 0.0005) for row in said]


def test_the_check_says_that_nobody_is_heard(tmp_path: Path) -> None:
    cell = replace(
        load_cell(shipped("laternentisch.yaml")),
        store_folder=tmp_path / "store", history_file=tmp_path / "history.sqlite",
    )  # fmt: skip
    report = look_over(cell)
    parts = {found.part: found.text for found in report.found}
    assert "nobody is heard" in parts["recogniser"]
    assert "language de" in parts["phrasebook"]
    assert "microphone" not in parts
    assert "tuned file" not in parts
    assert not [problem for problem in report.missing if "microphone" in problem.where]
