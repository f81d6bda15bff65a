"""Draws each voice over the noise of the room by bands, one panel a voice, with its index.

Knows the findings and a drawing library; measures nothing. Called by
``tablevoice intelligibility``.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from tablevoice.acoustics.bands import band_levels
from tablevoice.acoustics.intelligibility import AUDIBLE_RANGE_DB, GOOD_FROM
from tablevoice.commands.intelligibility import Report, VoiceUnderstood, rating
from tablevoice.errors import AudioUnavailable

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST_IN_A_ROW = 3
_VOICE, _HEARD, _NOISE, _DROWNED = "#1c4f82", "#5b9bd5", "#8c2d19", "#b0b4ba"
_RATING = {"good": "#1c7f5c", "fair": "#b07a00", "poor": "#b3261e"}


def draw(report: Report, title: str, file: Path) -> None:
    """Write the picture of ``report`` to ``file`` (PNG, SVG or PDF by its ending).

    Raises :class:`AudioUnavailable` where the file cannot be written.
    """
    from matplotlib.figure import Figure

    count = len(report.voices)
    columns = min(count, MOST_IN_A_ROW)
    rows = -(-count // columns)
    wide = 0.24 * len(report.procedure.centres_hz) + 1.6
    figure = Figure(figsize=(max(4.8, wide) * columns, 4.3 * rows + 1.2), layout="constrained")
    figure.suptitle(
        f"{title}, in a room of {report.room.level_dba:.0f} dB(A)\n"
        f"{report.procedure.name} at the listener; comfortable from an index of {GOOD_FROM:g}",
        fontsize=12,
    )
    panels: Any = figure.subplots(rows, columns, squeeze=False, sharey=True)
    floor_db, top_db = _limits(report)
    flat = [axes for row in panels for axes in row]
    for axes, voice in zip(flat, report.voices, strict=False):
        _panel(axes, report, voice)
        axes.set_ylim(floor_db, top_db)
    for axes in flat[count:]:
        axes.set_visible(False)
    for row in panels:
        row[0].set_ylabel("dB SPL in the band")
    handles, labels = flat[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=min(5, len(labels)),
                  fontsize=9, frameon=False)  # fmt: skip
    try:
        figure.savefig(file, dpi=130)
    except (OSError, ValueError) as error:
        raise AudioUnavailable(
            f"the picture cannot be written ({error}).",
            where=str(file),
            do="Give a name that ends in .png, in a folder that this user may write to.",
        ) from error


def _limits(report: Report) -> tuple[float, float]:
    """One scale for all voices, so that they can be compared; nothing far below hearing."""
    room_db = band_levels(report.room.spectrum_db, report.procedure)
    heights = [room_db, *(voice.speech_db + AUDIBLE_RANGE_DB / 2 for voice in report.voices)]
    depths = [room_db, *(voice.speech_db for voice in report.voices)]
    top_db = float(np.max(heights))
    lowest_db = float(min(np.min(depth) for depth in depths)) - AUDIBLE_RANGE_DB / 2
    floor_db = max(lowest_db, top_db - 75.0)
    return 5.0 * np.floor(floor_db / 5.0), 5.0 * np.ceil(top_db / 5.0)


def _panel(axes: Axes, report: Report, voice: VoiceUnderstood) -> None:
    bands = np.arange(len(report.procedure.centres_hz))
    edges = np.append(bands - 0.5, bands[-1] + 0.5)
    loudest = voice.speech_db + AUDIBLE_RANGE_DB / 2
    softest = voice.speech_db - AUDIBLE_RANGE_DB / 2
    room_db = band_levels(report.room.spectrum_db, report.procedure)
    audible_from = np.clip(voice.disturbance_db, softest, loudest)
    axes.fill_between(edges, _step(softest), _step(audible_from), step="post", color=_DROWNED,
                      alpha=0.45, linewidth=0, label="speech that is drowned")  # fmt: skip
    axes.fill_between(edges, _step(audible_from), _step(loudest), step="post", color=_HEARD,
                      alpha=0.75, linewidth=0, label="speech that is heard")  # fmt: skip
    axes.stairs(voice.speech_db, edges, baseline=None, color=_VOICE, linewidth=1.8,
                label="the voice's mean")  # fmt: skip
    axes.stairs(room_db, edges, baseline=None, color=_NOISE, linewidth=2.2,
                label="noise of the room")  # fmt: skip
    if report.room.loud_level_dba >= report.room.level_dba + 1.0:
        loud_db = band_levels(report.room.loud_spectrum_db, report.procedure)
        axes.stairs(loud_db, edges, baseline=None, color=_NOISE, linewidth=1.3, linestyle=":",
                    label="noise in its loudest tenth")  # fmt: skip
    told = rating(voice.index)
    axes.set_title(
        f"{voice.voice.name} ({voice.voice.voice}), {voice.level_dba:.0f} dB(A)\n"
        f"index {voice.index:.2f}: {told}", fontsize=11, color=_RATING[told],
    )  # fmt: skip
    axes.set_xticks(
        bands, [_hz(float(centre)) for centre in report.procedure.centres_hz], fontsize=8,
        rotation=60 if len(bands) > 8 else 0,
    )  # fmt: skip
    axes.set_xlim(edges[0], edges[-1])
    axes.set_xlabel("centre of the band in Hz", fontsize=9)
    axes.grid(axis="y", color="#e2e4e8", linewidth=0.7)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _step(levels: Any) -> Any:
    """One more value at the end, as steps want it."""
    return np.append(levels, levels[-1])


def _hz(centre_hz: float) -> str:
    return f"{centre_hz / 1000:g}k" if centre_hz >= 1000 else f"{centre_hz:g}"
