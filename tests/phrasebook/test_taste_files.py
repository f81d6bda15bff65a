"""What a phrasebook file says of taste: how it is read, and how what is wrong is told."""

from __future__ import annotations

from pathlib import Path

import pytest

from tablevoice.errors import FileRefused
from tablevoice.model import Condition, Cooldown, Phrasebook, Priority, QuietSpan
from tablevoice.phrasebook import load_phrasebook
from tablevoice.phrasebook.moods import NotAMood, read_mood
from tablevoice.phrasebook.slots import fillings

BOOK = """\
format: 1
title: Tasteful
language: en
slots:
  arm: [Alder, Briar]
  lights: [0, 1, 2, 3, 4]
  best: [0, 1, 2, 3, 4]
kinds:
  teasing: {every_s: 240, every_uses: 5}
  modest: {}
moods:
  behind: lights < best
  last_lantern: lights is 4 and arm is not Briar
characters:
  Alder: {teasing: 0.3}
  Briar: {teasing: 3, modest: 0}
quiet_hours:
  - {from: "20:30", until: "07:00"}
  - {from: "13:00", until: "14:00", speak: [move, question, warning]}
events:
  turn:
    slots: [arm, lights, best]
    voice: "{arm}"
    lines:
      - Mine.
      - {say: I am behind., mood: behind, kind: modest}
      - {say: One lantern more., mood: last_lantern}
      - {say: I take my time., only: Alder}
      - {say: A heron came by once., name: heron, kind: teasing}
      - {say: It left again., follows: heron, within_s: 90}
      - {say: It never wrote., follows: heron}
"""


def load(tmp_path: Path, text: str) -> Phrasebook:
    file = tmp_path / "book.yaml"
    file.write_text(text, encoding="utf-8")
    return load_phrasebook(file)


def test_everything_is_read_as_it_is_written(tmp_path: Path) -> None:
    book = load(tmp_path, BOOK)
    assert book.kinds == {"teasing": Cooldown(240.0, 5, 1), "modest": Cooldown()}
    assert book.characters == {"Alder": {"teasing": 0.3}, "Briar": {"teasing": 3, "modest": 0}}
    loud = frozenset({Priority.QUESTION, Priority.WARNING})
    assert book.quiet_hours == (
        QuietSpan(1230, 420, loud), QuietSpan(780, 840, loud | {Priority.MOVE}))
    mine, behind, last, only, opener, left, wrote = book.events["turn"].lines
    assert mine.when == ()
    assert behind.when == (Condition("lights", relation="<", other="best"),)
    assert behind.kind == "modest"
    assert last.when == (Condition("lights", among=(4,)), Condition("arm", not_among=("Briar",)))
    assert only.when == (Condition("arm", among=("Alder",)),)
    assert opener.begins
    assert (left.follows, left.within_s) == (opener.key, 90.0)
    assert (wrote.follows, wrote.within_s) == (opener.key, 300.0)


def test_lines_without_taste_keep_the_keys_that_the_history_knows(tmp_path: Path) -> None:
    """Keys as earlier versions of the program made them: a year of non-repetition hangs on them."""
    book = load(tmp_path, BOOK)
    assert book.events["turn"].lines[0].key == "7046b5d3335bdbca"
    story = load(tmp_path, BOOK.replace("within_s: 90", "within_s: 91"))
    assert [line.key for line in story.events["turn"].lines] == [
        line.key for line in book.events["turn"].lines]


def test_only_what_a_mood_allows_is_prepared(tmp_path: Path) -> None:
    book = load(tmp_path, BOOK)
    said = [(text, slots) for _, slots, text, _ in
            fillings(book.events["turn"], book.slot_values, 10_000) if text == "I am behind."]
    assert len(said) == 2  # once a voice: the same text is prepared once
    assert all(slots["lights"] < slots["best"] for _, slots in said)  # type: ignore[operator]


