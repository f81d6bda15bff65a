"""Marks and pronunciations in the sound of real engines, and texts that would be commands."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from tablevoice import ipa, markup
from tablevoice.errors import EngineFailed
from tablevoice.markup import Pieces
from tablevoice.model import Clip, Pronunciation, Voice
from tablevoice.phrasebook.slots import fill_marked
from tablevoice.speech.cleaning import plain_pieces
from tablevoice.speech.engines import Engine
from tablevoice.speech.espeak_ssml import MNEMONICS, espeak_ssml
from tablevoice.speech.parts import parts_of
from tablevoice.speech.trimming import trim
from tests.speech.signals import longest_pause_s

ESPEAK = Voice("Alder", voice="en-us")
PIPER = Voice("Briar", engine="piper", voice="en_US-joe-medium")
HIBARI = Voice("Cho", engine="hibari", voice="heart")
EVERY = [pytest.param(voice, id=voice.engine) for voice in (ESPEAK, PIPER, HIBARI)]

ENTRIES = {"zaffre": Pronunciation("ˈzæfə", "zaffer"), "lichen": Pronunciation("", "lyken")}


def said(marked: str) -> Pieces:
    return markup.pronounced(markup.parse(marked), ENTRIES)


def lasts_s(engine: Engine, words: str | Pieces, voice: Voice) -> float:
    return trim(engine.render(words, voice, 60.0)).duration_s


@pytest.mark.parametrize("voice", EVERY)
def test_a_voice_speaks_at_a_pace_of_people(engine: Engine, voice: Voice) -> None:
    clip = engine.render("Four lights. Call the colour that finishes it.", voice, 60.0)
    assert clip.samples.dtype == np.float32
    assert clip.rate_hz in (22_050, 24_000)
    assert 2.0 < clip.duration_s < 5.0
    faster = Voice("A", voice.engine, voice.voice, rate_wpm=240)
    slower = Voice("A", voice.engine, voice.voice, rate_wpm=110)
    line = "Call the colour."
    assert lasts_s(engine, line, slower) > 1.5 * lasts_s(engine, line, faster)


@pytest.mark.parametrize("voice", EVERY)
@pytest.mark.parametrize("wanted_s", [0.5, 1.0, 2.0])
def test_a_pause_lasts_as_long_as_is_written(engine: Engine, voice: Voice, wanted_s: float) -> None:
    clip = engine.render(said(f"I said crimson |{wanted_s}s| not teal."), voice, 60.0)
    assert longest_pause_s(clip) == pytest.approx(wanted_s, abs=0.12)


@pytest.mark.parametrize("voice", EVERY)
def test_emphasis_makes_words_longer_and_louder(engine: Engine, voice: Voice) -> None:
    """The word stands between two pauses, so that it can be cut out."""

    def word(marked: str) -> Clip:
        clip = engine.render(said(f"I said |1s| {marked} |1s| just now."), voice, 60.0)
        loud = np.flatnonzero(np.abs(clip.samples) > 10 ** (-50 / 20))
        first, second = np.flatnonzero(np.diff(loud) > 0.7 * clip.rate_hz)
        return Clip(clip.samples[loud[first + 1] : loud[second]], clip.rate_hz)

    plain, strong = word("crimson lantern"), word("_crimson lantern_")
    assert 1.05 < strong.duration_s / plain.duration_s < 1.4
    rms_db = [10 * np.log10(np.mean(clip.samples**2)) for clip in (plain, strong)]
    assert 0.5 < rms_db[1] - rms_db[0] < 4.0
    assert np.max(np.abs(strong.samples)) < 1.0


@pytest.mark.parametrize("voice", EVERY)
def test_sounds_are_said_in_place_of_letters(engine: Engine, voice: Voice) -> None:
    """The same spelling with sounds of other words lasts as those words do."""
    for sounds, word in (("ˈlæntən", "lantern"), ("ˈvaɪələt", "violet")):
        pieces = (markup.Words("Call "), markup.Words("no", said_as=Pronunciation(sounds)))
        as_written = lasts_s(engine, "Call no", voice)
        wanted = lasts_s(engine, f"Call {word}", voice)
        assert lasts_s(engine, pieces, voice) == pytest.approx(wanted, rel=0.2)
        assert wanted > 1.15 * as_written


@pytest.mark.parametrize("voice", EVERY)
def test_a_respelling_is_said_as_it_would_be_written(engine: Engine, voice: Voice) -> None:
    clip = engine.render(said("Call lichen."), voice, 60.0)
    other = engine.render("Call lyken.", voice, 60.0)
    assert clip.duration_s == pytest.approx(other.duration_s, rel=0.05)


TRACING = """
import ctypes, json, sys
from tablevoice.speech import espeak_library
library = ctypes.CDLL(str(espeak_library.wheel_path()))
library.espeak_Initialize(2, 0, str(espeak_library.wheel_data()).encode(), 0x8000)
library.espeak_SetSynthCallback(None)
c = ctypes.CDLL(None)
c.fopen.restype = ctypes.c_void_p
library.espeak_SetPhonemeTrace.argtypes = [ctypes.c_int, ctypes.c_void_p]
c.fclose.argtypes = [ctypes.c_void_p]
voice, file, texts = sys.argv[1], sys.argv[2], json.loads(sys.argv[3])
library.espeak_SetVoiceByName(voice.encode())
said = []
for text in texts:
    stream = c.fopen(file.encode(), b"w")
    library.espeak_SetPhonemeTrace(3, stream)
    data = text.encode() + b"\\0"
    library.espeak_Synth(data, len(data), 0, 0, 0, int(sys.argv[4]), None, None)
    library.espeak_Synchronize()
    library.espeak_SetPhonemeTrace(0, None)
    c.fclose(stream)
    said.append(open(file, encoding="utf-8").read().strip())
