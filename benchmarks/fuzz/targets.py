"""What takes input from outside, each with good inputs to spoil and the errors it may raise."""

from __future__ import annotations

import contextlib
import io
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from benchmarks.faults.bench import BOOK, CELL
from tablevoice.audio.clip_files import read_clip
from tablevoice.cell import load_cell
from tablevoice.errors import TablevoiceError
from tablevoice.guard import modbus_frames
from tablevoice.guard.errors import GuardRefused
from tablevoice.guard.settings import load_settings
from tablevoice.links import messages
from tablevoice.links.json_lines import MessageReader, encode
from tablevoice.links.stop_guard import read_view
from tablevoice.listening.tuned_file import TunedFile
from tablevoice.markup import MarkupError, parse, ssml, words_alone
from tablevoice.phrasebook.loading import load_phrasebook
from tablevoice.phrasebook.slots import check_markup, fill, fill_marked, slots_in, unsayable
from tablevoice.shipped import shipped

ROOT = Path(__file__).resolve().parents[2]
Try = Callable[[bytes], None]


@dataclass(frozen=True, slots=True)
class Target:
    """``share`` of all inputs; ``allowed`` are the errors that are an answer, not a crash."""

    name: str
    share: float
    good: Callable[[], list[bytes]]
    opened: Callable[[Path], Try]
    allowed: tuple[type[Exception], ...]


# --- messages ---------------------------------------------------------------------


def _messages() -> list[bytes]:
    inbound: list[messages.Inbound] = [
        messages.EventReported(id="e1", event="lit", slots={"arm": "Alder", "lights": 3}),
        messages.EventReported(id="e2", event="hello"),
        messages.ButtonPressed(button="violet", id="b1"),
        messages.HoldClearedReported(by="reset button"),
        messages.Correct(utterance="1-2", said="teal", id="c1"),
        messages.Ping(id="p1"),
        messages.Close(),
    ]
    lines = [encode(message) for message in inbound]
    return [*lines, b"".join(lines)]


def _read_messages(_: Path) -> Try:
    def read(data: bytes) -> None:
        reader = MessageReader()
        cut = len(data) // 2
        for found in (*reader.feed(data[:cut]), *reader.feed(data[cut:]), *reader.close()):
            if isinstance(found, TablevoiceError) and not (found.problem.what and found.problem.do):
                raise AssertionError(f"refused without advice: {found}")

    return read


# --- texts ------------------------------------------------------------------------


def _texts() -> list[bytes]:
    book = load_phrasebook(shipped("lantern_strings.yaml"))
    lines = [line.text for event in book.events.values() for line in event.lines]
    marked = ["_Zaffre_ light {lights} || is on.", "It is | {colour} |1.5s| _now_.", "{{no}} slot"]
    return [text.encode() for text in lines[:60] + marked]


def _read_text(_: Path) -> Try:
    def read(data: bytes) -> None:
        text = data.decode("utf-8", "replace")
        with contextlib.suppress(TablevoiceError, MarkupError):
            check_markup(text)
        pieces = parse(text)
        ssml(pieces, "en")
        words_alone(pieces)
        try:
            names = slots_in(text)
        except ValueError as error:  # a brace without a partner, says its documentation
            if "brace" not in str(error) and "slot" not in str(error):
                raise
            return
        slots = dict.fromkeys(names, text[:40] if not unsayable(text[:40]) else "x")
        fill(text, slots)
        parse(fill_marked(text, slots))

    return read


# --- files ------------------------------------------------------------------------


def _through_file(name: str, read: Callable[[Path], object]) -> Callable[[Path], Try]:
    def opened(folder: Path) -> Try:
        path = folder / name

        def through(data: bytes) -> None:
            path.write_bytes(data)
            read(path)

        return through

    return opened


def _books() -> list[bytes]:
    names = ("packing_bench.yaml", "korean_lamp.yaml")
    return [BOOK.encode(), *(shipped(name).read_bytes()[:6_000] for name in names)]


def _cells() -> list[bytes]:
    shown = shipped("lantern_table.yaml").read_bytes()
    listening = b"listening:\n  silence_s: 0.5\n  costs: {wrong_answer: 24, missed_pause: 12}\n"
    return [CELL.encode(), CELL.encode() + listening, shown]


