"""What the README claims about hearing, and whether it holds.

Knows the table between two marks of the README, the committed results it is made of and
``claims.json``; measures nothing. Called by ``benchmarks.evaluation`` and by the tests.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
README = ROOT / "README.md"
RESULTS = ROOT / "benchmarks" / "evaluation_results.json"
CLAIMS = ROOT / "benchmarks" / "claims.json"
BEGIN, END = "<!-- evaluation: begin -->", "<!-- evaluation: end -->"


@dataclass(frozen=True, slots=True)
class Claim:
    """A figure of a group of results and its bound.

    ``group``: ``all``, or the name of a condition. ``figure``: the way to it, as in
    ``words.right``: a share, an hourly rate or a number of milliseconds.
    """

    setup: str
    group: str
    figure: str
    at_least: float | None = None
    at_most: float | None = None

    def __str__(self) -> str:
        bound = f">= {self.at_least:g}" if self.at_least is not None else f"<= {self.at_most:g}"
        return f"{self.setup}, {self.group}: {self.figure} {bound}"


def read_claims(path: Path = CLAIMS) -> tuple[Claim, ...]:
    """The claims. Raises ValueError for one without exactly one bound."""
    claims = tuple(Claim(**values) for values in json.loads(path.read_text("utf-8")))
    for claim in claims:
        if (claim.at_least is None) == (claim.at_most is None):
            raise ValueError(f"{claim.setup}, {claim.group}, {claim.figure}: give one bound")
    return claims


def figure_of(results: Mapping[str, Any], claim: Claim) -> Any:
    """The claim's figure in the contents of a results.json. Raises KeyError where it is not."""
    setup = next((one for one in results["setups"] if one["setup"] == claim.setup), None)
    if setup is None:
        raise KeyError(f"no set-up {claim.setup!r}")
    groups = [setup["overall"], *setup["by_condition"]]
    value: Any = next((group for group in groups if group["name"] == claim.group), None)
    if value is None:
        raise KeyError(f"no group {claim.group!r}")
    for part in claim.figure.split("."):
        value = value[part]
    return value


def broken(results: Mapping[str, Any], claims: Sequence[Claim], *, sample: bool) -> list[str]:
    """The claims that these results contradict, each with what was found.

    Of the whole set the figure itself has to keep the bound. Of a ``sample`` its interval
    has to reach the bound: a small sample varies, and a claim breaks where it cannot be
    true. Milliseconds are this machine's own, so a sample says nothing about them; groups
    that a sample lacks are left out.
    """
    found = []
    for claim in claims:
        try:
            value = figure_of(results, claim)
        except KeyError:
            if sample:
                continue
            raise
        if isinstance(value, Mapping):
            middle = value.get("share", value.get("per_hour"))
            low, high = (value["low"], value["high"]) if sample else (middle, middle)
        else:
            low = high = None if sample else value
        if low is None or high is None:
            if not sample:
                found.append(f"{claim}: nothing was measured")
            continue
        below = claim.at_least is not None and high < claim.at_least
        above = claim.at_most is not None and low > claim.at_most
        if below or above:
            found.append(f"{claim}: found {low:.4g} to {high:.4g}")
    return found


def table(results: Mapping[str, Any]) -> str:
    """The README's table: each condition, the set-ups below each other."""
    lines = [
        "| condition | set-up | words | right | right or confirmed | wrong | outside clips"
        " acted on | acts an hour | verdict, p95 |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    setups = results["setups"]
    for place in range(len(setups[0]["by_condition"])):
        for one in setups:
            group = one["by_condition"][place]
            words, outside = group["words"], group["outside"]
            late = words["latency"]["p95_ms"]
            cells = [
                group["name"], one["setup"], str(words["right"]["of"] or ""),
                _share(words["right"]), _share(words["right_or_confirmed"]),
                _share(words["wrong"]), _share(outside["false_act"]),
                _rate(outside["acts_an_hour"]), "" if late is None else f"{late:.0f} ms",
            ]  # fmt: skip
            lines.append(f"| {' | '.join(cells)} |")
    costs = "; ".join(
        f"{one['setup']} {one['cost']['times_real_time']:.3f} × real time on one core,"
        f" {one['cost']['peak_resident_mb']:.0f} MB"
        for one in setups
        if one["cost"]["peak_resident_mb"] is not None
    )
    return "\n".join(lines) + (f"\n\nCost: {costs}." if costs else "")


def between_marks(text: str) -> str:
    """What stands between the marks. Raises ValueError where they are not."""
    if text.count(BEGIN) != 1 or text.count(END) != 1:
        raise ValueError(f"the two marks {BEGIN} and {END} are needed once each")
    return text.split(BEGIN, 1)[1].split(END, 1)[0].strip()


NOT_YET = "(`make evaluate` writes its table here.)"
"""Stands between the marks before anything was measured; then nothing may be claimed."""


def with_table(text: str, new: str) -> str:
    """``text`` with what stands between the marks replaced."""
    between_marks(text)
    before, rest = text.split(BEGIN, 1)
    return f"{before}{BEGIN}\n{new}\n{END}{rest.split(END, 1)[1]}"


def _share(value: Mapping[str, Any]) -> str:
    if value["share"] is None:
        return ""
    share, low, high = (100.0 * value[name] for name in ("share", "low", "high"))
    return f"{share:.1f} % ({low:.1f}–{high:.1f})"


def _rate(value: Mapping[str, Any]) -> str:
    if value["per_hour"] is None:
        return ""
    if value["count"] == 0:
        return f"0 (below {value['high']:.2g}; {value['hours']:.1f} h)"
    return f"{value['per_hour']:.2g} ({value['low']:.2g}–{value['high']:.2g})"
