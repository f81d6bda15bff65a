"""Names of voices: what is there, what is nearest, what a cell lacks."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from tablevoice.errors import EngineFailed
from tablevoice.model import Voice
from tablevoice.speech.engines import Engine
from tablevoice.speech.voices import VoiceNames, advice, missing_voices, nearest, stand_ins

NAMES = VoiceNames(("en-us", "en-gb", "ko"), ("f1", "f3", "m3"))


def test_a_name_is_a_voice_alone_or_with_a_variant() -> None:
    assert NAMES.has("en-us")
    assert NAMES.has("EN-GB+m3")
    for wrong in ("en", "en-us+", "en-us+f9", "en-us+F3", "+f3", "en-us+f3+m3", ""):
        assert not NAMES.has(wrong)


def test_the_nearest_keeps_what_was_right() -> None:
    assert nearest("en-us+f4", NAMES)[0] in ("en-us+f1", "en-us+f3")
    assert nearest("en-uk+m3", NAMES)[0] in ("en-us+m3", "en-gb+m3")
    assert "en-gb" in nearest("en-bg", NAMES)[:2]


@given(st.text(max_size=20))
def test_every_voice_offered_can_be_used(name: str) -> None:
    offered = nearest(name, NAMES)
    assert 1 <= len(offered) <= 3
    assert all(NAMES.has(voice) for voice in offered)


def test_an_engine_without_voices_says_so() -> None:
    assert "Install" in advice("en-us", VoiceNames(()))


def test_missing_voices_are_found_before_opening(engine: Engine) -> None:
    cell = {
        "Alder": Voice("Alder", voice="en-gb+m3"),
        "Briar": Voice("Briar", voice="en-us+f33"),
        "Cho": Voice("Cho", voice="ko"),
        "Dogwood": Voice("Dogwood", engine="choir"),
    }
    problems = missing_voices(cell, engine.names, "cell.yaml")
    assert [problem.where for problem in problems] == [
        "cell.yaml: voices.Briar",
        "cell.yaml: voices.Dogwood",
    ]
    assert "en-us+f3" in problems[0].do
    assert "espeak" in problems[1].do


def test_what_the_check_passes_the_engine_speaks(engine: Engine) -> None:
    """The check and the engine must not disagree, in either direction."""
    for name in (
        "en-gb",
        "en-gb+m3",
        "EN-us+f3",
        "fr-fr",
        "gmw/en-us+f1",
        "en-us+F3",
        "eng",
        "ko+",
    ):
        speaks = True
        try:
            engine.render("Amber.", Voice("A", voice=name), timeout_s=60.0)
        except EngineFailed:
            speaks = False
        assert engine.names().has(name) is speaks, name


def test_the_first_voice_that_can_speaks_for_those_that_cannot(engine: Engine) -> None:
    alder, cho = Voice("Alder", voice="en-us+f33"), Voice("Cho", voice="ko")
    briar, dogwood = Voice("Briar", voice="en-gb+m3", gain_db=-3.0), Voice("Dogwood", "choir")
    cell = {"Alder": alder, "Briar": briar, "Cho": cho, "Dogwood": dogwood}
    assert stand_ins(cell, engine.names) == {
        "Alder": replace(briar, name="Alder"),
        "Dogwood": replace(briar, name="Dogwood"),
    }
    assert stand_ins({"Briar": briar, "Cho": cho}, engine.names) == {}
    assert stand_ins({"Alder": alder, "Dogwood": dogwood}, engine.names) == {}


def test_a_voice_file_is_there_with_its_settings_beside_it(engine: Engine, tmp_path: Path) -> None:
    names = engine.names("piper")
    file = tmp_path / "hall.onnx"
    assert not names.has(str(file))
    assert "hall.onnx.json" in advice(str(file), names)
    file.write_bytes(b"x")
    assert not names.has(str(file))
    (tmp_path / "hall.onnx.json").write_text("{}", encoding="utf-8")
    assert names.has(str(file))
    assert not engine.names("espeak").has(str(file))