def _cell(folder: Path) -> Try:
    (folder / "book.yaml").write_text(BOOK, encoding="utf-8")
    return _through_file("cell.yaml", load_cell)(folder)


def _guard_files() -> list[bytes]:
    whole = (ROOT / "examples" / "guard" / "guard.yaml").read_bytes()
    return [whole, b"\n".join(line for line in whole.splitlines() if not line.startswith(b"#"))]


def _sounds() -> list[bytes]:
    tone = (0.3 * np.sin(np.arange(800) / 5)).astype(np.float32)
    kinds = (("WAV", "PCM_16"), ("WAV", "FLOAT"), ("WAVEX", "PCM_24"), ("FLAC", "PCM_16"),
             ("AIFF", "PCM_16"), ("W64", "PCM_16"))  # fmt: skip
    found = []
    for kind, subtype in kinds:
        buffer = io.BytesIO()
        soundfile.write(buffer, tone, 16_000, format=kind, subtype=subtype)
        found.append(buffer.getvalue())
    return found


def _read_sound(path: Path) -> None:
    clip = read_clip(path, longest_s=60.0)
    if not np.isfinite(clip.samples).all():
        raise AssertionError("a clip of values that are no numbers")


def _tuned() -> list[bytes]:
    # Only its beginning and end fit into the bound; the whole one is in the tests.
    whole = shipped("lantern_table.tuned.onnx").read_bytes()
    return [whole[:20_000], whole[-20_000:], whole[:2_000] + whole[-2_000:]]


# --- the guard's links --------------------------------------------------------------

_REQUESTS = (
    modbus_frames.read_discrete_inputs(196, 22),
    modbus_frames.write_coil(172, True),
    modbus_frames.write_coils(19, [True, False] * 5),
)


def _frames() -> list[bytes]:
    # Replies of the worked examples, MODBUS Application Protocol Specification V1.1b3.
    pdus = [b"\x02\x03\xac\xdb\x35", b"\x05\x00\xac\xff\x00", b"\x0f\x00\x13\x00\x0a", b"\x82\x04"]
    framed = [modbus_frames.framed(modbus_frames.Request(pdu), 7, 1) for pdu in pdus]
    return [*framed, b"".join(framed)]


def _read_frames(_: Path) -> Try:
    def read(data: bytes) -> None:
        buffer = bytearray(data)
        while (frame := modbus_frames.take_frame(buffer)) is not None:
            for request in _REQUESTS:
                with contextlib.suppress(modbus_frames.Nonsense, modbus_frames.ServerException):
                    modbus_frames.read_reply(request, 1, frame)

    return read


def _statuses() -> list[bytes]:
    return [
        b'{"v": 1, "type": "status", "state": "permitted", "permit": true, "proven": true,'
        b' "why": "", "why_not_proven": "", "causes": []}',
        b'{"v": 1, "type": "status", "state": "tripped", "permit": false, "proven": false,'
        b' "why": "table_stop open", "why_not_proven": "x", "causes": ["table_stop"]}',
    ]


def _read_status(_: Path) -> Try:
    def read(data: bytes) -> None:
        for line in data.split(b"\n"):
            view = read_view(line)
            if view is not None and view.permit and view.state != "permitted":
                raise AssertionError(f"a permit out of nonsense: {view}")

    return read


TARGETS = (
    Target("messages as JSON lines", 0.40, _messages, _read_messages, ()),
    Target("texts with markup and slots", 0.24, _texts, _read_text,
           (TablevoiceError, MarkupError)),
    Target("Modbus frames to the guard", 0.15, _frames, _read_frames,
           (modbus_frames.Nonsense,)),
    Target("status lines of the guard", 0.10, _statuses, _read_status, ()),
    Target("sound files", 0.05, _sounds, _through_file("sound.wav", _read_sound),
           (TablevoiceError,)),
    Target("phrasebooks", 0.015, _books, _through_file("book.yaml", load_phrasebook),
           (TablevoiceError,)),
    Target("cell files", 0.015, _cells, _cell, (TablevoiceError,)),
    Target("guard files", 0.02, _guard_files, _through_file("guard.yaml", load_settings),
           (GuardRefused,)),
    Target("tuned files", 0.01, _tuned, _through_file("cell.tuned.onnx", TunedFile),
           (TablevoiceError,)),
)  # fmt: skip