WRONG = [
    ("kind: modest", "kind: modset", "26:49: there is no kind 'modset'", "'modest'"),
    ("mood: behind,", "mood: behnid,", "26:35: there is no mood 'behnid'", "'behind'"),
    ("lights < best", "lights < bset", "12:11: 'bset' at character 10", "'best'"),
    ("lights < best", "lihgts < best", "'lihgts' at character 1 of a mood is no slot", "'lights'"),
    ("lights < best", "lights ! best", "found '!' at character 8", "is not, <"),
    ("lights < best", "lights <", "nothing stands on the right of 'lights'", "is not, <"),
    ("lights < best", "lights < best or", "where another comparison", "'and'"),
    ("lights < best", "lights < lights", "is compared with itself", "is not, <"),
    ("lights < best", "arm is Adler", "slot 'arm' is never 'Adler'", "'Alder'"),
    ("lights < best", "arm < 3", "slot 'arm' has no numbers", "is or is not"),
    ("lights < best", "lights > 4", "no value of 'lights' meets", "Loosen"),
    ("lights < best", "lights < 0 and lights < best", "can never be said", "Loosen"),
    ("slots: [arm, lights, best]", "slots: [arm, lights]", "looks at the slot 'best'", "slots: ["),
    ("Alder: {teasing", "Alder: {taesing", "15:11: there is no kind 'taesing'", "'teasing'"),
    ('until: "07:00"', 'until: "20:30"', "end when they begin", "two spans"),
    ('until: "07:00"', 'until: "7:00"', "quiet_hours[1].until", ""),
    ("speak: [move, question,", "speak: [move,", "a question would have no line", "'question'"),
    ("only: Alder", "only: Adler", "is never 'Adler'", "'Alder'"),
    ("only: Alder", "voice: Briar, only: Alder", "always said by 'Briar'", "Take it out"),
    ("follows: heron, within_s: 90", "follows: hreon", "no line named 'hreon'", "'heron'"),
    ("name: heron, kind: teasing", "name: heron, follows: heron", "comes back to itself", "first"),
    ("{say: It never wrote., follows: heron}", "{say: It never wrote., name: heron}",
     "a line named 'heron' is there already", "rename"),
    ("I take my time., only: Alder", "I take my time., within_s: 4", "this one follows none",
     "take it out"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "what", "do"), WRONG)
def test_what_is_wrong_is_told_with_its_place_and_the_nearest_name(
    tmp_path: Path, old: str, new: str, what: str, do: str
) -> None:
    assert BOOK.count(old) == 1
    with pytest.raises(FileRefused) as refused:
        load(tmp_path, BOOK.replace(old, new))
    told = [str(problem) for problem in refused.value.problems]
    assert any(what in each and do in each for each in told), told


def test_an_event_can_be_said_without_the_lines_of_stories_and_moods(tmp_path: Path) -> None:
    for lines, what in (
        ("[{say: It left., follows: heron}]", "may come first"),
        ("[{say: Behind., mood: behind}]", "has no line to say when lights: "),
    ):
        text = BOOK + f"  end:\n    slots: [arm, lights, best]\n    lines: {lines}\n"
        with pytest.raises(FileRefused, match=what):
            load(tmp_path, text)
    behind = "  behind: lights < best"
    both = BOOK.replace(behind, f"{behind}\n  fine: lights >= best")
    load(tmp_path, both + "  end:\n    slots: [arm, lights, best]\n    lines: "
         "[{say: Behind., mood: behind}, {say: Fine., mood: fine}]\n")


@pytest.mark.parametrize(
    "text",
    ["__import__('os')", "lights.best", "lights[0] < 3", "lights < (best)", "lights = 4", "and",
     "lights is", "is is is", "lights is not", "\"lights\" is 4", "", "   ", "lights < best and"],
)
def test_a_mood_is_never_more_than_comparisons(text: str) -> None:
    assert isinstance(read_mood(text, {"lights": (0, 4), "best": (0, 4)}), NotAMood)


def test_words_in_quotes_are_values_even_where_a_slot_has_that_name() -> None:
    slots = {"lights": ("best", "worst"), "best": None}
    assert read_mood('lights is "best"', slots) == (Condition("lights", among=("best",)),)
    assert read_mood("lights is best", slots) == (
        Condition("lights", relation="=", other="best"),)


def test_the_example_in_the_guide_is_a_phrasebook(tmp_path: Path) -> None:
    guide = Path(__file__).parents[2] / "phrasebooks" / "WRITING.md"
    shown = guide.read_text("utf-8").split("## Taste", 1)[1].split("```yaml\n", 1)[1]
    head = "format: 1\ntitle: Shown\nlanguage: en\n"
    slots = "slots: {arm: [Alder, Briar], lights: [0, 1, 2], best: [0, 1, 2]}\n"
    book = load(tmp_path, head + slots + shown.split("```", 1)[0])
    assert book.kinds == {"teasing": Cooldown(240.0)}
    assert len(book.events["draw"].lines) == 6
