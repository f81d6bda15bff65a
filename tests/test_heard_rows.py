"""What the history keeps of an utterance: its reason, what it was in truth, its sound's days."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest

from tablevoice.history import History
from tablevoice.history_file import APPLICATION_ID, SCHEMA_STEPS
from tablevoice.listening.judging import Costs
from tablevoice.model import Clip, Heard, Hypothesis, Match, Reason, Verdict

NOON = datetime(2031, 5, 4, 12, 0, tzinfo=timezone.utc)
HEARD = Heard(
    Hypothesis("violet", 0.8, True, {"llr": -3.5}), 2.0, 2.6, -31.0,
    probabilities={"violet": 0.7, "teal": 0.1}, second_opinion={"violet": 1.25, "": -2.0},
)  # fmt: skip
MATCH = Match("violet", "violet", 0.7, 0.6, "teal", {"violet": 0.7, "teal": 0.1})
REASON = Reason(
    "The least expected cost.", "violet", {"violet": 0.7, "teal": 0.1}, {"violet": "violet"},
    {"umbrella": 0.1}, Costs().named(), {"act": 7.2, "confirm": 1.8}, {},
    ("act", "confirm"), 1.0, False,
)  # fmt: skip


class Clock:
    """A clock that goes when it is told to."""

    def __init__(self) -> None:
        self.now = NOON

    def __call__(self) -> datetime:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def keeping(tmp_path: Path, clock: Clock) -> Iterator[History]:
    """A history that may keep sound for a week."""
    with History(tmp_path / "h.sqlite", keep_audio_days=7, utc_now=clock) as history:
        history.begin_session("lantern table", "0")
        yield history


def hear(history: History, number: int, audio: bool = True) -> str:
    utterance = f"{history.session}-{number}"
    sound = Clip(np.full(1600, 0.01 * number, np.float32), 16_000)
    history.record_heard(
        2.7, HEARD, MATCH, Verdict.CONFIRM, sound if audio else None,
        utterance=utterance, reason=REASON,
    )  # fmt: skip
    return utterance


def test_an_utterance_comes_back_with_all_that_led_to_the_verdict(keeping: History) -> None:
    past = keeping.utterance(hear(keeping, 1))
    assert past is not None
    assert past.reason == REASON
    assert (past.text, past.meaning, past.phrase, past.verdict) == (
        "violet", "violet", "violet", "confirm",
    )  # fmt: skip
    assert (past.evidence, past.probabilities) == ({"llr": -3.5}, HEARD.probabilities)
    assert past.second_opinion == HEARD.second_opinion
    assert (past.level_dbfs, past.start_s, past.end_s) == (-31.0, 2.0, 2.6)
    assert (past.corrected, past.said, past.sound_kept) == (False, None, True)
    assert keeping.utterance("1-2") is None


def test_the_last_ones_come_oldest_first(keeping: History) -> None:
    for number in range(1, 6):
        hear(keeping, number)
    assert [past.utterance for past in keeping.last_heard(3)] == ["1-3", "1-4", "1-5"]


def test_a_number_is_given_once(keeping: History) -> None:
    hear(keeping, 1)
    with pytest.raises(sqlite3.IntegrityError):
        hear(keeping, 1)


def test_corrections_become_examples_where_their_sound_is_kept(keeping: History) -> None:
    hear(keeping, 1)
    hear(keeping, 2)
    hear(keeping, 3, audio=False)
    hear(keeping, 4)
    hear(keeping, 5)
    for number, said in [("1-1", "teal"), ("1-2", ""), ("1-3", "teal"), ("1-4", None)]:
        corrected = keeping.correct(number, said)
        assert corrected is not None
        assert (corrected.corrected, corrected.said) == (True, said)
    assert keeping.correct("9-9", "teal") is None
    assert keeping.corrections() == 4
    examples = keeping.corrected()
    assert [(one.utterance, one.phrase) for one in examples] == [("1-1", "teal"), ("1-2", "")]
    assert examples[1].samples.shape == (1600,)
    assert float(examples[1].samples[0]) == pytest.approx(0.02, abs=1e-4)


def test_a_later_correction_replaces_an_earlier_one(keeping: History) -> None:
    hear(keeping, 1)
    keeping.correct("1-1", "teal")
    keeping.correct("1-1", "")
    assert keeping.corrections() == 1
    assert [one.phrase for one in keeping.corrected()] == [""]


def test_a_correction_does_not_keep_sound_for_longer(tmp_path: Path, keeping: History,
                                                     clock: Clock) -> None:  # fmt: skip
    hear(keeping, 1)
    keeping.correct("1-1", "teal")
    clock.now = NOON + timedelta(days=7, minutes=1)
    # Too old to be learnt from even before anybody came to delete it.
    assert list(keeping.audio_folder.iterdir()) != []
    assert keeping.corrected() == []
    hear(keeping, 2)  # the same long session: keeping more deletes what is too old
    assert [file.name for file in keeping.audio_folder.iterdir()] == ["heard-000001-00002.flac"]
    past = keeping.utterance("1-1")
    assert past is not None
    assert (past.corrected, past.said, past.sound_kept) == (True, "teal", False)
    assert keeping.corrections() == 1


def test_who_keeps_no_sound_any_more_learns_from_none(tmp_path: Path) -> None:
    path = tmp_path / "h.sqlite"
    with History(path, keep_audio_days=7) as history:
        history.begin_session("t", "0")
        hear(history, 1)
        history.correct("1-1", "teal")
    with History(path) as history:
        assert history.corrected() == []
        assert history.corrections() == 1


# --- the schema before it ---------------------------------------------------------


def former_history(path: Path) -> None:
    """A file as the former version wrote it: schema 1, a session, sound, a hold in force."""
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    for statement in SCHEMA_STEPS[0].split(";"):
        db.execute(statement)
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    db.execute("PRAGMA user_version = 1")
    utc = "2031-05-04T12:00:00.000Z"
    db.execute("INSERT INTO session VALUES (1, 'lantern table', '0.0', ?, ?, 'closed')", (utc, utc))
    for row in range(1, 4):
        db.execute(
            "INSERT INTO heard (id, session, at_s, utc, text, meaning, certainty, margin, verdict,"
            " start_s, end_s, level_dbfs, during_speech, evidence, audio_file)"
            " VALUES (?, 1, ?, ?, 'teal', 'teal', 0.8, 0.4, 'act', 1.0, 1.5, -30.0, 0, '{}', ?)",
            (row, float(row), utc, f"heard-000001-0000{row}.flac"),
        )
    db.execute(
        "INSERT INTO hold (session, at_s, utc, change, kind) VALUES (1, 4.0, ?, 'requested',"
        " 'pause')", (utc,),
    )  # fmt: skip
    db.execute("INSERT INTO spent VALUES (1, 'lit', 'Alder', 'k', 2, 1)")
    db.close()


def test_a_history_of_the_former_version_goes_on_with_all_its_rows(tmp_path: Path) -> None:
    path = tmp_path / "h.sqlite"
    former_history(path)
    with History(path, keep_audio_days=3650, utc_now=lambda: NOON) as history:
        assert history.problem is None
        assert history.hold_in_force() == "pause"
        assert [spent.round for spent in history.spent()] == [2]
        old = history.utterances(1)
        assert [entry.fields["text"] for entry in old] == ["teal"] * 3
        assert [entry.fields["audio_file"] for entry in old] == [
            f"heard-000001-0000{row}.flac" for row in (1, 2, 3)
        ]
        assert history.last_heard() == ()  # they had no number
        assert history.begin_session("lantern table", "1") == 2
        assert history.utterance(hear(history, 1)) is not None
    with sqlite3.connect(path) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (len(SCHEMA_STEPS),)
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert db.execute("PRAGMA foreign_key_check").fetchall() == []


@pytest.mark.parametrize("fails_at", range(1, len(SCHEMA_STEPS[1].split(";")) + 1))
def test_an_upgrade_that_is_cut_short_leaves_the_former_version_as_it_was(
    tmp_path: Path, fails_at: int
) -> None:
    path = tmp_path / "h.sqlite"
    former_history(path)
    statements = SCHEMA_STEPS[1].split(";")
    broken = ";".join([*statements[:fails_at], " DROP TABLE not_there"])
    with pytest.raises(Exception, match="not_there"):
        History(path, schema_steps=(SCHEMA_STEPS[0], broken))
    with sqlite3.connect(path) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (1,)
    with History(path) as history:
        assert len(history.utterances(1)) == 3
        assert history.hold_in_force() == "pause"
