"""What was broken, how often, and what happened: kept beside the benchmarks, shown in the README.

Knows the file of results and the two marks in the README; measures nothing.
"""

from __future__ import annotations

import json
import statistics
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from benchmarks.faults.fault import Outcome

ROOT = Path(__file__).resolve().parents[2]
README = ROOT / "README.md"
RESULTS = ROOT / "benchmarks" / "fault_results.json"
FLOOD, KILLS = "flood", "kills"
BEGIN, END = "<!-- faults: begin -->", "<!-- faults: end -->"


def rows_of(outcomes: Sequence[Outcome]) -> dict[str, dict[str, Any]]:
    """The outcomes, fault by fault."""
    rows: dict[str, dict[str, Any]] = {}
    for name in dict.fromkeys(outcome.name for outcome in outcomes):
        of_it = [outcome for outcome in outcomes if outcome.name == name]
        back = [outcome.back_s for outcome in of_it if outcome.back_s is not None]
        rows[name] = {
            "times": len(of_it),
            "held": sum(not outcome.wrong for outcome in of_it),
            "events": sum(outcome.events for outcome in of_it),
            "session_ended": sum(bool(outcome.ended) for outcome in of_it),
            "told": sorted({_without_numbers(told) for one in of_it for told in one.told}),
            "well_again_s": _range(back),
            "wrong": sorted({wrong for one in of_it for wrong in one.wrong}),
        }
    return rows


def kept(outcomes: Sequence[Outcome]) -> None:
    """Put the outcomes into the file of results; faults not tried now keep theirs."""
    keep_part("faults", rows_of(outcomes))


def keep_part(part: str, rows: Mapping[str, Any]) -> None:
    """Renew entries of one part of the file of results."""
    results = read()
    results.setdefault(part, {}).update(rows)
    text = json.dumps(results, indent=1, ensure_ascii=False)
    RESULTS.write_text(text + "\n", encoding="utf-8")


def read() -> dict[str, Any]:
    """All that was kept."""
    if not RESULTS.exists():
        return {}
    found: dict[str, Any] = json.loads(RESULTS.read_text("utf-8"))
    return found


def table(results: Mapping[str, Any]) -> str:
    """The README's table."""
    lines = [
        "| what was broken | times | held | events, each answered once | well again, median"
        " (longest) | the table said |",
        "|---|---|---|---|---|---|",
    ]
    for name, row in results.get("faults", {}).items():
        back = row["well_again_s"]
        told = "; ".join(row["told"]) or "nothing: nobody had to know"
        if row["session_ended"]:
            told = "the session ended, and was started again"
        lines.append(
            f"| {name} | {row['times']} | {row['held']} | {row['events']} |"
            f" {_seconds(back['median'])} ({_seconds(back['longest'])}) | {told} |"
        )
    return "\n\n".join(["\n".join(lines), *_flood(results), *_kills(results)])


def _flood(results: Mapping[str, Any]) -> list[str]:
    found = results.get(FLOOD)
    if not found:
        return []
    idle, warned = (sorted(found[name]) for name in ("idle_warning_ms", "warning_ms"))
    talk, cautions = found["outcomes"]["hello"], found["outcomes"]["caution"]
    sizes = found["resident_mb"]
    return [
        f"**A flood**: {found['offered']:,} events in {found['seconds']:.0f} s"
        f" ({found['offered_a_s']:,} a second), each answered once, {found['unanswered']} not."
        f" Of the small talk {talk.get('refused', 0):,} events were refused, the oldest first;"
        f" of {sum(cautions.values())} warnings none was refused:"
        f" {', '.join(f'{count} {how}' for how, count in cautions.items())}."
        f" From a warning's event to its first sample: median {statistics.median(warned):.0f} ms,"
        f" longest {warned[-1]:.0f} ms"
        f" (n = {len(warned)}; of an idle table {statistics.median(idle):.0f} and"
        f" {idle[-1]:.0f} ms, n = {len(idle)}; the sound card's buffer of 100 ms is in all four)."
        f" Memory: {sizes[len(sizes) // 10]:.0f} MB after a tenth of the time,"
        f" {max(sizes):.0f} MB at most, {sizes[-1]:.0f} MB at the end."
    ]


def _kills(results: Mapping[str, Any]) -> list[str]:
    found = results.get(KILLS)
    if not found:
        return []
    missing = "none is missing" if not found["wrong"] else "**not all is well**"
    return [
        f"**{found['kills']} kills** (SIGKILL) at random moments, {found['starting']} of them"
        f" while the session was starting: of {found['answered']} events that were answered"
        f" {missing} from the history; no line came back before its time; the stop guard was"
        f" the same process all along and tripped for no kill"
        f" ({found['guard_late']} times its own simulated inputs answered late on this computer)."
    ]


def write_readme() -> None:
    """Renew what stands between the marks."""
    text = README.read_text("utf-8")
    if text.count(BEGIN) != 1 or text.count(END) != 1:
        raise ValueError(f"the two marks {BEGIN} and {END} are needed once each")
    before, rest = text.split(BEGIN, 1)
    after = rest.split(END, 1)[1]
    README.write_text(f"{before}{BEGIN}\n{table(read())}\n{END}{after}", encoding="utf-8")


def _seconds(value: float | None) -> str:
    return "not" if value is None else f"{value:.1f} s"


def _range(seconds: Sequence[float]) -> dict[str, float | None]:
    if not seconds:
        return {"median": None, "longest": None}
    return {"median": round(statistics.median(seconds), 2), "longest": max(seconds)}


def _without_numbers(text: str) -> str:
    """Two reports that differ in a number alone are one."""
    return "".join("N" if char.isdigit() else char for char in text)
