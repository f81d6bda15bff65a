"""What the README says about hearing: made of the committed results, and still true now."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from benchmarks.claims import (
    BEGIN,
    CLAIMS,
    END,
    NOT_YET,
    README,
    RESULTS,
    Claim,
    between_marks,
    broken,
    figure_of,
    read_claims,
    table,
    with_table,
)
from benchmarks.evaluation import setups_of
from benchmarks.evaluation_set import SMALL, make_set
from tablevoice.cell import load_cell
from tablevoice.evaluation.instrument import Wish, evaluate
from tablevoice.evaluation.report_folder import results_json
from tests.evaluation.recordings import CELL


def share(count: int, of: int, low: float, high: float) -> dict[str, Any]:
    return {"count": count, "of": of, "share": count / of, "low": low, "high": high}


RESULTS_MADE = {
    "setups": [
        {
            "setup": "both",
            "overall": {"name": "all", "words": {"right": share(95, 100, 0.89, 0.98)}},
            "by_condition": [
                {
                    "name": "shop noise 10 dB",
                    "words": {
                        "right": share(97, 100, 0.91, 0.99),
                        "right_or_confirmed": share(98, 100, 0.93, 0.99),
                        "wrong": share(1, 100, 0.002, 0.05),
                        "latency": {"p95_ms": 240.0},
                    },
                    "outside": {
                        "false_act": share(0, 50, 0.0, 0.07),
                        "acts_an_hour": {"count": 0, "hours": 10.0, "per_hour": 0.0, "low": 0.0,
                                         "high": 0.3},
                    },
                }
            ],
            "cost": {"times_real_time": 0.05, "peak_resident_mb": 200.0},
        }
    ]
}  # fmt: skip
TEN = "shop noise 10 dB"


def test_a_claim_breaks_where_the_figure_falls_below_it() -> None:
    kept = [
        Claim("both", TEN, "words.right", at_least=0.97),
        Claim("both", TEN, "words.wrong", at_most=0.01),
        Claim("both", TEN, "words.latency.p95_ms", at_most=250.0),
        Claim("both", TEN, "outside.acts_an_hour", at_most=0.0),
        Claim("both", "all", "words.right", at_least=0.95),
    ]
    assert broken(RESULTS_MADE, kept, sample=False) == []
    fallen = [
        Claim("both", TEN, "words.right", at_least=0.971),
        Claim("both", TEN, "words.wrong", at_most=0.009),
        Claim("both", TEN, "words.latency.p95_ms", at_most=239.0),
    ]
    assert len(broken(RESULTS_MADE, fallen, sample=False)) == 3


def test_of_a_sample_the_interval_has_to_reach_the_bound() -> None:
    near = Claim("both", TEN, "words.right", at_least=0.985)
    far = Claim("both", TEN, "words.right", at_least=0.995)
    assert broken(RESULTS_MADE, [near], sample=True) == []
    assert broken(RESULTS_MADE, [far], sample=True) == [f"{far}: found 0.91 to 0.99"]
    elsewhere = Claim("both", "talk", "words.right", at_least=0.5)
    assert broken(RESULTS_MADE, [elsewhere], sample=True) == []
    with pytest.raises(KeyError, match="talk"):
        broken(RESULTS_MADE, [elsewhere], sample=False)


def test_a_claim_has_one_bound(tmp_path: Path) -> None:
    claims = tmp_path / "claims.json"
    claims.write_text('[{"setup": "both", "group": "all", "figure": "words.right"}]')
    with pytest.raises(ValueError, match="one bound"):
        read_claims(claims)


def test_the_table_replaces_what_stands_between_the_marks() -> None:
    text = f"before\n{BEGIN}\nold\n{END}\nafter\n"
    new = with_table(text, table(RESULTS_MADE))
    assert new.startswith(f"before\n{BEGIN}\n| condition |")
    assert new.endswith(f"{END}\nafter\n")
    assert "| shop noise 10 dB | both | 100 | 97.0 % (91.0–99.0) |" in between_marks(new)
    assert "0 (below 0.3; 10.0 h)" in between_marks(new)
    with pytest.raises(ValueError, match="marks"):
        with_table("no marks", "table")


def test_the_readme_has_the_table_of_the_committed_results() -> None:
    shown = between_marks(README.read_text("utf-8"))
    if not RESULTS.exists():
        assert shown == NOT_YET
        assert read_claims(CLAIMS) == ()
        return
    assert shown == table(json.loads(RESULTS.read_text("utf-8")))


def test_the_committed_results_keep_every_claim() -> None:
    claims = read_claims(CLAIMS)
    if not RESULTS.exists():
        assert claims == ()
        return
    results = json.loads(RESULTS.read_text("utf-8"))
    assert broken(results, claims, sample=False) == []
    for claim in claims:
        assert figure_of(results, claim) is not None


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_a_little_measured_now_contradicts_no_claim(tmp_path: Path) -> None:
    cell = load_cell(CELL)
    manifest = make_set(tmp_path / "set", cell, SMALL)
    setup = setups_of(cell)[-1]
    wish = Wish(manifest, tmp_path / "report", (setup,), (10.0,), ("shop",), memory=False)
    results = results_json(evaluate(cell, wish))
    (group,) = results["setups"][0]["by_condition"]
    assert group["name"] == TEN
    assert group["words"]["right"]["of"] == results["manifest"]["words"] >= 45
    assert group["outside"]["false_act"]["of"] == results["manifest"]["outside_recordings"] >= 20
    assert broken(results, read_claims(CLAIMS), sample=True) == []
