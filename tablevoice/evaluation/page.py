"""Writes the report as one HTML page that a person can read without help.

Knows how to say figures in words and in tables; the pictures come from
:mod:`tablevoice.evaluation.pictures`. The page needs nothing but itself.
"""

from __future__ import annotations

import base64
from collections.abc import Callable, Iterable, Sequence
from html import escape
from pathlib import Path

from tablevoice.evaluation import pictures
from tablevoice.evaluation.instrument import Evaluation
from tablevoice.evaluation.intervals import HourlyRate, Share
from tablevoice.evaluation.report_folder import DEFINITIONS, PAGE_FILE, write_text
from tablevoice.evaluation.results import Group, Outside, SetupResults, Words
from tablevoice.evaluation.wording_of_figures import hourly_text, percent
from tablevoice.model import StandingKind

MOST_SPEAKERS = 40
"""So many are listed, the worst; outcomes.csv has all."""

_STYLE = """
:root { --ink: #1d2730; --soft: #5b6872; --line: #dfe4e8; --good: #1b7f5c; --bad: #b3284e; }
body { font: 16px/1.5 system-ui, sans-serif; color: var(--ink); margin: 0 auto;
  max-width: 68rem; padding: 1.5rem 1.25rem 4rem; background: #fff; }
h1 { font-size: 1.7rem; margin: 0 0 .2rem; } h2 { font-size: 1.25rem; margin: 2.4rem 0 .5rem;
  border-top: 1px solid var(--line); padding-top: 1.2rem; } h3 { margin: 1.4rem 0 .4rem; }
p { max-width: 48rem; margin: .4rem 0 .8rem; } .soft { color: var(--soft); }
table { border-collapse: collapse; margin: .6rem 0 1rem; font-size: .86rem; }
th, td { padding: .25rem .55rem; text-align: right; }
td { white-space: nowrap; font-variant-numeric: tabular-nums; }
tr.first td, tr.all td { border-top: 1px solid var(--line); }
th { color: var(--soft); font-weight: 600; vertical-align: bottom; max-width: 9rem; }
th:first-child, td:first-child { text-align: left; } td small { color: var(--soft); }
tr.worst td { background: #fdf0f3; } tr.all td { border-top: 2px solid var(--soft); }
.tag { background: var(--bad); color: #fff; border-radius: .25rem; padding: 0 .35rem;
  font-size: .75rem; margin-left: .4rem; }
.cards { display: flex; flex-wrap: wrap; gap: .8rem; margin: 1rem 0; }
.card { border: 1px solid var(--line); border-radius: .5rem; padding: .8rem 1rem;
  flex: 1 1 15rem; max-width: 24rem; }
.card h3 { margin: 0 0 .3rem; } .card dl { display: grid; grid-template-columns: 1fr auto;
  gap: .15rem .8rem; margin: 0; } .card dt { color: var(--soft); }
.card dd { margin: 0; text-align: right; font-variant-numeric: tabular-nums; }
figure { margin: .5rem 0 1rem; overflow-x: auto; } figure img { max-width: 100%; height: auto; }
.wide { overflow-x: auto; } .pair { display: flex; flex-wrap: wrap; gap: 1rem; }
.pair > * { flex: 1 1 24rem; } dl.terms dt { font-weight: 600; margin-top: .5rem; }
dl.terms dd { margin: 0; color: var(--soft); }
"""


def write_page(evaluation: Evaluation) -> Path:
    """report.html in the wish's folder. Raises StoreUnwritable."""
    return write_text(evaluation.wish.out / PAGE_FILE, page(evaluation))


def page(evaluation: Evaluation) -> str:
    """The whole page. Nothing in it comes from outside: no script, font or picture file."""
    title = f"How well “{evaluation.table}” hears"
    sections = [
        _head(evaluation, title),
        _summary(evaluation),
        _words(evaluation),
        _people(evaluation),
        _outside(evaluation),
        _confusions(evaluation),
        _probabilities(evaluation),
        _time_and_cost(evaluation),
        _terms(evaluation),
    ]
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{_STYLE}</style></head>\n<body>\n"
        + "\n".join(filter(None, sections))
        + "\n</body></html>\n"
    )


