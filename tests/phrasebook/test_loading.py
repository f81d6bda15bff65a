"""Phrasebook files to values: a good one whole, a bad one with every finding at its place."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tablevoice.errors import FileRefused, Problem
from tablevoice.model import Condition, Priority
from tablevoice.phrasebook import load_phrasebook
from tablevoice.shipped import shipped_folder

KITES = Path(__file__).with_name("kite_stand.yaml")
TEXT = KITES.read_text(encoding="utf-8")


def problems_of(tmp_path: Path, text: str, name: str = "a.yaml") -> tuple[Problem, ...]:
    file = tmp_path / name
    file.write_text(text, encoding="utf-8")
    with pytest.raises(FileRefused) as refused:
        load_phrasebook(file)
    for problem in refused.value.problems:
        assert problem.what
        assert problem.do
    return refused.value.problems


def test_a_good_file_comes_through_whole() -> None:
    book = load_phrasebook([KITES])
    assert (book.title, book.language) == ("Kite stand", "en")
    assert book.slot_values == {"arm": ("Alder", "Briar"), "kites": (0, 1, 2, 3), "note": None,
                                "answer": ("amber", "zaffre")}
    assert book.pronunciations == {"zaffre": ("Z AE F ER",),
                                   "ochre": ("OW K ER", "OW K ER Z")}
    turn = book.events["turn"]
    assert (turn.slots, turn.priority, turn.fresh_for_s) == (("arm", "kites"), Priority.MOVE, 5.0)
    assert [line.voice for line in turn.lines] == ["{arm}"] * 4 + ["Alder"]
    assert turn.lines[2].when == (Condition("kites", among=(0,)),)
    assert turn.lines[3].when == (Condition("kites", at_least=2, at_most=3),)
    assert turn.lines[4].when == (Condition("kites", not_among=(0,)),
                                  Condition("arm", among=("Briar",)))
    assert len({line.key for event in book.events.values() for line in event.lines}) == 13
    asked = book.events["colour_asked"]
    assert (asked.priority, asked.longest_s, asked.asks) == (Priority.QUESTION, 6.0, "colour")
    colour = book.questions["colour"]
    assert colour.answers == {"amber": ("amber", "amber please"), "zaffre": ("zaffre",)}
    assert (colour.yes, colour.no, colour.button_wait_s) == (
        ("yes", "correct"), ("no", "wrong"), 60.0)
    assert book.standing["pause"].phrases == ("pause", "hold on")
    assert book.standing["never_mind"].says is None


def test_a_line_keeps_its_key_until_what_is_said_changes(tmp_path: Path) -> None:
    def keys(text: str) -> list[str]:
        file = tmp_path / "k.yaml"
        file.write_text(text, encoding="utf-8")
        return [line.key for line in load_phrasebook(file).events["turn"].lines]

    before = keys(TEXT)
    assert keys(TEXT.replace("weight: 0.5", "weight: 3")) == before
    after = keys(TEXT.replace("My turn.", "Now me."))
    assert [old == new for old, new in zip(before, after, strict=True)] == [
        True, False, True, True, True]
    assert keys(TEXT.replace("kites: 0}", "kites: 1}"))[2] != before[2]


def test_the_shipped_phrasebooks_load() -> None:
    files = sorted(file for file in shipped_folder().glob("*.yaml")
                   if "\nphrasebooks:" not in file.read_text(encoding="utf-8"))
    assert files
    for file in files:
        assert load_phrasebook(file).events


# What is replaced in the good file, by what, and words of the finding ("|": either), which
# stands on that line.
WRONG = [
    ("format: 1", "format: 2", ["found 2", "Did you mean '1'|Use one of: 1"]),
    ("language: en", "language: English", ["found 'English'"]),
    ("priority: question", "priority: questoin", ["'questoin'", "Did you mean 'question'?"]),
    ("    fresh_for_s: 5", "    fresh_fro_s: 5",
     ["unknown key 'fresh_fro_s'", "'events.turn'", "Did you mean 'fresh_for_s'?"]),
    ("        weight: 2", "        wieght: 2", ["Did you mean 'weight'?"]),
    ("events:\n", "evnets:\n", ["Did you mean 'events'?"]),
    ("fresh_for_s: 8", "fresh_for_s: soon", ["'soon'", "Write a number."]),
    ("fresh_for_s: 8", "fresh_for_s: -1", ["-1", "above 0"]),
    ("fresh_for_s: 8", "fresh_for_s: .nan", ["finite number|above"]),
    ("interruptible: true", "interruptible: yes", ["'yes'", "true or false"]),
    ("tries: 3", "tries: 2.5", ["2.5", "whole number"]),
    ("weight: 0.5", "weight: .inf", ["finite|or less"]),
    ("weight: 0.5", "weight: -1", ["0 or more"]),
    ("Welcome to the kite stand.", "''", ["at least 1 character"]),
    ("Welcome to the kite stand.", "'  ...  '", ["cannot be said"]),
    ("Welcome to the kite stand.", "x" * 401, ["at most 400 characters"]),
    ("Welcome to the kite stand.", "17", ["found 17"]),
    ("Welcome to the kite stand.", '"Two\\nlines."', ["several lines"]),
    ("ties kite number {kites}", "ties kite number {kitse}",
     ["slot 'kitse'", "not declared", "Did you mean 'kites'?"]),
    ("ties kite number {kites}", "has a {note}",
     ["slot 'note'", "does not come with event 'turn'", "slots: [arm, kites, note]"]),
    ("ties kite number {kites}", "ties {kites", ["brace '{' has no partner"]),
    ("ties kite number {kites}", "ties {}", ["'{}' is no slot"]),
    ("slots: [arm, kites]", "slots: [arm, kites, wind]", ["'wind'", "not declared"]),
    ("when: {kites: 0}", "when: {kitse: 0}", ["'kitse'", "Did you mean 'kites'?"]),
    ("when: {kites: 0}", "when: {kites: 7}", ["never 7", "Use one of: 0, 1, 2, 3"]),
    ("when: {kites: 0}", "when: {kites: '0'}", ["never '0'", "number, without quotes"]),
    ("when: {kites: 0}", "when: {arm: Aldr}", ["never 'Aldr'", "Did you mean 'Alder'?"]),
    ("when: {kites: 0}", "when: {arm: {at_least: 1}}", ["no numbers to compare"]),
    ("when: {kites: 0}", "when: {kites: {at_least: 4}}", ["can never be said"]),
    ("when: {kites: 0}", "when: {kites: {at_least: 3, at_most: 2}}", ["never be said"]),
    ("when: {kites: 0}", "when: {kites: {not: [0, 1, 2, 3]}}", ["can never be said"]),
    ("when: {kites: 0}", "when: {kites: {}}", ["tests nothing"]),
    ("when: {kites: 0}", "when: {kites: {atleast: 2}}", ["Did you mean 'at_least'?"]),
    ("when: {kites: 0}", "when: {kites: true}", ["found true", "text or a whole number"]),
    ("My turn.", '"{arm} ties kite number {kites}."', ["a second time in event 'turn'"]),
    ('voice: "{arm}"', 'voice: "{amr}"', ["'amr'", "Did you mean 'arm'?"]),
    ('voice: "{arm}"', 'voice: "{kites} x"', ["not a voice"]),
    ("asks: colour", "asks: color", ["question 'color'", "Did you mean 'colour'?"]),
    ("ask_again: colour_misheard", "ask_again: colour_mishard",
     ["no event 'colour_mishard'", "Did you mean 'colour_misheard'?"]),
    ("give_up: use_the_button", "give_up: remark", ["needs the slot 'note'", "'give_up'"]),
    ("give_up: use_the_button", "give_up: colour_confirm", ["needs the slot 'answer'"]),
    ("zaffre: [zaffre]", "zaffre: [zaffre, Amber!]", ["for 'zaffre' and for 'amber'"]),
    ("zaffre: [zaffre]", "zaffre: [zaffre, hold  on]", ["standing command 'pause'"]),
    ("zaffre: [zaffre]", "zaffre: []", ["Give at least 1."]),
    ("zaffre: [zaffre]", "zaffre: ['?!']", ["nothing that can be heard"]),
    ("no: [no, wrong]", "no: [no, Yes]", ["yes and for no"]),
    ("yes: [yes, correct]\n    no: [no, wrong]", "yes: [yes, no]", ["yes and for no"]),
    ("  never_mind: {phrases: [never mind]}", "  nevermind: {phrases: [never mind]}",
     ["'nevermind'", "Did you mean 'never_mind'?"]),
    ("phrases: [never mind]", "phrases: [Pause]", ["stands for 'pause' already"]),
    ("says: paused", "says: turn", ["needs the slot 'arm'"]),
    ("says: paused", "says: puased", ["Did you mean 'paused'?"]),
    ("zaffre: Z AE F ER", "zaffre: Z AE F ERR", ["'ERR'", "Did you mean 'ER'?"]),
    ("zaffre: Z AE F ER", "zaffre: Z AE1 F ER", ["Write 'AE', without stress."]),
    ("kites: [0, 1, 2, 3]", "kites: [0, 1, 2, 3, 3]", ["twice"]),
    ("kites: [0, 1, 2, 3]", "kites: [0, 1, 2, 3, 4.5]", ["4.5", "whole number"]),
    ("note: any", "note: some", ["'some'", "list"]),
    ("  greeting:", "  '2 kites':", ["'2 kites' as a name", "letters, digits"]),
]


@pytest.mark.parametrize(("old", "new", "words"), WRONG)
def test_a_finding_has_its_place_and_the_way_out(
    tmp_path: Path, old: str, new: str, words: list[str]
) -> None:
    line = TEXT[: TEXT.index(old)].count("\n") + 1
    problems = problems_of(tmp_path, TEXT.replace(old, new, 1))
    file = str(tmp_path / "a.yaml")
    fitting = [problem for problem in problems
               if all(any(word in str(problem) for word in either.split("|"))
                      for either in words)]
    assert fitting, [str(problem) for problem in problems]
    places = [problem.where.removeprefix(file + ":").split(":") for problem in fitting]
    assert str(line) in [place[0] for place in places], places
    assert all(int(place[1]) >= 1 for place in places)


def test_an_answer_that_its_slot_cannot_take(tmp_path: Path) -> None:
    problems = problems_of(tmp_path, TEXT.replace("answer: [amber, zaffre]", "answer: [amber]"))
    line = TEXT[: TEXT.index("zaffre: [zaffre]")].count("\n") + 1
    assert "never 'zaffre', an answer of question 'colour'" in problems[0].what
    assert problems[0].where == f"{tmp_path / 'a.yaml'}:{line}:7"


def test_all_findings_of_a_file_come_together(tmp_path: Path) -> None:
    text = TEXT.replace("priority: question", "priority: questoin")
    text = text.replace("weight: 0.5", "weight: -1").replace("{kites}.", "{kitse}.")
    text = text.replace("says: paused", "says: puased").replace("    tries: 3", "    trys: 3")
    problems = problems_of(tmp_path, text)
    for words in ("'questoin'", "-1", "'kitse'", "'puased'", "'trys'"):
        assert sum(words in problem.what for problem in problems) == 1, words
    assert len(problems) == 5


def test_an_entry_that_cannot_be_read_brings_up_no_false_findings(tmp_path: Path) -> None:
    problems = problems_of(tmp_path, TEXT.replace("    lines: [Which colour for the next kite?]",
                                                  "    liens: [Which colour?]"))
    assert sorted(problem.what[:20] for problem in problems) == [
        "the key 'lines' is m", "unknown key 'liens' "]


def test_an_event_with_a_gap_is_reported(tmp_path: Path) -> None:
    text = TEXT.replace('      - "{arm} ties kite number {kites}."\n      - My turn.\n', "")
    problems = problems_of(tmp_path, text)
    assert ["event 'turn' has no line to say when" in problem.what for problem in problems] == [
        True]
    assert "kites: 1" in problems[0].what
    assert "arm: 'Alder'" in problems[0].what


def test_an_event_that_only_rests_is_reported(tmp_path: Path) -> None:
    text = TEXT.replace("lines: [Holding still.]", "lines: [{say: Holding still., weight: 0}]")
    assert "every line of event 'paused' has weight 0" in problems_of(tmp_path, text)[0].what


def test_conditions_on_a_slot_of_any_text(tmp_path: Path) -> None:
    line = 'lines: ["{note}."]'
    some = 'lines: [{say: "{note}.", when: {note: hello}}]'
    problems = problems_of(tmp_path, TEXT.replace(line, some))
    assert "note: any other text" in problems[0].what
    whole = 'lines: [{say: Hi., when: {note: hello}}, {say: "{note}.", when: {note: {not: hello}}}]'
    file = tmp_path / "ok.yaml"
    file.write_text(TEXT.replace(line, whole), encoding="utf-8")
    assert len(load_phrasebook(file).events["remark"].lines) == 2


def test_files_are_merged_and_a_name_stands_once(tmp_path: Path) -> None:
    more = tmp_path / "more.yaml"
    more.write_text("format: 1\ntitle: More\nlanguage: en\nevents:\n"
                    "  landed: {slots: [arm], lines: ['{arm} is down.']}\n", encoding="utf-8")
    book = load_phrasebook([KITES, more])
    assert "landed" in book.events
    assert book.title == "Kite stand"
    with pytest.raises(FileRefused) as refused:
        load_phrasebook([KITES, more, more])
    assert "'landed' in 'events' is defined a second time" in str(refused.value)
    assert f"{more}:5:3" in str(refused.value)
    more.write_text("format: 1\ntitle: More\nlanguage: de\n", encoding="utf-8")
    with pytest.raises(FileRefused, match="the language is 'de'"):
        load_phrasebook([KITES, more])


def test_ten_thousand_lines_and_hundreds_of_findings(tmp_path: Path) -> None:
    head = "format: 1\ntitle: Big\nlanguage: en\nslots: {n: [1, 2, 3]}\nevents:\n  e:\n" \
           "    slots: [n]\n    lines:\n      - Always.\n"
    rows = [f"      - {{say: 'Line {number}.', when: {{n: {number % 3 + 1}}}}}\n"
            for number in range(10_000)]
    file = tmp_path / "big.yaml"
    file.write_text(head + "".join(rows), encoding="utf-8")
    assert len(load_phrasebook(file).events["e"].lines) == 10_001
    problems = problems_of(tmp_path, head + "".join(rows[:900]).replace("n: 3}", "n: 4}"))
    assert len(problems) == 101
    assert "200 more findings" in problems[-1].what


def test_a_language_of_its_own_needs_its_own_yes_and_no(tmp_path: Path) -> None:
    text = TEXT.replace("language: en", "language: ko").replace("    no: [no, wrong]\n", "")
    assert any("yes and no are the English ones" in problem.what
               for problem in problems_of(tmp_path, text))


# --- fuzzing ---------------------------------------------------------------------------

LINES = TEXT.splitlines(keepends=True)
WORDS = ["", ":", "- ", "{", "}", "[", "]", "\n", "  ", "\t", "{arm}", "any", "null", "1", "-1",
         "1e400", ".nan", "true", "yes", "*a", "&a ", "!!int ", "'", '"', "\\", "#", "|", ">",
         "\x00", "\x85", "\u2028", "é", "events", "lines", "when", "say", "slots", "voice"]


@st.composite
def mutated(draw: st.DrawFn) -> bytes:
    lines = list(LINES)
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(lines) - 1))
        kind = draw(st.sampled_from(["drop", "swap", "double", "insert", "replace", "indent"]))
        other = draw(st.integers(0, len(lines) - 1))
        if kind == "drop" and len(lines) > 1:
            del lines[at]
        elif kind == "swap":
            lines[at], lines[other] = lines[other], lines[at]
        elif kind == "double":
            lines.insert(other, lines[at])
        elif kind == "indent":
            lines[at] = draw(st.sampled_from(["", " ", "  ", "      "])) + lines[at].lstrip()
        else:
            place = draw(st.integers(0, len(lines[at])))
            end = place if kind == "insert" else draw(st.integers(place, len(lines[at])))
            lines[at] = lines[at][:place] + draw(st.sampled_from(WORDS)) + lines[at][end:]
    return "".join(lines).encode()


@settings(max_examples=200, deadline=None)
@given(data=st.one_of(mutated(), st.binary(max_size=80), st.text(max_size=80).map(
    lambda text: text.encode("utf-8", "replace"))))
def test_any_file_is_read_or_refused(data: bytes, tmp_path_factory: pytest.TempPathFactory) -> None:
    file = tmp_path_factory.getbasetemp() / "fuzz.yaml"
    file.write_bytes(data)
    try:
        outcome = load_phrasebook(file).title
    except FileRefused as refused:
        outcome = str(refused)
        assert all(problem.where.startswith(str(file)) and problem.do  # noqa: PT017
                   for problem in refused.problems)
    assert outcome
