"""A person's sound beside the history: kept only if asked for, deleted when its days are over."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tablevoice.errors import StoreUnwritable
from tablevoice.history import History
from tablevoice.model import (
    Clip,
    Heard,
    Hypothesis,
    Match,
    Verdict,
)

NOON = datetime(2031, 5, 4, 12, 0, tzinfo=timezone.utc)
KILLS = 20


def heard(start_s: float = 2.0) -> Heard:
    return Heard(Hypothesis("violet", 0.8, True, {"score": -3.5}), start_s, start_s + 0.6, -31.0)


MATCH = Match("violet", "violet", 0.8, 0.4, "amber")


@pytest.fixture
def history(tmp_path: Path) -> Iterator[History]:
    with History(tmp_path / "history.db", utc_now=lambda: NOON) as opened:
        opened.begin_session("lantern table", "0.1")
        yield opened


# --- a person's sound -----------------------------------------------------------


def tone(rate_hz: int = 16_000) -> Clip:
    time_s = np.arange(rate_hz // 2) / rate_hz
    return Clip((0.3 * np.sin(2 * np.pi * 440 * time_s)).astype(np.float32), rate_hz)


def test_no_sound_is_kept_unless_asked_for(history: History) -> None:
    history.record_heard(1.0, heard(), MATCH, Verdict.ACT, audio=tone())
    assert history.session is not None
    assert history.utterances(history.session)[0].fields["audio_file"] is None
    assert not history.audio_folder.exists()


def test_sound_is_kept_as_flac_and_deleted_when_its_days_are_over(tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    now = NOON
    with History(path, keep_audio_days=7, utc_now=lambda: now) as history:
        history.begin_session("table", "0")
        history.record_heard(1.0, heard(), MATCH, Verdict.ACT, audio=tone())
        now = NOON + timedelta(days=5)
        history.record_heard(2.0, heard(), MATCH, Verdict.ACT, audio=tone())
        old, new = (
            history.audio_folder / entry.fields["audio_file"] for entry in history.utterances(1)
        )
        samples, rate_hz = soundfile.read(old, dtype="float32")
        assert soundfile.info(old).format == "FLAC"
        assert rate_hz == 16_000
        assert np.abs(samples - tone().samples).max() < 2 / 32768
        stray = history.audio_folder / "heard-000001-00099.flac"  # its row never came to be
        shutil.copy(old, stray)
        assert history.forget_old_audio(NOON + timedelta(days=8)) == 2
        assert not old.exists()
        assert not stray.exists()
        assert new.exists()
        kept = [entry.fields["audio_file"] for entry in history.utterances(1)]
        assert kept == [None, new.name]
    now = NOON + timedelta(days=30)
    with History(path, keep_audio_days=7, utc_now=lambda: now) as history:
        history.begin_session("table", "0")  # forgets by itself
        assert not new.exists()


def test_keeping_no_sound_any_more_deletes_what_was_kept(tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    with History(path, keep_audio_days=7) as history:
        history.begin_session("table", "0")
        history.record_heard(1.0, heard(), MATCH, Verdict.ACT, audio=tone())
        assert len(list(history.audio_folder.iterdir())) == 1
    with History(path) as history:
        history.begin_session("table", "0")
        assert list(history.audio_folder.iterdir()) == []
        assert history.utterances(1)[0].fields["audio_file"] is None
        assert history.utterances(1)[0].fields["text"] == "violet"


def test_sound_that_cannot_be_kept_is_one_clear_error(tmp_path: Path) -> None:
    with History(tmp_path / "history.db", keep_audio_days=1) as history:
        history.begin_session("table", "0")
        history.audio_folder.touch()  # a file where the folder should be
        with pytest.raises(StoreUnwritable, match="heard-000001"):
            history.record_heard(1.0, heard(), MATCH, Verdict.ACT, audio=tone())


@pytest.mark.parametrize("days", [-1.0, float("nan"), float("inf")])
def test_days_to_keep_must_be_a_number_of_days(tmp_path: Path, days: float) -> None:
    with pytest.raises(ValueError, match="keep_audio_days"):
        History(tmp_path / "history.db", keep_audio_days=days)


def test_a_moment_without_a_zone_is_refused(tmp_path: Path) -> None:
    with (
        History(tmp_path / "history.db", utc_now=lambda: datetime(2031, 5, 4)) as history,
        pytest.raises(ValueError, match="time zone"),
    ):
        history.begin_session("table", "0")