def _head(evaluation: Evaluation, title: str) -> str:
    recordings = evaluation.recordings
    words = sum(len(one.words) for one in recordings)
    outside = [one for one in recordings if not one.words]
    minutes = sum(one.duration_s for one in recordings) / 60.0
    speakers = len({one.speaker for one in recordings})
    snrs = [snr for snr in evaluation.wish.snrs_db if snr is not None]
    heard = [f"{words} words said to the table", f"{len(outside)} recordings in which nothing was"]
    text = (
        f"{_list(heard)}, by {speakers} {_plural('speaker', speakers)}, {minutes:.1f} minutes in"
        " all"
    )
    if snrs:
        ratios = _list([f"{snr:g} dB" for snr in snrs])
        text += f"; heard with {_list(evaluation.noises)} noise at speech-to-noise ratios of"
        text += f" {ratios}"
        if None in evaluation.wish.snrs_db:
            text += ", and as recorded"
    setups = _list([one.setup for one in evaluation.setups])
    return (
        f"<h1>{escape(title)}</h1><p>{escape(text)}. Set-up: {escape(setups)}; every set-up"
        " heard the very same sound, through the same ear and judge as the live table."
        f" <span class=soft>tablevoice {escape(evaluation.version)},"
        f" {escape(evaluation.wish.manifest.name)}, {escape(evaluation.cell_path.name)}</span></p>"
    )


def _summary(evaluation: Evaluation) -> str:
    cards = "".join(_card(one) for one in evaluation.setups)
    return (
        f'<h2>In short</h2><div class="cards">{cards}</div><p class=soft>In brackets: where the'
        " true value lies with 95 % confidence. Few recordings make wide brackets.</p>"
    )


def _card(one: SetupResults) -> str:
    words, outside = one.overall.words, one.overall.outside
    lines: list[tuple[str, str]] = []
    if words.right.of:
        lines += [
            ("words acted on rightly", percent(words.right)),
            ("… or after a confirmation", percent(words.right_or_confirmed)),
            ("wrong command acted on", percent(words.wrong)),
        ]
    if outside.false_act.of:
        lines.append(("outside clips acted on", percent(outside.false_act)))
    if outside.acts_an_hour.hours:
        lines.append(("acts an hour of other sound", hourly_text(outside.acts_an_hour)))
    if words.latency.count:
        lines.append(("verdict after the word, p95", _ms(words.latency.p95_ms)))
    if words.hold_latency.count:
        lines.append(("… pause and stop", _ms(words.hold_latency.p95_ms)))
    if one.cost.times_real_time is not None:
        lines.append(("one core, of real time", f"{one.cost.times_real_time:.3f} ×"))
    if one.cost.peak_resident_mb is not None:
        lines.append(("memory at most", f"{one.cost.peak_resident_mb:.0f} MB"))
    rows = "".join(f"<dt>{escape(what)}</dt><dd>{escape(value)}</dd>" for what, value in lines)
    return f'<div class="card"><h3>{escape(one.setup)}</h3><dl>{rows}</dl></div>'


def _words(evaluation: Evaluation) -> str:
    if not evaluation.setups[0].overall.words.right.of:
        return ""
    setups = evaluation.setups
    ratios = pictures.by_ratio(setups)
    return (
        "<h2>Words said to the table</h2><p>Each word ends as one of six: acted on rightly;"
        " understood, but the person is asked to confirm; asked to say it again; missed, as if"
        " nothing had been said; misunderstood and asked about; misunderstood and acted on.</p>"
        + _image(pictures.outcome_bars(setups), "Outcomes of the words by condition")
        + (_image(ratios, "Right and wrong over the ratio") if ratios else "")
        + _group_tables(setups, lambda one: (*one.by_condition, one.overall), "condition")
    )


def _people(evaluation: Evaluation) -> str:
    setups = evaluation.setups
    parts = []
    if len(setups[0].by_family) > 1:
        parts.append("<h3>Families of voices</h3>")
        parts.append(_group_tables(setups, lambda one: one.by_family, "family"))
    if len([group for group in setups[0].by_speaker if group.words.right.of]) > 1:
        parts.append("<h3>Speakers</h3>")
        parts.append(
            _group_tables(setups, lambda one: one.by_speaker[:MOST_SPEAKERS], "speaker")
        )
    if len([group for group in setups[0].by_word if group.words.right.of]) > 1:
        parts.append("<h3>Meanings</h3>")
        parts.append(_group_tables(setups, lambda one: one.by_word, "meaning"))
    if not parts:
        return ""
    return (
        "<h2>Who is heard worst, and which word</h2><p>The worst stand first: a mean hides the"
        " person whom the table does not understand.</p>" + "".join(parts)
    )


