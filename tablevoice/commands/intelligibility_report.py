"""Tells a person, or a program as JSON, how well the voices of a cell are understood.

Knows the findings and their words; measures nothing. Called by ``tablevoice intelligibility``.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from tablevoice.acoustics.audibility import (
    ACTION_DBA,
    LONG_EXPOSURE_DBA,
    SHORT_WARNING_S,
    STANDS_OUT_DB,
    hours_a_day,
)
from tablevoice.acoustics.intelligibility import GOOD_FROM, POOR_BELOW
from tablevoice.commands.intelligibility import (
    PLAIN_RATE_WPM,
    Report,
    VoiceUnderstood,
    Warned,
    rating,
    together_dba,
)
from tablevoice.commands.room_noise import RoomNoise
from tablevoice.errors import Problem

FORMAT = 1

NO_SIGNAL_DEVICE = (
    "A spoken warning does not replace a signal device: sounders, lights and signs of the cell"
    " are designed to ISO 7731 and local rules by licensed practice, and work without tablevoice."
)
SOURCES = (
    f"Comfortable: an index of {GOOD_FROM:g} or more; below {POOR_BELOW:g} it is poor"
    " (ANSI S3.5-1997, ISO 9921). The index counts neither pace nor echo, and takes listeners"
    " to hear normally and to know the language."
)


def advise(report: Report) -> list[Problem]:
    """What to change, the most urgent first; empty where all is well."""
    found = [*report.problems, *_too_loud(report), *_warnings(report)]
    for voice in report.voices:
        found += _voice(report, voice)
    return found


def _too_loud(report: Report) -> list[Problem]:
    found = []
    together = together_dba(report)
    if together >= LONG_EXPOSURE_DBA:
        found.append(
            Problem(
                f"Voice and room together reach {together:.0f} dB(A), which a day of eight hours"
                f" bears for {_hours(hours_a_day(together))} (NIOSH 1998).", "limit",
                f"Nobody should hear {LONG_EXPOSURE_DBA:g} dB(A) for long: turn the loudspeaker"
                " down or quieten the room. Local rules go first.")
        )  # fmt: skip
    elif report.room.level_dba >= ACTION_DBA:
        found.append(
            Problem(
                f"The room alone has {report.room.level_dba:.0f} dB(A).", "limit",
                f"From {ACTION_DBA:g} dB(A) a day hearing protection is offered (2003/10/EC), and"
                " whoever wears it hears less of the table. Local rules go first.")
        )  # fmt: skip
    return found


def _warnings(report: Report) -> list[Problem]:
    found = []
    drowned = [warned for warned in report.warnings if not warned.stands_out.does]
    if drowned:
        needs = drowned[0].stands_out
        softest = min(warned.stands_out.level_dba for warned in drowned)
        do = f"Bring these lines to {needs.needs_dba:.0f} dB(A) at the listener."
        if not needs.within_limits:
            do = (
                f"They would have to reach {needs.needs_dba:.0f} dB(A), more than"
                f" {LONG_EXPOSURE_DBA:g}: quieten the room, and do not rely on them."
            )
        found.append(
            Problem(
                f"Warnings that do not stand {STANDS_OUT_DB:g}"
                f" dB over the room's {needs.room_dba:.0f} dB(A), as ISO 7731 wants it:"
                f" {_of(len(drowned), report.warnings)}, the softest with {softest:.0f} dB(A).",
                "warnings", do)
        )  # fmt: skip
    long = [warned for warned in report.warnings if not warned.short]
    if long:
        longest = max(long, key=lambda warned: warned.line.lasts_s).line
        found.append(
            Problem(
                f"Warnings that last longer than {SHORT_WARNING_S:g} s:"
                f" {_of(len(long), report.warnings)}, the longest {longest.lasts_s:.2f} s:"
                f" “{longest.text}”", f"event {longest.event}", "Shorten them.")
        )  # fmt: skip
    return found


def _voice(report: Report, voice: VoiceUnderstood) -> list[Problem]:
    if voice.index >= GOOD_FROM and not voice.below_good:
        return []
    where = f"voice {voice.voice.name}"
    found = []
    if voice.index < GOOD_FROM:
        found.append(_level(voice, where))
    if voice.others:
        best = voice.others[0]
        found.append(
            Problem(
                f"The voice {best.voice} is understood better at the same level: an index of"
                f" {best.index:.2f} instead of {best.instead_of:.2f}.", where,
                f"Listen to it: voice: {best.voice}.")
        )  # fmt: skip
    if voice.overlong_if_slow is not None and voice.index < GOOD_FROM:
        overlong = voice.overlong_if_slow
        cost = (
            f" {overlong} of its lines would then last longer than their events allow."
            if overlong
            else " No line would last longer than its event allows."
        )
        found.append(
            Problem(
                f"It speaks {voice.voice.rate_wpm} words a minute; slower is easier in noise,"
                " though the index does not show it.", where,
                f"Try rate_wpm: {PLAIN_RATE_WPM}.{cost}")
        )  # fmt: skip
    return found


def _level(voice: VoiceUnderstood, where: str) -> Problem:
    what = f"An index of {voice.index:.2f} is {rating(voice.index)}."
    if voice.raise_db is not None:
        return Problem(
            what, where,
            f"Make it {voice.raise_db:g} dB louder: {voice.level_dba + voice.raise_db:.0f} dB(A) at"
            " the listener (the loudspeaker's knob, or gain_db where the others are loud enough).",
        )  # fmt: skip
    if voice.level_dba >= LONG_EXPOSURE_DBA:
        return Problem(
            what, where, "It is as loud as it may be: quieten the room, and show captions."
        )
    return Problem(
        what, where,
        f"No level up to {LONG_EXPOSURE_DBA:g} dB(A) makes it comfortable (at best"
        f" {voice.index_at_limit:.2f}): quieten the room, and show captions.",
    )  # fmt: skip


def show(report: Report, console: Console, most_lines: int) -> None:
    """The findings as tables; ``most_lines`` of those that are not comfortable."""
    room = report.room
    console.print(
        f"Room: {room.level_dba:.0f} dB(A){_when_loud(room)}, from {room.told}. Speech:"
        f" measured with {report.measured_with}. Index by {report.procedure.name}"
        " (ANSI S3.5-1997).\n",
        markup=False,
    )
    console.print(_voices_table(report))
    below = report.below(GOOD_FROM)
    if below and most_lines:
        console.print(_lines_table(report, most_lines))
    if report.warnings:
        console.print(_warnings_table(report.warnings, most_lines))
    for problem in advise(report):
        console.print(f"advice: {problem}", style="yellow", markup=False, soft_wrap=True)
    console.print(f"\n{SOURCES}", markup=False)
    console.print(NO_SIGNAL_DEVICE, style="yellow", markup=False)


def _when_loud(room: RoomNoise) -> str:
    if room.loud_level_dba < room.level_dba + 1.0:
        return ""
    return f", {room.loud_level_dba:.0f} in its loudest tenth"


def _voices_table(report: Report) -> Table:
    varies = bool(_when_loud(report.room))
    table = _table(
        "Voices",
        ("voice", False), ("dB(A)", True), ("index", True),
        *([("when loud", True)] if varies else []),
        ("rating", False), ("lines", True), ("not comfortable", True), ("poor", True),
    )  # fmt: skip
    for voice in report.voices:
        table.add_row(
            voice.voice.name, f"{voice.level_dba:.0f}", f"{voice.index:.2f}",
            *([f"{voice.index_when_loud:.2f}"] if varies else []),
            rating(voice.index), str(voice.lines),
            str(voice.below_good or ""), str(voice.below_poor or ""),
        )  # fmt: skip
    return table


def _lines_table(report: Report, most: int) -> Table:
    below = report.below(GOOD_FROM)
    more = f", {most} of {len(below)}" if len(below) > most else ""
    table = _table(
        f"Lines that are not comfortable, the worst first{more}",
        ("index", True), ("voice", False), ("event", False), ("line", False),
    )  # fmt: skip
    for line in below[:most]:
        table.add_row(f"{line.index:.2f}", line.voice, line.event, line.text)
    return table


def _warnings_table(warnings: Sequence[Warned], most: int) -> Table:
    table = _table(
        "Stop and warning lines, the softest first",
        ("dB(A)", True), ("over the room", True), ("s", True), ("index", True), ("line", False),
    )  # fmt: skip
    softest_first = sorted(warnings, key=lambda warned: warned.line.level_dba)
    for warned in softest_first[: max(most, 1)]:
        over = f"{warned.stands_out.over_db:+.0f} dB{'' if warned.stands_out.does else ' ✗'}"
        lasts = f"{warned.line.lasts_s:.1f}{'' if warned.short else ' ✗'}"
        table.add_row(
            f"{warned.line.level_dba:.0f}", over, lasts, f"{warned.line.index:.2f}",
            warned.line.text,
        )  # fmt: skip
    return table


def _table(title: str, *columns: tuple[str, bool]) -> Table:
    table = Table(title=title, title_justify="left", box=SIMPLE_HEAD, pad_edge=False)
    for name, is_number in columns:
        table.add_column(
            name, justify="right" if is_number else "left",
            no_wrap=is_number, overflow="fold",
        )  # fmt: skip
    return table


def as_json(report: Report) -> dict[str, Any]:
    """Everything that was found, in plain values; levels in dB, bands of the procedure."""
    return {
        "format": FORMAT,
        "procedure": report.procedure.name,
        "centres_hz": [float(centre) for centre in report.procedure.centres_hz],
        "good_from": GOOD_FROM,
        "poor_below": POOR_BELOW,
        "measured_with": report.measured_with,
        "room": {
            "from": report.room.told,
            "level_dba": round(report.room.level_dba, 1),
            "loud_level_dba": round(report.room.loud_level_dba, 1),
            "bands_db": _rounded(report.room.spectrum_db + report.procedure.bandwidth_db),
        },
        "voices": [_voice_as_json(voice) for voice in report.voices],
        "lines": [
            {
                "event": line.event, "voice": line.voice, "text": line.text,
                "index": round(line.index, 3), "rating": rating(line.index),
                "level_dba": round(line.level_dba, 1), "lasts_s": round(line.lasts_s, 2),
            }
            for line in report.lines
        ],
        "warnings": [
            {
                "event": warned.line.event, "voice": warned.line.voice, "text": warned.line.text,
                "level_dba": round(warned.line.level_dba, 1),
                "over_room_db": round(warned.stands_out.over_db, 1),
                "stands_out": warned.stands_out.does,
                "needs_dba": round(warned.stands_out.needs_dba, 1),
                "lasts_s": round(warned.line.lasts_s, 2), "short": warned.short,
            }
            for warned in report.warnings
        ],
        "advice": [
            {"what": problem.what, "where": problem.where, "do": problem.do}
            for problem in advise(report)
        ],
        "no_signal_device": NO_SIGNAL_DEVICE,
    }  # fmt: skip


def _voice_as_json(voice: VoiceUnderstood) -> dict[str, Any]:
    return {
        "name": voice.voice.name, "engine": voice.voice.engine, "voice": voice.voice.voice,
        "rate_wpm": voice.voice.rate_wpm, "lines": voice.lines,
        "level_dba": round(voice.level_dba, 1), "index": round(voice.index, 3),
        "index_when_loud": round(voice.index_when_loud, 3),
        "rating": rating(voice.index), "not_comfortable": voice.below_good,
        "poor": voice.below_poor, "bands_db": _rounded(voice.speech_db),
        "disturbance_bands_db": _rounded(voice.disturbance_db), "raise_db": voice.raise_db,
        "index_at_limit": round(voice.index_at_limit, 3),
        "others": [
            {"voice": other.voice, "index": round(other.index, 3),
             "instead_of": round(other.instead_of, 3)}
            for other in voice.others
        ],
        "overlong_if_slow": voice.overlong_if_slow,
    }  # fmt: skip


def _rounded(levels: Any) -> list[float]:
    return [round(float(level), 1) for level in levels]


def _of(some: int, whole: Sequence[object]) -> str:
    return f"All {some}" if some == len(whole) else f"{some} of the {len(whole)}"


def _hours(hours: float) -> str:
    return f"{hours:.1f} h" if hours >= 1.0 else f"{hours * 60:.0f} min"
