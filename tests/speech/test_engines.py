"""The engine client against the real engine: what it says, and what it refuses."""

from __future__ import annotations

import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from tablevoice.errors import EngineFailed
from tablevoice.model import Voice
from tablevoice.speech.cleaning import plain_text
from tablevoice.speech.engines import LONGEST_TEXT, Engine
from tests.speech.signals import longest_pause_s, median_f0_hz

ALDER = Voice("Alder", voice="en-gb+m3", rate_wpm=150, pitch=40)
BRIAR = Voice("Briar", voice="en-us+f3", rate_wpm=165, pitch=60)
LINE = "Four lights. Call the colour that finishes it."


def test_a_line_is_speech_at_the_engines_own_rate(engine: Engine) -> None:
    clip = engine.render(LINE, ALDER)
    assert clip.samples.dtype == np.float32
    assert clip.samples.ndim == 1
    assert clip.rate_hz == 22_050
    # Nine words at 150 words a minute are 3.6 s; names and pauses pull either way.
    assert 2.0 < clip.duration_s < 5.5
    assert 0.1 < float(np.max(np.abs(clip.samples))) <= 1.0


def test_no_line_is_lost_in_a_row_of_many(engine: Engine) -> None:
    """pyttsx3 called twice in quick succession cancels the second line; none may be empty."""
    voices = [ALDER, BRIAR, Voice("Cho", voice="ko")]
    lengths: dict[str, set[float]] = {voice.name: set() for voice in voices}
    for count in range(120):
        voice = voices[count % 3]
        lengths[voice.name].add(round(engine.render("hello", voice).duration_s, 1))
    for voice in voices:
        clip = engine.render("hello", voice)
        assert clip.duration_s > 0.4
    assert all(len(found) <= 2 for found in lengths.values())


def test_two_arms_can_be_told_apart_by_pitch(engine: Engine) -> None:
    low = median_f0_hz(engine.render(LINE, ALDER))
    high = median_f0_hz(engine.render(LINE, BRIAR))
    assert 60 < low < high < 400
    assert high / low > 1.2


def test_pitch_setting_is_heard(engine: Engine) -> None:
    low, high = (Voice("A", voice="en-us", pitch=pitch) for pitch in (20, 80))
    assert median_f0_hz(engine.render(LINE, high)) > 1.2 * median_f0_hz(engine.render(LINE, low))


def test_a_faster_rate_is_a_shorter_line(engine: Engine) -> None:
    durations = [
        engine.render(LINE, Voice("A", rate_wpm=rate)).duration_s for rate in (100, 150, 200, 300)
    ]
    assert durations == sorted(durations, reverse=True)
    # Twice the words a minute: about half the time (pauses and rounding leave 20 %).
    assert durations[0] / durations[2] == pytest.approx(2.0, rel=0.2)


def test_gain_is_applied_and_held_below_full_scale(engine: Engine) -> None:
    def peak(gain_db: float) -> float:
        clip = engine.render("Amber.", Voice("A", gain_db=gain_db))
        return float(np.max(np.abs(clip.samples)))

    assert peak(-20.0) == pytest.approx(peak(0.0) / 10, rel=0.1)
    assert peak(60.0) == pytest.approx(1.0, abs=1e-6)


def test_another_language_speaks(engine: Engine) -> None:
    cho = Voice("Cho", voice="ko", rate_wpm=160)
    two, five, eight = (
        engine.render(text, cho).duration_s for text in ("안녕", "안녕하세요", "안녕하세요 여러분")
    )
    # Korean is written a block a syllable: three more are three more syllables of 0.1 to 0.3 s.
    assert 0.3 < five - two < 0.9
    assert 0.3 < eight - five < 0.9


@pytest.mark.parametrize(
    ("voice", "hint"),
    [
        ("nonsense", ""),
        ("en-us+f33", "en-us+f3"),
        ("en-gb-scottland", "en-gb-scotland"),
        ("en-us+F3", "en-us+f3"),
        ("en-us+", "en-us+"),
        ("en-us+f3+f2", "en-us+f"),
        ("+f3", ""),
        ("", ""),
        ("!v/f3", ""),
        ("../../etc/passwd", ""),
    ],
)
def test_an_unknown_voice_is_refused_never_replaced(engine: Engine, voice: str, hint: str) -> None:
    with pytest.raises(EngineFailed) as refused:
        engine.render("Amber.", Voice("Alder", voice=voice))
    assert refused.value.problem.where == "voice Alder"
    assert "Nearest: " in refused.value.problem.do
    assert hint in refused.value.problem.do


def test_the_first_line_of_a_fresh_engine_has_its_voice_checked_too() -> None:
    """Until a first line was spoken pyttsx3 holds settings back instead of trying them."""
    with Engine() as fresh, pytest.raises(EngineFailed, match="no voice 'nonsense'"):
        fresh.render("Amber.", Voice("Alder", voice="nonsense"))


def test_every_listed_variant_exists_and_a_language_names_a_voice(engine: Engine) -> None:
    names = engine.names()
    assert {"en-us", "en-gb", "en-gb-scotland", "ko", "fr-fr", "gmw/en-us"} <= set(names.voices)
    assert {f"m{n}" for n in range(1, 9)} | {f"f{n}" for n in range(1, 6)} <= set(names.variants)
    for variant in names.variants:
        assert engine.render("Amber.", Voice("A", voice=f"en-us+{variant}")).duration_s > 0.2
    for name in ("en-gb", "fr-fr", "EN-US", "gmw/en-us"):
        assert engine.render("Amber.", Voice("A", voice=name)).duration_s > 0.2