def _group_tables(
    setups: Sequence[SetupResults],
    groups: Callable[[SetupResults], Sequence[Group]],
    kind: str,
) -> str:
    """One table, the set-ups side by side: below each other, in the order of the last one."""
    rows = []
    for name in [group.name for group in groups(setups[-1])]:
        for at, one in enumerate(setups):
            group = next((group for group in groups(one) if group.name == name), None)
            if group is None or not group.words.right.of:
                continue
            worst = '<span class="tag">worst</span>' if group.worst else ""
            cells = [(escape(name or "(none)") if at == 0 else "") + worst]
            cells += [escape(one.setup)] if len(setups) > 1 else []
            rows.append((_row_class(group, at), [*cells, *_word_cells(group.words)]))
    setup = ["set-up"] if len(setups) > 1 else []
    head = [kind, *setup, "words", "right", "to confirm", "asked again", "missed",
            "wrong, to confirm", "wrong, acted on", "p95"]  # fmt: skip
    return _table(head, rows)


def _word_cells(words: Words) -> list[str]:
    shares = (words.right, words.confirmed, words.asked_again, words.missed,
              words.confirmed_wrong, words.wrong)  # fmt: skip
    return [str(words.right.of), *map(_cell, shares), escape(_ms(words.latency.p95_ms))]


def _row_class(group: Group, place: int) -> str:
    """``place`` among the rows of the same group: the first one is set off."""
    kinds = ["worst"] if group.worst else []
    kinds += ["all"] if group.name == "all" and place == 0 else ["first"] if place == 0 else []
    return " ".join(kinds)


def _outside(evaluation: Evaluation) -> str:
    rows = []
    setups = evaluation.setups
    for place in range(len(setups[0].by_condition) + 1):
        for at, one in enumerate(setups):
            group = (*one.by_condition, one.overall)[place]
            outside: Outside = group.outside
            if not outside.quiet.of and not outside.acts_an_hour.hours:
                continue
            rate, bothers = outside.acts_an_hour, outside.bothers_an_hour
            cells = [
                escape(group.name) if at == 0 else "", escape(one.setup),
                str(outside.quiet.of or ""), _cell(outside.false_act), _cell(outside.bothered),
                f"{rate.hours:.2f}" if rate.hours else "", _hourly_cell(rate),
                _hourly_cell(bothers),
            ]  # fmt: skip
            rows.append((_row_class(group, at), cells))
    if not rows:
        return ""
    head = ("condition", "set-up", "clips", "acted on", "somebody bothered", "hours",
            "acts an hour", "bothered an hour")  # fmt: skip
    return (
        "<h2>Everything else that was said or sounded</h2><p>Nothing here was said to the table,"
        " so nothing should have been acted on. Clips are recordings of less than 30 s; longer"
        " ones, and the time between the words of a long recording, count by the hour. Where"
        " nothing happened, the bracket holds the most that may still be true.</p>"
        + _table(head, rows)
    )


def _confusions(evaluation: Evaluation) -> str:
    parts = [
        f"<div><h3>{escape(one.setup)}</h3>"
        + _image(pictures.confusion(one.confusion, one.setup), f"Confusions of {one.setup}")
        + "</div>"
        for one in evaluation.setups
        if one.confusion.said
    ]
    if not parts:
        return ""
    return (
        "<h2>What was taken for what</h2><p>A row is what was said, a column what the table took"
        " it for, whether it acted or asked to confirm. Red numbers are mistakes.</p>"
        f'<div class="pair">{"".join(parts)}</div>'
    )


