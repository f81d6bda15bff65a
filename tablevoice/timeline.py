"""The picture of a session: who spoke when, what was heard, how surely, what was decided.

Reads the rows of ``session.jsonl`` and the sound of the session, draws one PNG, wrapped
into staves like sheet music so that every word can be read. Decides nothing; called by
the demo and the command line after a session.
"""

from __future__ import annotations

import json
import math
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from tablevoice.errors import AudioUnavailable, TablevoiceError
from tablevoice.model import Clip

Row = Mapping[str, Any]

STAVE_S = 20.0
"""Seconds in one stave: a two-second line is then wide enough for its words."""

VERDICT_COLOURS = {
    "act": "#2f7d4f",
    "confirm": "#c98a1b",
    "ask_again": "#c98a1b",
    "ignore": "#9aa0a6",
}
VOICE_COLOURS = ("#35618f", "#a3507c", "#5f6b2d", "#7a5230")
HOLD_COLOUR = "#b3261e"
INK = "#22262b"
DECIDED, GUARD = "decided", "stop guard"


@dataclass(frozen=True, slots=True)
class Bar:
    """Something that lasted: on ``lane``, from ``start_s`` to ``end_s``, with its words."""

    lane: str
    start_s: float
    end_s: float
    text: str
    colour: str
    certainty: float | None = None


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that happened at one moment."""

    at_s: float
    text: str
    colour: str


@dataclass(frozen=True, slots=True)
class Story:
    """A session ready to be drawn. ``holds`` are (start, end) of each hold asked for."""

    lanes: tuple[str, ...]
    bars: tuple[Bar, ...]
    marks: tuple[Mark, ...]
    holds: tuple[tuple[float, float], ...]
    duration_s: float


def read_session(path: Path) -> list[dict[str, Any]]:
    """The rows of a ``session.jsonl``, oldest first. Raises TablevoiceError on a damaged line."""
    rows: list[dict[str, Any]] = []
    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise TablevoiceError(
            f"The session cannot be read: {error}.", where=str(path), do="Give a session.jsonl."
        ) from error
    for number, line in enumerate(text.splitlines(), 1):
        try:
            row = json.loads(line)
        except json.JSONDecodeError as error:
            if number == text.count("\n") + 1:
                break  # the last line of a session that lost its power may be half written
            raise TablevoiceError(
                f"This is not a JSON line: {error.msg}.",
                where=f"{path}:{number}",
                do="Give a session.jsonl as tablevoice wrote it.",
            ) from error
        rows.append(row)
    return rows


def tell(rows: Sequence[Row]) -> Story:
    """Arrange the rows of a session into lanes, bars and marks."""
    voices = list(dict.fromkeys(row["voice"] for row in rows if row.get("type") == "said"))
    people = list(dict.fromkeys(row["who"] for row in rows if row.get("type") == "person_said"))
    bars: list[Bar] = []
    marks: list[Mark] = []
    holds: list[tuple[float, float]] = []
    held_since: float | None = None
    disarmed: tuple[float, str] | None = None
    last_s = 0.0
    less = ""  # of what was heard last; a hold is asked for right after its word
    for row in rows:
        last_s = max(last_s, float(row.get("at_s", 0.0)), float(row.get("end_s") or 0.0))
        match row.get("type"):
            case "said" if row.get("start_s") is not None:
                colour = VOICE_COLOURS[voices.index(row["voice"]) % len(VOICE_COLOURS)]
                cut = " ✂" if row.get("said") == "cut" else ""
                bars.append(
                    Bar(row["voice"], row["start_s"], row["end_s"], row["text"] + cut, colour)
                )
                if row.get("note"):
                    marks.append(Mark(row["start_s"], _wrapped(f"gave way: {row['note']}"), INK))
            case "done" if row.get("why"):
                marks.append(Mark(row["at_s"], _wrapped(f"kept quiet: {row['why']}"), INK))
            case "phrasebook":
                marks.append(Mark(row["at_s"], "another\nphrasebook", INK))
            case "person_said":
                bars.append(Bar(row["who"], row["start_s"], row["end_s"], row["text"], INK))
            case "heard":
                bars.append(_heard(row))
                less = "\non less evidence" if row.get("on_less_evidence") else ""
            case "answer":
                value = row["value"] if row["value"] is not None else "no answer"
                marks.append(Mark(row["at_s"], f"{row['question']}: {value}\n({row['how']})",
                                  VERDICT_COLOURS["act"]))  # fmt: skip
            case "button":
                marks.append(Mark(row["at_s"], f"button\n{row['button']}", INK))
            case "hold_request":
                asked = f"asks for a hold\n“{row['phrase']}”{less}"
                marks.append(Mark(row["at_s"], asked, HOLD_COLOUR))
                held_since = row["at_s"] if held_since is None else held_since
            case "hold_cleared":
                marks.append(Mark(row["at_s"], "reset at\nthe machine", INK))
                if held_since is not None:
                    holds.append((held_since, row["at_s"]))
                held_since = None
            case "guard" if row["armed"]:
                if disarmed is not None:
                    bars.append(Bar(GUARD, disarmed[0], row["at_s"], disarmed[1], HOLD_COLOUR))
                    holds.append((held_since or disarmed[0], row["at_s"]))
                disarmed = held_since = None
            case "guard":
                disarmed = disarmed or (row["at_s"], row["why"])
            case "stop_pressed":
                took = "stop pressed\n(guard on paper)"
                if "reaction_ms" in row:
                    took = f"stop pressed: permit\noff in {row['reaction_ms']:.1f} ms"
                marks.append(Mark(row["at_s"], took, HOLD_COLOUR))
            case "talking_half_killed":
                marks.append(Mark(row["at_s"], "talking half\nkilled", INK))
            case "error":
                marks.append(Mark(row["at_s"], "error", HOLD_COLOUR))
            case _:
                pass
    if held_since is not None:
        holds.append((held_since, last_s))
    guarded = any(row.get("type") == "guard" for row in rows)
    lanes = (*voices, *people, "heard", *((GUARD,) if guarded else ()))
    return Story(lanes, tuple(bars), tuple(marks), tuple(holds), last_s)


def _wrapped(text: str) -> str:
    return "\n".join(textwrap.wrap(text, 24)[:4])


def _heard(row: Row) -> Bar:
    verdict = str(row["verdict"])
    what = row.get("meaning") or row.get("text") or "…"
    words = {
        "act": f"{what}",
        "confirm": f"{what}? confirm",
        "ask_again": "ask again",
        "ignore": "not for us",
    }
    return Bar(
        "heard",
        row["start_s"],
        row["end_s"],
        words.get(verdict, verdict),
        VERDICT_COLOURS.get(verdict, INK),
        row["certainty"],
    )


def draw_timeline(story: Story, sound: Clip | None, path: Path, title: str) -> None:
    """Draw ``story`` over its ``sound`` into the PNG file ``path``."""
    duration_s = max(story.duration_s, sound.duration_s if sound else 0.0, 1.0)
    staves = math.ceil(duration_s / STAVE_S)
    lanes = (*(("sound",) if sound is not None else ()), *story.lanes, DECIDED)
    height = 0.38 * len(lanes) + 0.45
    figure = Figure(figsize=(16.0, height * staves + 1.3), dpi=110)
    axes = figure.subplots(staves, 1, squeeze=False)[:, 0]
    for stave, axis in enumerate(axes):
        _draw_stave(axis, stave * STAVE_S, lanes, story, sound)
    figure.text(0.008, 0.995, title, fontsize=15, weight="bold", color=INK, va="top")
    _draw_key(figure)
    top = 1.0 - 0.75 / figure.get_figheight()
    figure.subplots_adjust(
        left=0.065, right=0.992, top=top, bottom=0.45 / figure.get_figheight(), hspace=0.28
    )
    axes[-1].set_xlabel("seconds", fontsize=9, color=INK)
    try:
        figure.savefig(path)
    except OSError as error:
        raise AudioUnavailable(
            f"The picture cannot be written: {error.strerror}.", where=str(path),
            do="Choose a folder that can be written to."
        ) from error  # fmt: skip


def _draw_key(figure: Figure) -> None:
    key = (
        ("acted on", VERDICT_COLOURS["act"]),
        ("to be confirmed, or asked again", VERDICT_COLOURS["confirm"]),
        ("taken for nothing said to the table", VERDICT_COLOURS["ignore"]),
        ("hold asked for; no voice ends it", HOLD_COLOUR),
    )
    line = 1.0 - 0.5 / figure.get_figheight()
    x = 0.066
    figure.text(0.008, line, "heard:", color=INK, fontsize=9.5, va="center")
    for words, colour in key:
        figure.text(x, line, "■", color=colour, fontsize=12, va="center")
        figure.text(x + 0.013, line, words, color=INK, fontsize=9.5, va="center")
        x += 0.03 + 0.0056 * len(words)
    figure.text(
        x, line, "height of the bar and number: certainty", color=INK, fontsize=9.5, va="center"
    )


def _draw_stave(
    axis: Axes, start_s: float, lanes: Sequence[str], story: Story, sound: Clip | None
) -> None:
    axis.set_xlim(start_s, start_s + STAVE_S)
    axis.set_ylim(len(lanes), 0)
    axis.set_yticks([index + 0.5 for index in range(len(lanes))], labels=list(lanes), fontsize=9)
    axis.set_xticks(np.arange(start_s, start_s + STAVE_S + 0.1, 2.0))
    axis.tick_params(length=0, labelsize=9, colors=INK)
    for side in ("top", "right", "left", "bottom"):
        axis.spines[side].set_visible(False)
    for index in range(len(lanes) + 1):
        axis.axhline(index, color="#e3e5e8", linewidth=0.6, zorder=0)
    if sound is not None:
        _draw_envelope(axis, start_s, sound)
    for hold_start_s, hold_end_s in story.holds:
        axis.add_patch(
            Rectangle((hold_start_s, 0), hold_end_s - hold_start_s, len(lanes),
                      color=HOLD_COLOUR, alpha=0.10, linewidth=0, zorder=0)
        )  # fmt: skip
    for bar in story.bars:
        if bar.end_s > start_s and bar.start_s < start_s + STAVE_S:
            _draw_bar(axis, lanes.index(bar.lane), bar, start_s)
    _draw_marks(axis, start_s, len(lanes) - 1, story.marks)


def _draw_envelope(axis: Axes, start_s: float, sound: Clip) -> None:
    step = max(1, sound.rate_hz // 50)
    first = int(start_s * sound.rate_hz)
    piece = sound.samples[first : first + int(STAVE_S * sound.rate_hz)]
    piece = piece[: len(piece) // step * step]
    if not len(piece):
        return
    peaks = np.abs(piece).reshape(-1, step).max(axis=1)
    peaks = np.clip(peaks / max(float(np.abs(sound.samples).max()), 1e-6), 0.0, 1.0) * 0.48
    at_s = start_s + np.arange(len(peaks)) * step / sound.rate_hz
    axis.fill_between(at_s, 0.5 - peaks, 0.5 + peaks, color="#8a9199", linewidth=0)


def _draw_bar(axis: Axes, lane: int, bar: Bar, start_s: float) -> None:
    left = max(bar.start_s, start_s)
    right = min(bar.end_s, start_s + STAVE_S)
    axis.add_patch(
        Rectangle((left, lane + 0.08), right - left, 0.84, color=bar.colour, alpha=0.16, zorder=1)
    )
    if bar.certainty is not None:
        axis.add_patch(
            Rectangle((left, lane + 0.92 - 0.84 * bar.certainty), right - left,
                      0.84 * bar.certainty, color=bar.colour, alpha=0.35, zorder=1)
        )  # fmt: skip
    axis.add_patch(Rectangle((left, lane + 0.08), 0.045, 0.84, color=bar.colour, zorder=2))
    words = bar.text if bar.certainty is None else f"{bar.text}  {bar.certainty:.0%}"
    if bar.start_s < start_s - 0.5:
        words = "…"
    # Some 12 characters of this size fit into one second of a 16-inch stave.
    room = max(8, int((right - left) * 11.5))
    lines = textwrap.wrap(words, room)
    size = 7.5 if len(lines) <= 2 else 6.2
    if len(lines) > 3:
        lines = [*lines[:2], lines[2][: max(1, room - 1)] + "…"]
    axis.text(
        left + 0.09, lane + 0.5, "\n".join(lines), fontsize=size, color=INK, va="center",
        linespacing=0.95, clip_on=True, zorder=3,
    )  # fmt: skip


def _draw_marks(axis: Axes, start_s: float, lane: int, marks: Sequence[Mark]) -> None:
    free_from_s = -math.inf
    for mark in marks:
        if not start_s <= mark.at_s < start_s + STAVE_S:
            continue
        axis.plot([mark.at_s, mark.at_s], [1, lane + 1], color=mark.colour, linewidth=1.1,
                  linestyle=(0, (2, 2)), zorder=2)  # fmt: skip
        text_s = max(mark.at_s + 0.06, free_from_s)
        axis.text(text_s, lane + 0.5, mark.text, fontsize=6.8, color=mark.colour, va="center",
                  weight="bold", linespacing=1.2, clip_on=True, zorder=4)  # fmt: skip
        free_from_s = text_s + 0.1 + max(len(part) for part in mark.text.split("\n")) / 11.0
