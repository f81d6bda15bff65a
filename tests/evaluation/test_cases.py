"""The plan: pieces that follow each other, borders between words, keys by contents."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from tablevoice.evaluation.cases import UNCUT_S, Case, NoiseChoice, cut, plan
from tablevoice.evaluation.manifest import Recording, SpokenWord

SHOP = NoiseChoice("shop", made=True)


def recording(duration_s: float, words: tuple[SpokenWord, ...] = ()) -> Recording:
    return Recording(Path("a.wav"), "a.wav", 2, "abc", duration_s, words, "Ann", "booth")


@st.composite
def long_recordings(draw: st.DrawFn) -> tuple[float, list[SpokenWord]]:
    gaps = draw(st.lists(st.tuples(st.floats(0.5, 40.0), st.floats(0.2, 1.5)), max_size=20))
    words, at_s = [], 0.0
    for gap_s, lasts_s in gaps:
        words.append(SpokenWord("teal", "teal", at_s + gap_s, at_s + gap_s + lasts_s))
        at_s += gap_s + lasts_s
    return at_s + draw(st.floats(1.0, 400.0)), words


@settings(deadline=None, max_examples=40)
@given(long_recordings())
def test_pieces_cover_a_recording_and_no_border_cuts_a_word(
    found: tuple[float, list[SpokenWord]],
) -> None:
    duration_s, words = found
    pieces = cut(duration_s, words)
    assert pieces[0][0] == 0.0
    assert pieces[-1][1] == duration_s
    for (start_s, stop_s), (next_s, _) in itertools.pairwise(pieces):
        assert stop_s == next_s
        assert start_s < stop_s
    assert len(pieces) == 1 or all(stop_s - start_s <= UNCUT_S + 10.0 for start_s, stop_s in pieces)
    for border_s, _ in pieces[1:]:
        for word in words:
            assert word.start_s is not None
            assert word.end_s is not None
            assert not word.start_s < border_s < word.end_s


def test_every_word_is_in_one_piece() -> None:
    words = tuple(SpokenWord("teal", "teal", at_s, at_s + 0.5) for at_s in range(5, 395, 7))
    cases = plan([recording(400.0, words)], (), (), {})
    assert len(cases) > 4
    assert [word for case in cases for word in case.words] == list(words)
    assert [case.last for case in cases] == [False] * (len(cases) - 1) + [True]


def test_every_noise_meets_every_ratio_and_the_plain_recording_comes_first() -> None:
    pump = NoiseChoice("pump", made=True)
    cases = plan([recording(1.0), recording(2.0)], (SHOP, pump), (10.0, None, 0.0), {})
    assert [(case.recording, case.noise and case.noise.name, case.snr_db) for case in cases] == [
        (0, None, None), (1, None, None),
        (0, "shop", 10.0), (1, "shop", 10.0), (0, "shop", 0.0), (1, "shop", 0.0),
        (0, "pump", 10.0), (1, "pump", 10.0), (0, "pump", 0.0), (1, "pump", 0.0),
    ]  # fmt: skip
    assert len(plan([recording(1.0)], (), (), {})) == 1


def test_a_key_is_of_the_contents_and_the_noise_the_same_at_all_ratios() -> None:
    word = SpokenWord("teal", "teal")
    case = Case(0, "a.wav", "abc", 0.0, 1.0, True, (word,), SHOP, 10.0)
    assert replace(case, recording=7, path="elsewhere/a.wav").key() == case.key()
    others = [
        replace(case, content="abd"), replace(case, words=()), replace(case, snr_db=5.0),
        replace(case, noise=NoiseChoice("pump", made=True)), replace(case, stop_s=2.0),
        replace(case, noise=NoiseChoice("shop", False, "shop.wav", "f00")),
    ]  # fmt: skip
    assert len({case.key(), *(other.key() for other in others)}) == len(others) + 1
    assert replace(case, snr_db=-5.0).seed("shop") == case.seed("shop")
    assert others[0].seed("shop") != case.seed("shop")
    assert case.seed("pump") != case.seed("shop")
