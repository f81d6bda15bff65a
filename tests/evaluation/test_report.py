"""The report: results.json by its schema, outcomes.csv by line, and a page that stands alone."""

from __future__ import annotations

import csv
import json
import re
from html.parser import HTMLParser
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from rich.console import Console
from typer.testing import CliRunner

from tablevoice.audio.clip_files import write_clip
from tablevoice.cell import load_cell
from tablevoice.cli import app
from tablevoice.commands.evaluating import measure, read_setups, read_snrs, show
from tablevoice.errors import FileRefused, TablevoiceError
from tablevoice.evaluation.instrument import Evaluation, Wish, choose_noises
from tablevoice.evaluation.report_folder import results_schema
from tablevoice.model import LISTENING_RATE_HZ, Clip
from tests.evaluation.recordings import CELL, fixture, small_set, write_manifest


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Evaluation:
    folder = tmp_path_factory.mktemp("measured")
    manifest = small_set(folder, ("teal", "violet", "stop", "garage"))
    wish = Wish(manifest, folder / "out", ("grammar",), (None, 10.0), ("pump",), workers=2)
    evaluation, files = measure(load_cell(CELL), wish)
    assert [path.name for path in files] == ["report.html", "results.json", "outcomes.csv"]
    return evaluation


def test_results_are_what_their_schema_says(measured: Evaluation) -> None:
    results = json.loads((measured.wish.out / "results.json").read_text("utf-8"))
    schema = results_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(results, schema)
    assert (results["format"], results["version"]) == ("tablevoice evaluation", 1)
    assert results["manifest"]["words"] == 3
    (setup,) = results["setups"]
    words = setup["overall"]["words"]
    assert words["right"]["of"] == 6
    outcomes = ("right", "wrong", "confirmed", "confirmed_wrong", "asked_again", "missed")
    assert sum(words[outcome]["count"] for outcome in outcomes) == 6
    assert sum(sum(row) for row in setup["confusion"]["counts"]) == 6
    assert 20.0 < setup["cost"]["before_opening_mb"] < setup["cost"]["peak_resident_mb"] < 2000.0
    shown = CliRunner().invoke(app, ["schema", "results"])
    assert json.loads(shown.stdout) == schema


def test_outcomes_name_every_recording_at_every_ratio(measured: Evaluation) -> None:
    with (measured.wish.out / "outcomes.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["path"], row["noise"], row["snr_db"]) for row in rows] == [
        (f"{word}.wav", noise, snr)
        for noise, snr in (("", ""), ("pump", "10"))
        for word in ("teal", "violet", "stop", "garage")
    ]
    assert rows[3]["expected"] == ""
    assert rows[3]["outcome"] in ("false_act", "bothered", "quiet")