print(json.dumps(said))
"""


def traced(voice: str, texts: list[str], flags: int, folder: Path) -> list[str]:
    """What espeak-ng says of each text, in IPA, by its own report."""
    command = [sys.executable, "-c", TRACING, voice, str(folder / "trace"), json.dumps(texts)]
    done = subprocess.run(
        [*command, str(flags)], capture_output=True, text=True, timeout=60, check=True
    )
    told: list[str] = json.loads(done.stdout)
    return told


@pytest.mark.skipif(sys.platform == "win32", reason="the trace goes to a stream of the C library")
@pytest.mark.parametrize("voice", ["en-us", "en-gb"])
def test_espeak_says_each_sound_that_it_is_given(voice: str, tmp_path: Path) -> None:
    """What espeak-ng reports (in IPA) of its own names of sounds, against the IPA they stand for.

    Compared as ARPABET, which is what tells words apart: the two accents differ below that.
    """
    symbols = [symbol for symbol in MNEMONICS if symbol in ipa.ARPABET_OF]
    vowel = {s for s in symbols if ipa.ARPABET_OF[s][0] in "AEIOU"}
    words = [f"[[s'{MNEMONICS[s]}t]]" if s in vowel else f"[[a#{MNEMONICS[s]}'i:t]]"
             for s in symbols]  # fmt: skip
    told = traced(voice, words, 0x101, tmp_path)
    wrong = []
    for symbol, spoken in zip(symbols, told, strict=True):
        given = f"sˈ{symbol}t" if symbol in vowel else f"ɐ{symbol}ˈiːt"
        if _alike(ipa.arpabet(given)) != _alike(ipa.arpabet(spoken.replace("ˑ", ""))):
            wrong.append((symbol, spoken))
    assert wrong == []


STOPPED = [
    "Call _crimson_.", "Call _crimson_, please.", "_Crimson_! | Now.", "Call zaffre.",
    "Call zaffre, please.", "Call zaffre! || Now.", "Zaffre. Now.", "Zaffre. | _Now_.",
    "_Zaffre_. _Now_!", "“_Zaffre_”, | he said.", "Lichen. | Lichen, _lichen_.", "_Go_... on.",
    "(_Go_) | on?", "Zaffre... _go_ on.", "_Zaffre_: go; | _lichen_: stay.", "Go. || Zaffre",
]  # fmt: skip


@pytest.mark.skipif(sys.platform == "win32", reason="the trace goes to a stream of the C library")
@pytest.mark.parametrize("marked", STOPPED)
def test_espeak_reads_no_mark_aloud(marked: str, tmp_path: Path) -> None:
    """As many stressed words as there are in the line: no "dot", no "slash", no "break"."""
    document = espeak_ssml(said(marked), english=True)
    plain_words = markup.plain(marked).replace("Zaffre", "amber").replace("zaffre", "amber")
    (told,) = traced("en-us", [document], 0x111, tmp_path)
    (wanted,) = traced("en-us", [plain_words], 0x101, tmp_path)
    for aloud in ("dˈɑːt", "slˈæʃ", "bɹˈeɪk", "ˈɛmfɐsɪs", "lˈɛs", "kˈoʊlən"):
        assert aloud not in told
        assert aloud not in wanted
    assert len(told.split()) == len(wanted.split())


def _alike(phones: str) -> str:
    """Vowels that one accent or the other has no more than one of; an r that is not said."""
    for one, other in (
        ("AA", "AO"),
        (" R ", " "),
        ("ER", "AH"),
        ("EH", "AE"),
        ("UH", "AO"),
        ("IY AH", "IH"),
    ):
        phones = phones.replace(one, other)
    return phones


@pytest.mark.parametrize("voice", EVERY)
def test_sounds_that_an_engine_cannot_say_are_refused_with_what_to_do(
    engine: Engine, voice: Voice
) -> None:
    alone = (markup.Words("Weg", said_as=Pronunciation("ve\u2603k")),)
    with pytest.raises(EngineFailed) as refused:
        engine.render(alone, voice, 60.0)
    assert "say:" in str(refused.value) or "no sound of English" in str(refused.value)
    assert engine.render("Amber.", voice, 60.0).duration_s > 0.2


def test_sounds_are_for_english_espeak_voices_and_a_respelling_does_elsewhere(
    engine: Engine,
) -> None:
    german = Voice("Dora", voice="de")
    alone = (markup.Words("Laterne", said_as=Pronunciation("laˈtɛrnə")),)
    with pytest.raises(EngineFailed, match="English voices only"):
        engine.render(alone, german)
    both = (markup.Words("Laterne", said_as=Pronunciation("laˈtɛrnə", "Laterrne")),)
    assert engine.render(both, german).duration_s > 0.4


# --- text is data, in marked lines too ----------------------------------------------

NASTY = [
    "<speak>", "</speak>", "<break time='4s'/>", "&lt;break time='4s'/&gt;", "[[l'ant3n]]",
    "{x}", "_x_", "x |4s| y", "\u202eabc\u202c", "\U0001f3ee", "[x](/lˈæntəɹn/)", "]]>", "&amp;",
    "<![CDATA[x]]>", "<audio src='a.wav'/>",
]  # fmt: skip


@pytest.mark.parametrize("voice", EVERY)
def test_a_value_in_a_marked_line_is_never_obeyed(engine: Engine, voice: Voice) -> None:
    """Each makes no long pause, and no other engine setting: the line after it is as before."""
    before_s = lasts_s(engine, said("Amber, _please_ | now."), voice)
    # Piper takes a second a line: it gets the half that it could make something of.
    for value in NASTY if voice is not PIPER else NASTY[3:12:2]:
        marked = fill_marked("Note | {note} _then_ go on.", {"note": value})
        clip = engine.render(markup.parse(marked), voice, 60.0)
        assert longest_pause_s(clip) < 1.5, value
        assert clip.duration_s > 1.0, value
    assert lasts_s(engine, said("Amber, _please_ | now."), voice) == pytest.approx(
        before_s, rel=0.03
    )


@pytest.mark.parametrize("engine_name", ["espeak", "system", "piper", "hibari"])
def test_pieces_are_cleaned_as_texts_are(engine_name: str) -> None:
    how = Pronunciation("[[a]]\x01", "x\x01y [b](/c/)")
    pieces = (markup.Words("a [\x01"), markup.Words("[b ]", True, how), markup.Pause(0.2))
    cleaned = plain_pieces(pieces, engine_name)
    text = "".join(str(piece) for piece in cleaned)
    assert "[" not in markup.words_alone(cleaned)
    assert "\x01" not in text
    assert "\\x01" not in text
    assert "[[" not in text
    assert "](" not in text


def test_parts_carry_their_punctuation_and_pauses() -> None:
    parts = parts_of(markup.parse("“I said _crimson_!” | _Not_ | teal ||... _so_."))
    assert [markup.words_alone(part.pieces).strip() for part in parts] == [
        "“I said", "crimson!”", "Not", "teal...", "so.",
    ]  # fmt: skip
    assert [part.emphasised for part in parts] == [False, True, True, False, True]
    assert [part.pause_s for part in parts] == [None, 0.2, 0.2, 0.5, None]