@pytest.mark.parametrize("text", ["", "   ", "\x01\x02", "...", "\u200b"])
def test_a_text_without_words_is_refused(engine: Engine, text: str) -> None:
    with pytest.raises(EngineFailed):
        engine.render(text, ALDER)


@pytest.mark.parametrize(
    "voice", [Voice("A", rate_wpm=20), Voice("A", rate_wpm=900), Voice("A", pitch=101)]
)
def test_settings_out_of_range_are_refused(engine: Engine, voice: Voice) -> None:
    with pytest.raises(EngineFailed, match="outside"):
        engine.render("Amber.", voice)


def test_the_systems_own_engine_speaks_or_says_why(engine: Engine) -> None:
    """``system`` is espeak-ng on Linux, and what the system brings elsewhere."""
    names = engine.names("system").voices
    voice = Voice("A", engine="system", voice="en-us" if "en-us" in names else names[0])
    assert engine.render("Amber.", voice, timeout_s=30.0).duration_s > 0.2


def test_the_voices_to_choose_from_are_short_names(engine: Engine) -> None:
    voices = engine.voices()
    assert len(voices) > 100
    assert {"en-us", "en-gb", "ko"} <= set(voices) <= set(engine.names().voices)


def test_an_unknown_engine_is_refused(engine: Engine) -> None:
    with pytest.raises(EngineFailed, match="no engine 'singing'"):
        engine.render("Amber.", Voice("A", engine="singing"))


def test_the_longest_text_is_spoken_and_a_longer_one_refused(engine: Engine) -> None:
    words = ("lantern " * 700)[: LONGEST_TEXT - 1] + "."
    fast = Voice("Alder", voice="en-gb+m3", rate_wpm=400)
    assert engine.render(words, fast, timeout_s=60.0).duration_s > 60.0
    with pytest.raises(EngineFailed, match="longer than 5000"):
        engine.render("x" * (LONGEST_TEXT + 1), ALDER)


def test_emoji_and_odd_characters_do_not_upset_it(engine: Engine) -> None:
    assert engine.render("\U0001f3ee lanterns \U0001f469\u200d\U0001f527", ALDER).duration_s > 0.4
    assert engine.render("caf\u00e9 \ud800 \u202e backwards \x00", ALDER).duration_s > 0.4


def test_threads_share_one_engine(engine: Engine) -> None:
    def duration(count: int) -> float:
        return engine.render("lantern " * (1 + count % 3), ALDER).duration_s

    with ThreadPoolExecutor(6) as pool:
        durations = list(pool.map(duration, range(18)))
    by_words = [sorted(durations[count::3]) for count in range(3)]
    assert by_words[0][-1] < by_words[1][0]
    assert by_words[1][-1] < by_words[2][0]


# --- text is data -----------------------------------------------------------------

EXECUTING = """
import sys
from tablevoice.speech import espeak_library
espeak_library.make_findable()
from pyttsx3.drivers import _espeak
_espeak.ENDPAUSE |= getattr(_espeak, sys.argv[1])  # what our engine must not do
import pyttsx3
engine = pyttsx3.init("espeak")
engine.setProperty("voice", "gmw/en-us")
engine.setProperty("rate", 160)
engine.save_to_file(sys.argv[2], sys.argv[3])
engine.runAndWait()
"""


def executed_s(flag: str, text: str, folder: Path) -> float:
    """Duration of a text when espeak-ng is told to obey what stands in it."""
    file = folder / "executed.wav"
    command = [sys.executable, "-c", EXECUTING, flag, text, str(file)]
    subprocess.run(command, check=True, timeout=60, capture_output=True)
    return float(soundfile.info(file).duration)


def test_markup_is_not_obeyed(engine: Engine, tmp_path: Path) -> None:
    text = 'Which <break time="4s"/> colour?'
    assert executed_s("SSML", text, tmp_path) > 4.5  # it would be a silence of four seconds
    clip = engine.render(text, Voice("A"))
    assert longest_pause_s(clip) < 1.0


def test_phoneme_codes_are_not_obeyed(engine: Engine, tmp_path: Path) -> None:
    text = "[[l'ant3n]]"
    obeyed_s = executed_s("PHONEMES", text, tmp_path)  # one short word
    assert engine.render(text, Voice("A")).duration_s > 1.5 * obeyed_s


def test_engine_commands_are_not_obeyed(engine: Engine) -> None:
    """U+0001 starts a command to espeak-ng: here, half the speed."""
    plain = engine.render("Which 80S colour shall we hang?", Voice("A", rate_wpm=160))
    tried = engine.render("Which \x0180S colour shall we hang?", Voice("A", rate_wpm=160))
    assert tried.duration_s == pytest.approx(plain.duration_s, rel=0.02)


@given(st.text(max_size=60))
def test_plain_text_holds_no_commands(text: str) -> None:
    for kind in ("espeak", "system"):
        words = plain_text(text, kind)
        assert words == plain_text(words, kind)
        assert "[[" not in words
        assert words.isprintable()
        words.encode("utf-8")
    assert not set("<>") & set(plain_text(text, "system"))


@settings(max_examples=60, deadline=None)
@given(text=st.text(max_size=40))
def test_any_text_is_spoken_or_refused(engine: Engine, text: str) -> None:
    refusal, peak = "", 0.0
    try:
        peak = float(np.max(np.abs(engine.render(text, ALDER, timeout_s=30.0).samples)))
    except EngineFailed as refused:
        refusal = str(refused)
    assert peak > 1e-3 or "can be spoken" in refusal or "made no sound" in refusal
