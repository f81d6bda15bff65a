"""The measurement behind the colours: its distance, its noise, and a small run of it."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmarks.colour_words import (
    ACT_ABOVE,
    CANDIDATES,
    CHOOSING_VOICES,
    CONFIRM_ABOVE,
    CONFIRMING,
    E_SET,
    NEAREST_ALLOWED,
    RATE_HZ,
    REPORTING_VOICES,
    RUN_OFF_VOICES,
    SPELLING,
    STANDING,
    Colour,
    Trial,
    good_rate,
    in_noise,
    may_stand_together,
    mean_distance,
    nearest_pair,
    phone_distance,
    pronunciations,
    run_trials,
    set_score,
    speak_all,
    tell_apart_by_eye,
)
from tablevoice.cell import load_cell
from tablevoice.phrasebook import load_phrasebook
from tablevoice.shipped import shipped

BOOK = load_phrasebook(shipped("lantern_strings.yaml"))
CHOSEN = tuple(BOOK.questions["colour"].answers)
HARD = ("amber", "turquoise", "coral", "purple")
"""Candidates that the measurement found badly heard."""

PHONES = sorted(
    {phone for word in CANDIDATES for way in pronunciations(word.word) for phone in way}
)
words = st.lists(st.sampled_from(PHONES), min_size=1, max_size=6)


@given(words, words)
def test_the_phone_distance_is_symmetric_and_zero_for_the_same(
    one: list[str], two: list[str]
) -> None:
    assert phone_distance(one, one) == 0.0
    assert phone_distance(one, two) == pytest.approx(phone_distance(two, one))
    if one != two:
        assert phone_distance(one, two) > 0.0


@given(words, words, words)
def test_no_detour_through_another_word_is_shorter_than_its_own_spelling(
    one: list[str], two: list[str], more: list[str]
) -> None:
    # the same sounds before or after both words cannot move them apart
    assert phone_distance(more + one, more + two) <= phone_distance(one, two) + 1e-9
    assert phone_distance(one + more, two + more) <= phone_distance(one, two) + 1e-9


def test_the_e_set_is_far_nearer_together_than_the_spelling_words() -> None:
    # The E-set as the classic hard set of letter recognition and the ICAO spelling
    # alphabet as the set made to be distinct (both from memory).
    assert mean_distance(SPELLING) > 4 * mean_distance(E_SET)
    assert nearest_pair(SPELLING)[0] > max(
        phone_distance(*pair)
        for pair in itertools.combinations((pronunciations(w)[0] for w in E_SET), 2)
    )


def test_the_recogniser_agrees_about_the_e_set() -> None:
    clips = speak_all([*E_SET, *SPELLING], CHOOSING_VOICES[:2])
    rates = []
    for words_ in (E_SET, SPELLING):
        trials = run_trials(words_, clips, snrs_db=(10.0,))
        rates.append(sum(t.right for t in trials) / len(trials))
    assert rates[1] > rates[0] + 0.2


def test_chosen_colours_keep_apart_and_away_from_the_commands() -> None:
    by_word = {colour.word: colour for colour in CANDIDATES}
    assert may_stand_together([by_word[word] for word in CHOSEN])
    assert nearest_pair(CHOSEN, (*STANDING, *CONFIRMING))[0] >= NEAREST_ALLOWED
    assert not set(CHOSEN) & {"red", "green", "blue", "yellow"}


def test_the_measured_commands_are_those_of_the_phrasebook() -> None:
    phrases = {phrase for command in BOOK.standing.values() for phrase in command.phrases}
    assert phrases == set(STANDING)


def test_no_voice_that_reports_was_used_to_choose() -> None:
    used = [name.partition("+")[2] for name, _ in (*CHOOSING_VOICES, *RUN_OFF_VOICES)]
    reporting = [name.partition("+")[2] for name, _ in REPORTING_VOICES]
    assert not set(used) & set(reporting)
    assert len({*used, *reporting}) == len(used) + len(reporting)


@pytest.mark.parametrize("snr_db", [0.0, 5.0, 10.0])
def test_the_ratio_of_word_to_noise_is_what_it_says(snr_db: float) -> None:
    rng = np.random.default_rng(5)
    word = (0.1 * np.sin(2 * np.pi * 300 * np.arange(RATE_HZ) / RATE_HZ)).astype(np.float32)
    mix = in_noise(word, snr_db, rng)
    pad = (len(mix) - len(word)) // 2
    middle = mix[pad:-pad]
    # the word is known up to its level, so what is left over is the noise
    level = float(middle @ word) / float(word @ word)
    noise = middle - level * word
    got_db = 10 * np.log10(np.mean((level * word) ** 2) / np.mean(noise**2))
    assert got_db == pytest.approx(snr_db, abs=0.6)


def test_the_score_counts_a_word_that_takes_in_others() -> None:
    # heard whenever it is said, and also for every "stop": worth half
    trials = [Trial("amber", "amber", 0.9, "v", 5.0), Trial("stop", "amber", 0.9, "v", 5.0)]
    assert set_score(trials, ("amber",))[0] == pytest.approx(0.5)


def test_the_score_counts_what_is_certain_enough_only() -> None:
    # half of the right ones are too unsure to be asked back about, and so is the "stop"
    unsure = CONFIRM_ABOVE - 0.01
    trials = [
        Trial("amber", "amber", CONFIRM_ABOVE, "v", 5.0),
        Trial("amber", "amber", unsure, "v", 5.0),
        Trial("stop", "amber", unsure, "v", 5.0),
    ]
    worst, _, sure, _ = set_score(trials, ("amber",))
    assert worst == pytest.approx(0.5)
    assert sure == 0.0


def test_good_and_sure_begin_where_the_lantern_table_confirms_and_acts() -> None:
    listening = load_cell(shipped("lantern_table.yaml")).listening
    assert (listening.confirm_above, listening.act_above) == (CONFIRM_ABOVE, ACT_ABOVE)


def test_look_alikes_do_not_stand_together() -> None:
    teal, turquoise = Colour("teal", "blue-green"), Colour("turquoise", "blue-green")
    emerald, golden = Colour("emerald", "green"), Colour("golden", "orange-yellow")
    assert not tell_apart_by_eye(teal, turquoise)
    assert not tell_apart_by_eye(emerald, teal)
    assert not tell_apart_by_eye(teal, emerald)
    assert tell_apart_by_eye(teal, golden)


def test_in_a_small_run_the_chosen_colours_beat_confusable_ones() -> None:
    voices = REPORTING_VOICES[:4]
    clips = speak_all([*CHOSEN, *HARD], voices)
    worst = {}
    for four in (CHOSEN, HARD):
        trials = run_trials([*four, *STANDING], clips, said=four, snrs_db=(10.0,))
        worst[four] = min(good_rate(trials, word) for word in four)
    assert worst[CHOSEN] > worst[HARD]
