"""A verdict explained afterwards, and one marked as wrong, by the command and in the history."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from tablevoice.acoustics.room import Room
from tablevoice.actions import Judgement, Send
from tablevoice.assembly import Assembly
from tablevoice.cell import Cell, load_cell
from tablevoice.cli import app
from tablevoice.commands.explaining import explained, past_utterance
from tablevoice.history import History
from tablevoice.links import messages
from tablevoice.listening.judging import Costs
from tablevoice.model import LISTENING_RATE_HZ, Clip, Heard, Hypothesis
from tablevoice.phrasebook.choosing import Chooser
from tablevoice.session_records import Record
from tablevoice.simulation import SimulatedSession
from tablevoice.table import Table

BOOK = """
format: 1
title: Small
language: en
slots: {answer: [amber, teal]}
events:
  ask: {about: Asks., priority: question, asks: colour, lines: ["Which?"]}
  confirm: {about: Confirms., slots: [answer], priority: question, lines: ["{answer}?"]}
questions:
  colour: {answers: {amber: [amber], teal: [teal, teal please]}, confirm: confirm}
standing:
  pause: {phrases: [pause, hold on]}
  repeat: {phrases: [repeat]}
"""
CELL = """
format: 1
table: small table
phrasebooks: [book.yaml]
voices: {Alder: {}}
history: {file: history.sqlite, keep_audio_days: DAYS}
"""


def tablevoice(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def cell_at(folder: Path, days: int = 7) -> Path:
    (folder / "book.yaml").write_text(BOOK, encoding="utf-8")
    (folder / "cell.yaml").write_text(CELL.replace("DAYS", str(days)), encoding="utf-8")
    return folder / "cell.yaml"


def play(cell: Cell, *sounds: Heard) -> list[messages.HeardReported]:
    """A session of the real table in which each sound comes while it listens for a colour."""
    reports = []
    with History(cell.history_file, keep_audio_days=cell.keep_audio_days) as history:
        session = history.begin_session(cell.table, "0")
        book = cell.phrasebook
        table = Table(
            cell.table, book, Chooser(book, 1), default_voice="Alder",
            thresholds=cell.listening, session=session,
        )  # fmt: skip
        with Record(None, history) as record:
            table.receive(messages.EventReported(id="e1", event="ask"), 0.0)
            for now_s in (0.1, 40.0):  # the line counts as over by then
                table.tick(now_s)
            for heard in sounds:
                for action in table.hear(heard, 41.0):
                    if isinstance(action, Send) and isinstance(action.about, Judgement):
                        record.sent(action)
                        assert isinstance(action.message, messages.HeardReported)
                        reports.append(action.message)
    return reports


def sound(text: str = "", during_speech: bool = False, **probabilities: float) -> Heard:
    return Heard(
        Hypothesis(text, 0.6, True, {"llr": -0.31}), 40.2, 40.8, -28.4, during_speech,
        np.full(9600, 0.05, np.float32),
        {name.replace("_", " "): p for name, p in probabilities.items()},
        {"amber": 2.5, "": -1.0} if probabilities else {},
    )  # fmt: skip


def in_words(result: Result) -> str:
    assert result.exit_code == 0, result.output
    return result.stdout


def test_a_confirmed_answer_is_explained_with_numbers_and_ways_out(tmp_path: Path) -> None:
    file = cell_at(tmp_path)
    (report,) = play(load_cell(file), sound("teal", amber=0.9, teal=0.04, repeat=0.01))
    assert (report.utterance, report.verdict) == ("1-1", "confirm")
    told = in_words(tablevoice("why", "1-1", "--cell", file))
    assert "0.60 s of speech at -28 dBFS; to be confirmed." in told
    assert "heard “teal” (llr -0.31)" in told
    assert "second opinion's best scores: amber 2.5, none of them -1.0" in told
    assert "amber 90.0%, teal 4.0%, repeat 1.0%; none of them 5.0%" in told
    # confirming 0.95 x 1 + 0.05 x 2 + 0.05 x 4, asking 0.95 x 2 + 0.05 x 4, acting 0.1 x 24,
    # ignoring 0.95 x 6
    assert "cost: confirming 1.25, asking again 2.10, acting 2.40, ignoring 5.70." in told
    assert "wrong_answer below 12.5 (it was 24): acting on amber" in told


def test_what_is_said_to_turn_a_verdict_does_turn_it(tmp_path: Path) -> None:
    file = cell_at(tmp_path)
    cell = load_cell(file)
    play(cell, sound(amber=0.9, teal=0.04), sound(pause=0.3), sound(amber=0.5, pause=0.42),
         sound(amber=0.3, repeat=0.1))  # fmt: skip
    turned = 0
    for number in range(1, 5):
        plain = explained(past_utterance(cell, f"1-{number}"), Costs())
        assert plain["changes"]
        for change in plain["changes"]:
            past_it = change["turns_at"] + (
                1e-4 if change["turns_at"] >= change["now"] else -1e-4
            )
            costs = replace(Costs(), **{change["cost"]: past_it})
            again = explained(past_utterance(cell, f"1-{number}"), costs)["explanation"]
            done = {"act": "acted on", "confirm": "to be confirmed", "ask_again": "asked again",
                    "ignore": "ignored"}[change["verdict"]]  # fmt: skip
            # The hold that takes over an answer is acted on as well, on another meaning.
            assert any(line.endswith(f"today it would be {done}.") for line in again)
            turned += 1
    assert turned > 8


def test_a_hold_on_less_evidence_says_so(tmp_path: Path) -> None:
    file = cell_at(tmp_path)
    first, report = play(
        load_cell(file), sound(umbrella=0.6, amber=0.2),
        sound(hold_on=0.3, pause=0.2, amber=0.1),
    )  # fmt: skip
    told = in_words(tablevoice("why", first.utterance, "--cell", file))
    assert "nothing that could be said at that moment: “umbrella” 60.0%." in told
    assert report.on_less_evidence
    told = in_words(tablevoice("why", report.utterance, "--cell", file))
    assert "A hold acts on less evidence: 50%, where an answer needs 95%" in told
    assert "Not among the choices: confirming (standing commands are not)" in told
    assert "pause 50.0%, amber 10.0%; none of them 40.0%" in told
    assert "wrong_pause above" in told


def test_a_room_that_made_it_doubt_is_named(tmp_path: Path) -> None:
    cell_file = cell_at(tmp_path)
    (plain,) = play(load_cell(cell_file), sound("teal", teal=0.7))
    (doubting,) = play(load_cell(cell_file), replace(sound("teal", teal=0.7), room_doubt_nats=1.1))
    told = "“none of them” counts 3.0 times as much"
    assert told in tablevoice("why", doubting.utterance, "--cell", cell_file).output
    assert told not in tablevoice("why", plain.utterance, "--cell", cell_file).output


def test_without_probabilities_the_thresholds_are_named(tmp_path: Path) -> None:
    file = cell_at(tmp_path)
    (report, other) = play(load_cell(file), sound("amber"), sound("umbrella"))
    assert (report.verdict, other.verdict) == ("confirm", "ignore")
    told = in_words(tablevoice("why", other.utterance, "--cell", file))
    assert "Nothing that may be said now was likely." in told
    assert "act_above" not in told
    told = in_words(tablevoice("why", report.utterance, "--cell", file))
    assert "score 0.60, margin" in told
    assert "act_above 0.75" in told


def test_without_a_number_the_last_ones_are_listed(tmp_path: Path) -> None:
    file = cell_at(tmp_path)
    play(load_cell(file), sound(umbrella=0.9), sound(amber=0.5), sound(pause=0.6))
    lines = in_words(tablevoice("why", "--cell", file, "--last", 2)).splitlines()
    assert [re.split(r" {2,}", line.strip())[0] for line in lines] == ["1-2", "1-3"]
    assert lines[1].endswith("60%  acted on")


def test_as_json_everything_is_there(tmp_path: Path) -> None:
    file = cell_at(tmp_path)
    play(load_cell(file), sound("teal", amber=0.9, teal=0.04))
    found = json.loads(in_words(tablevoice("why", "1-1", "--cell", file, "--json")))
    assert found["reason"]["expected"]["act"] == pytest.approx(2.4)
    assert found["reason"]["costs"] == Costs().named()
    assert found["none_of_them"] == pytest.approx(0.06)
    assert {change["cost"] for change in found["changes"]} >= {"wrong_answer", "confirming"}
    assert found["explanation"][0].startswith("Utterance 1-1")
    every = json.loads(in_words(tablevoice("why", "--cell", file, "--json")))
    assert [row["utterance"] for row in every] == ["1-1"]


def test_costs_changed_since_are_told(tmp_path: Path) -> None:
    file = cell_at(tmp_path)
    play(load_cell(file), sound(amber=0.9, teal=0.04))
    assert "today" not in in_words(tablevoice("why", "1-1", "--cell", file))
    with file.open("a", encoding="utf-8") as more:
        more.write("listening: {costs: {wrong_answer: 10}}\n")
    told = in_words(tablevoice("why", "1-1", "--cell", file))
    assert "With the costs in the cell file today it would be acted on." in told


# --- marked as wrong --------------------------------------------------------------


def test_a_correction_is_noted_and_becomes_an_example(tmp_path: Path) -> None:
    file = cell_at(tmp_path)
    cell = load_cell(file)
    play(cell, sound(amber=0.97), sound(pause=0.6), sound(amber=0.5))
    done = in_words(tablevoice("correct", "1-1", "--said", "Teal please!", "--cell", file))
    assert "1-1 (amber, acted on) is noted as “teal please”" in done
    assert "kept for 7 days in all" in done
    nothing = in_words(tablevoice("correct", "1-2", "--nothing", "--cell", file))
    assert "noted as nothing said to the table" in nothing
    unknown = in_words(tablevoice("correct", "1-3", "--cell", file))
    assert "counted as wrong, no more" in unknown
    with History(cell.history_file, keep_audio_days=cell.keep_audio_days) as history:
        examples = history.corrected()
        assert history.corrections() == 3
    assert [(one.utterance, one.phrase) for one in examples] == [
        ("1-1", "teal please"), ("1-2", ""),
    ]  # fmt: skip
    assert all(one.samples.shape == (9600,) for one in examples)
    told = in_words(tablevoice("why", "1-1", "--cell", file))
    assert "A person marked this as wrong: “teal please” was said." in told


def test_a_correction_without_sound_is_counted_and_says_so(tmp_path: Path) -> None:
    file = cell_at(tmp_path, days=0)
    cell = load_cell(file)
    play(cell, sound(amber=0.97))
    done = in_words(tablevoice("correct", "1-1", "--said", "teal", "--cell", file))
    assert "Its sound was not kept (history.keep_audio_days): it is counted, no more." in done
    with History(cell.history_file) as history:
        assert (history.corrections(), history.corrected()) == (1, [])


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("why", "1-9"), "such as 1-1"),
        (("correct", "2-1", "--nothing"), "no utterance '2-1'"),
        (("correct", "1-1", "--said", "tael"), "Did you mean 'teal'?"),
        (("correct", "1-1", "--said", "teal", "--nothing"), "not both"),
    ],
)
def test_what_is_not_there_is_one_clear_error(
    tmp_path: Path, arguments: tuple[str, ...], words: str
) -> None:
    file = cell_at(tmp_path)
    play(load_cell(file), sound(amber=0.97))
    result = tablevoice(*arguments, "--cell", file)
    assert result.exit_code == 1
    assert result.stderr.startswith("error: ")
    assert words in result.stderr
    assert "marked this as wrong" not in in_words(tablevoice("why", "1-1", "--cell", file))


def test_a_table_that_never_ran_says_so_and_makes_no_history(tmp_path: Path) -> None:
    file = cell_at(tmp_path)
    for command in (("why",), ("why", "1-1"), ("correct", "1-1", "--nothing")):
        result = tablevoice(*command, "--cell", file)
        assert result.exit_code == 1
        assert "no history yet" in result.stderr
    assert not (tmp_path / "history.sqlite").exists()


def test_a_correction_in_a_simulated_session_is_answered_as_in_a_live_one(tmp_path: Path) -> None:
    file = cell_at(tmp_path)
    with file.open("a", encoding="utf-8") as more:
        more.write("store: {folder: store}\n")
    cell = load_cell(file)
    overheard: list[Send] = []
    with Assembly(cell) as parts:
        assert parts.history is not None
        with pytest.raises(RuntimeError, match="begin the history's session"):
            parts.open_table(1)
        parts.history.begin_session(cell.table, "0")
        quiet = Clip(np.zeros(16_000, np.float32), LISTENING_RATE_HZ)
        room = Room(quiet, arms=("Alder",), people=("visitor",), person_level_dbfs=None)
        with Record(None, parts.history) as record:
            table = parts.open_table(1)
            session = SimulatedSession(
                table, parts.open_ear(), room, parts.voices, record, overheard=overheard.append
            )
            (heard,) = [
                action for action in table.hear(sound(pause=0.2), 1.0) if isinstance(action, Send)
            ]
            record.sent(heard)
            session.receive(messages.Correct(utterance="1-1", said="pause", id="c1"))
            session.receive(messages.Correct(utterance="1-1", said="pausse", id="c2"))
            session.receive(messages.Correct(utterance="2-1", said="pause", id="c3"))
        assert parts.history.corrections() == 1
    kinds = [(sent.message.type, getattr(sent.message, "id", None)) for sent in overheard]
    assert kinds == [("corrected", "c1"), ("error", "c2"), ("error", "c3")]