class Page(HTMLParser):
    """Takes a page apart: its words, and everything that it would fetch."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.fetched: list[str] = []
        self.open: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in ("meta", "img", "br"):
            self.open.append(tag)
        self.fetched += [value or "" for name, value in attrs if name in ("src", "href")]

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def test_the_page_stands_alone_and_says_what_the_results_say(measured: Evaluation) -> None:
    text = (measured.wish.out / "report.html").read_text("utf-8")
    page = Page(text)
    assert page.open == []
    assert len(page.fetched) >= 4
    assert all(place.startswith("data:image/svg+xml;base64,") for place in page.fetched)
    assert "<script" not in text
    assert "url(" not in text
    words = " ".join(" ".join(page.words).split())
    right = measured.setups[0].overall.words.right
    assert f"words acted on rightly {100 * right.count / right.of:.0f} %" in words
    for said in ("3 words said to the table", "pump noise", "10 dB", "as recorded", "worst",
                 "What was taken for what", "p95"):  # fmt: skip
        assert said in words


def test_names_in_a_manifest_cannot_write_into_the_page(tmp_path: Path) -> None:
    write_clip(tmp_path / "a.wav", Clip(fixture("teal"), LISTENING_RATE_HZ))
    write_clip(tmp_path / "b.wav", Clip(fixture("violet"), LISTENING_RATE_HZ))
    rows = [("a.wav", "teal", "<script>alert(1)</script>", "<b>"), ("b.wav", "violet", "&", "")]
    wish = Wish(write_manifest(tmp_path / "m.csv", rows), tmp_path / "out", ("grammar",),
                workers=1, memory=False)  # fmt: skip
    measure(load_cell(CELL), wish)
    text = (tmp_path / "out" / "report.html").read_text("utf-8")
    assert "<script" not in text
    assert "&lt;script&gt;alert(1)" in text


def test_the_tables_on_the_terminal_have_every_group(measured: Evaluation) -> None:
    console = Console(width=120)
    with console.capture() as captured:
        show(measured, console)
    shown = " ".join(captured.get().split())
    for said in ("grammar: words, by condition", "booth · pump noise 10 dB", "← worst",
                 "nothing said to the table", "× real time on one core", "MB"):  # fmt: skip
        assert said in shown


def test_hours_of_other_sound_are_counted_by_the_hour(tmp_path: Path) -> None:
    # Two minutes of outside words: cut in pieces, tried apart, counted as one.
    pieces = []
    for number in range(40):
        word = fixture("garage" if number % 2 else "window")
        pieces.append(np.pad(word, (0, 3 * LISTENING_RATE_HZ - len(word))))
    write_clip(tmp_path / "talk.flac", Clip(np.concatenate(pieces), LISTENING_RATE_HZ))
    manifest = write_manifest(tmp_path / "m.csv", [("talk.flac", "", "Ann", "talk")])
    wish = Wish(manifest, tmp_path / "out", ("grammar",), workers=2, memory=False)
    evaluation, _ = measure(load_cell(CELL), wish)
    assert len(evaluation.results[0]) == 2
    rate = evaluation.setups[0].overall.outside.acts_an_hour
    # The lead-in of the first piece and the tail of the last one count as heard, too.
    assert rate.hours * 3600.0 == pytest.approx(120.0, abs=4.0)
    assert rate.per_hour == pytest.approx(rate.count / rate.hours)
    assert evaluation.setups[0].overall.outside.quiet.of == 0


def test_options_are_read_and_mistakes_told(tmp_path: Path) -> None:
    assert read_snrs("20, 10dB,0,clean,10") == (20.0, 10.0, 0.0, None)
    assert read_setups("grammar,both,grammar") == ("grammar", "both")
    with pytest.raises(TablevoiceError, match="'loud' is no ratio"):
        read_snrs("10,loud")
    with pytest.raises(TablevoiceError, match="Did you mean 'grammar'"):
        read_setups("gramar")
    with pytest.raises(TablevoiceError, match="no set-up"):
        read_setups(" , ")
    write_clip(tmp_path / "still.wav", Clip(np.zeros(16_000, np.float32), 16_000))
    with pytest.raises(FileRefused) as caught:
        choose_noises(("pomp", str(tmp_path / "still.wav")), (200.0, None))
    told = [str(problem) for problem in caught.value.problems]
    assert "200 dB is no useful ratio" in told[0]
    assert "Did you mean 'pump'?" in told[1]
    assert "silent" in told[2]
    with pytest.raises(FileRefused, match="no ratio"):
        choose_noises(("pump",), ())
    assert [noise.name for noise in choose_noises((), (10.0,))] == ["shop"]


def test_the_command_tells_a_bad_manifest_and_an_impossible_set_up(tmp_path: Path) -> None:
    manifest = write_manifest(tmp_path / "m.csv", [("a.wav", "teel", "Ann", "")])
    told = CliRunner().invoke(app, ["evaluate", str(manifest), "--out", str(tmp_path / "o")])
    assert told.exit_code == 1
    assert re.sub(r"\s+", " ", told.stderr).count("error:") == 2
    good = small_set(tmp_path, ("teal",))
    impossible = CliRunner().invoke(
        app, ["evaluate", str(good), "--out", str(tmp_path / "o"), "--compare", "second_opinion"]
    )
    if not list(CELL.parent.glob(f"{CELL.stem}.tuned.*")):
        assert impossible.exit_code == 1
        assert "no tuned file" in impossible.stderr