def _probabilities(evaluation: Evaluation) -> str:
    det = pictures.detection(evaluation.setups)
    calibration = pictures.reliability(evaluation.setups)
    if det is None and calibration is None:
        return ""
    parts = []
    if det is not None:
        parts.append(
            "<div><h3>Detection errors</h3><p>What other thresholds on the probability would"
            " give: few outside clips accepted to the left, few words missed at the bottom. Nearer"
            " to the lower left corner is better. On the grey line both are equally"
            " frequent.</p>" + _image(det, "Detection errors") + "</div>"
        )
    if calibration is not None:
        parts.append(
            "<div><h3>Are the probabilities true?</h3><p>Of the utterances held to be 80 %"
            " probable, 80 % should be right. Points below the line: too sure of itself.</p>"
            + _image(calibration, "Reliability") + "</div>"
        )  # fmt: skip
    return f"<h2>What the probabilities are worth</h2>{''.join(parts)}"


def _time_and_cost(evaluation: Evaluation) -> str:
    rows = []
    for one in evaluation.setups:
        for what, latency in (
            ("all words", one.overall.words.latency),
            ("pause, stop", one.overall.words.hold_latency),
        ):
            if latency.count:
                late = (latency.p50_ms, latency.p95_ms, latency.peak_p50_ms, latency.peak_p95_ms)
                rows.append(("", [escape(one.setup), what, str(latency.count), *map(_ms, late)]))
    head = ("set-up", "", "verdicts", "p50", "p95", "p50, by the −20 dB mark", "p95, likewise")
    costs = [
        ("", [escape(one.setup), f"{one.cost.times_real_time:.3f} ×",
              _megabytes(one.cost.peak_resident_mb), _megabytes(one.cost.before_opening_mb)])
        for one in evaluation.setups
        if one.cost.times_real_time is not None
    ]  # fmt: skip
    picture = pictures.delays(evaluation.setups, evaluation.results, StandingKind.HOLDS)
    return (
        "<h2>How long the person waits, and what it costs</h2><p>From the end of the word to the"
        " verdict, computing included, for words that were understood. Where a word ends is a"
        " matter of definition, so two marks are given.</p>"
        + (_image(picture, "Delays") if picture else "")
        + (_table(head, rows) if rows else "")
        + _table(("set-up", "processor time, of real time on one core", "memory at most",
                  "of it before the ear was opened"), costs)
    )  # fmt: skip


def _terms(evaluation: Evaluation) -> str:
    terms = "".join(
        f"<dt>{escape(name.replace('_', ' '))}</dt><dd>{escape(text)}.</dd>"
        for name, text in DEFINITIONS.items()
    )
    synthetic = (
        "<p>These figures hold for these recordings. Children, strong accents, shouting and"
        " another room need recordings of their own.</p>"
    )
    return f'<h2>What the words mean</h2>{synthetic}<dl class="terms">{terms}</dl>'


def _table(head: Sequence[str], rows: Iterable[tuple[str, Sequence[str]]]) -> str:
    """``rows``: a class, and cells that are HTML already. Columns without a value go."""
    rows = list(rows)
    used = [at for at in range(len(head)) if any(cells[at] for _, cells in rows)]
    head = [head[at] for at in used]
    rows = [(kind, [cells[at] for at in used]) for kind, cells in rows]
    top = "".join(f"<th>{escape(name)}</th>" for name in head)
    body = "".join(
        f'<tr class="{kind}">' + "".join(f"<td>{cell}</td>" for cell in cells) + "</tr>"
        for kind, cells in rows
    )
    return f'<div class="wide"><table><tr>{top}</tr>{body}</table></div>'


def _cell(share: Share) -> str:
    value, _, bounds = percent(share).partition(" (")
    return f"{value} <small>({bounds}</small>" if bounds else value


def _hourly_cell(rate: HourlyRate) -> str:
    value, _, bounds = hourly_text(rate).partition(" (")
    return f"{value} <small>({bounds}</small>" if bounds else value


def _image(svg: str, text: str) -> str:
    # As data of an image, not as part of the page: names inside pictures cannot meet.
    data = base64.b64encode(svg.encode()).decode()
    return (
        f'<figure><img alt="{escape(text)}" src="data:image/svg+xml;base64,{data}"></figure>'
    )


def _ms(value: float | None) -> str:
    return "" if value is None else f"{value:.0f} ms"


def _megabytes(value: float | None) -> str:
    return "" if value is None else f"{value:.0f} MB"


def _plural(word: str, count: int) -> str:
    return word if count == 1 else f"{word}s"


def _list(parts: Sequence[str]) -> str:
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} and {parts[-1]}"
