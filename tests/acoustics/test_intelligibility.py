"""The speech intelligibility index, held against published values and against another's code.

The other code is the package ``speech-intelligibility-index`` (one-third octave bands). It
takes spectrum levels in dB SPL, as ours does, and no band levels.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from speech_intelligibility_index import sii as another

from tablevoice.acoustics.intelligibility import (
    GOOD_FROM,
    OCTAVES,
    THIRD_OCTAVES,
    Procedure,
    raise_needed_db,
    understood,
)

PROCEDURES = pytest.mark.parametrize("procedure", [OCTAVES, THIRD_OCTAVES], ids=lambda p: p.name)

# Test inputs of the working group that keeps the standard, for its one-third octave
# procedure; the results are those of its own program.
GROUP_SPEECH = [90, 5, *[40] * 12, *[-10] * 4]
GROUP_NOISE = [10, -10, -10, 75, *[-10] * 10, *[10] * 4]
GROUP_LOSS = [90, *[0] * 17]


def test_the_standards_example_in_octaves() -> None:
    # ANSI S3.5-1997, annex C, example C.1: 0.504.
    found = understood([50, 40, 40, 30, 20, 0], [70, 65, 45, 25, 1, -15], OCTAVES)
    assert found.index == pytest.approx(0.504, abs=5e-4)


def test_the_standards_example_in_thirds() -> None:
    # ANSI S3.5-1997, annex C, example C.2, with the working group's program: 0.8513748619.
    assert understood(54.0, [40, 30, 20, *[0] * 15]).index == pytest.approx(0.8513748619, abs=1e-9)


def test_the_working_groups_inputs_with_a_hearing_loss() -> None:
    found = understood(GROUP_SPEECH, GROUP_NOISE, hearing_threshold_db=GROUP_LOSS)
    assert found.index == pytest.approx(0.4453910059, abs=1e-9)


def test_the_working_groups_inputs_with_other_importances() -> None:
    weights = [*[0.0] * 9, *[0.1] * 7, 0.3, 0.0]
    found = understood(
        GROUP_SPEECH, GROUP_NOISE, hearing_threshold_db=GROUP_LOSS, importance=weights
    )
    assert found.index == pytest.approx(0.4382176540, abs=1e-9)


def test_normal_speech_in_noise_with_a_flat_loss() -> None:
    # The working group's program: 0.2184539329.
    found = understood(THIRD_OCTAVES.normal_speech_db, 30.0, hearing_threshold_db=40.0)
    assert found.index == pytest.approx(0.2184539329, abs=1e-9)


bands = st.lists(
    st.floats(-30.0, 100.0, allow_nan=False), min_size=18, max_size=18
)  # fmt: skip


@settings(max_examples=200, deadline=None)
@given(bands, bands, st.lists(st.floats(0.0, 80.0), min_size=18, max_size=18))
def test_thirds_agree_with_the_other_package(
    speech: list[float], noise: list[float], loss: list[float]
) -> None:
    theirs = float(another.sii(speech, noise, loss))
    assert understood(speech, noise, hearing_threshold_db=loss).index == pytest.approx(
        theirs, abs=1e-9
    )


def test_the_table_of_thirds_is_that_of_the_other_package() -> None:
    assert THIRD_OCTAVES.normal_speech_db == pytest.approx(another.speech_spectrum("normal"))
    assert THIRD_OCTAVES.importance == pytest.approx(another.band_importance(1))
    assert THIRD_OCTAVES.bandwidth_db == pytest.approx(another.bandwidth_db)


@PROCEDURES
def test_importances_sum_to_one_and_normal_speech_has_its_level(procedure: Procedure) -> None:
    # S3.5-1997, table 3: normal effort has an overall level of 62.35 dB.
    assert procedure.importance.sum() == pytest.approx(1.0, abs=1e-9)
    power = 10.0 ** ((procedure.normal_speech_db + procedure.bandwidth_db) / 10.0)
    assert 10.0 * np.log10(power.sum()) == pytest.approx(62.35, abs=0.25)


@PROCEDURES
@settings(max_examples=100, deadline=None)
@given(data=st.data())
def test_more_noise_never_helps_and_the_index_keeps_its_bounds(
    procedure: Procedure, data: st.DataObject
) -> None:
    count = len(procedure.centres_hz)
    levels = st.lists(st.floats(-60.0, 130.0), min_size=count, max_size=count)
    speech, noise = np.array(data.draw(levels)), np.array(data.draw(levels))
    found = understood(speech, noise, procedure)
    worse = understood(speech, noise + data.draw(st.floats(0.0, 40.0)), procedure)
    assert 0.0 <= worse.index <= found.index + 1e-12 <= 1.0 + 1e-9


def test_a_low_noise_masks_what_lies_above_it_in_thirds_only() -> None:
    drone = np.full(18, -50.0)
    drone[2] = 90.0  # 250 Hz, loud
    found = understood(THIRD_OCTAVES.normal_speech_db, drone)
    quiet = understood(THIRD_OCTAVES.normal_speech_db, None)
    assert found.audibility[4] < quiet.audibility[4]  # 400 Hz, where there is no noise


@PROCEDURES
def test_a_raise_is_the_least_that_does(procedure: Procedure) -> None:
    speech = procedure.normal_speech_db + 0.0
    noise = procedure.normal_speech_db - 2.0
    needed_db = raise_needed_db(speech, noise, procedure, most_db=30.0)
    assert needed_db is not None
    assert understood(speech + needed_db, noise, procedure).index >= GOOD_FROM
    assert understood(speech + needed_db - 0.5, noise, procedure).index < GOOD_FROM
    assert raise_needed_db(speech, noise, procedure, most_db=needed_db - 0.5) is None
    assert raise_needed_db(speech, noise - 60.0, procedure, most_db=-3.0) == 0.0


@pytest.mark.parametrize(
    "speech", [[1.0, 2.0], [float("nan")] * 18, [[0.0] * 18]], ids=["short", "nan", "nested"]
)
def test_what_is_no_spectrum_is_refused(speech: list[float]) -> None:
    with pytest.raises(ValueError, match=r"shape|finite"):
        understood(speech)
