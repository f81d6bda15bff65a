"""Runs the measurement of a set of words and says in plain words what came of it.

Knows the options of ``tablevoice words`` and how the result is printed; the measuring is
in :mod:`tablevoice.commands.choosing_words`, the drawing in
:mod:`tablevoice.commands.word_picture`.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from pathlib import Path

from rich.console import Console
from rich.table import Table

from tablevoice.commands.choosing_words import (
    Confusability,
    Trials,
    checked_words,
    measure,
    pronounce_options,
    propose,
    words_in,
)
from tablevoice.commands.word_picture import draw
from tablevoice.corpora.rendering import Progress
from tablevoice.errors import TablevoiceError
from tablevoice.evaluation.intervals import Share
from tablevoice.nearest import advice
from tablevoice.phrasebook.phrases import spoken_phrases
from tablevoice.wording import normalise

_MOST_PAIRS = 12
_LOWEST_SNR_DB, _HIGHEST_SNR_DB = -30.0, 60.0

Bar = Callable[[str], AbstractContextManager[Progress]]


@dataclass(frozen=True, slots=True)
class Wanted:
    """The options of the command, as they were given."""

    words: tuple[str, ...]
    cell_file: Path | None
    choose_from: Path | None
    keep: tuple[str, ...]
    replace: int
    snr: str
    noise: str
    speakers: int
    pronounce: tuple[str, ...]
    seed: int
    out: Path


def report_words(wanted: Wanted, console: Console, bar: Bar) -> None:
    """Measure, print, draw, propose, and measure the proposal. Raises TablevoiceError."""
    trials, words = _trials(wanted)
    phones = checked_words(words, trials)
    keep = {normalise(word) for word in wanted.keep}
    for word in sorted(keep - set(phones)):
        raise TablevoiceError(f"{word!r} is kept but not in the set.", do=advice(word, phones))
    if not wanted.out.resolve().parent.is_dir():
        raise TablevoiceError(
            "there is no such folder for the picture.", where=str(wanted.out), do="Make it first."
        )
    choose_from = None if wanted.choose_from is None else words_in(wanted.choose_from)
    with bar("measuring the words") as progress:
        found = measure(phones, trials, progress)
    _print(found, console)
    draw(found, "How easily these words are confused", wanted.out)
    console.print(f"Picture: {wanted.out}", markup=False)
    worst = [word for word in found.worst_words() if word not in keep][: wanted.replace]
    proposals, better = propose(found, phones, worst, choose_from)
    for proposal in proposals:
        if proposal.better:
            choices = ", ".join(f"{word} ({away:.1f})" for word, away in proposal.better)
            text = f"instead of {proposal.word}: {choices}"
        else:
            text = f"instead of {proposal.word}: nothing to choose from lies farther away"
        console.print(
            f"{text}; now {proposal.distance:.1f} phones from {proposal.nearest}", markup=False
        )
    if set(better) == set(phones):
        return
    again = checked_words(better, trials)
    with bar("measuring the proposal") as progress:
        after = measure(again, trials, progress)
    second = wanted.out.with_name(f"{wanted.out.stem}_proposed{wanted.out.suffix}")
    draw(after, "How easily the proposed words are confused", second)
    console.print(f"\nproposed: {' '.join(better)}", markup=False)
    for snr_db in trials.snrs_db:
        before, now = found.right(snr_db=snr_db), after.right(snr_db=snr_db)
        console.print(
            f"  at {snr_db:g} dB heard right: {_share(now)} instead of {_share(before)}",
            markup=False,
        )
    if (after.right().share or 0.0) <= (found.right().share or 0.0):
        console.print("The proposal was not heard better: keep the words you have.")
    console.print(f"Picture: {second}", markup=False)


def _trials(wanted: Wanted) -> tuple[Trials, tuple[str, ...]]:
    trials = Trials(
        _ratios(wanted.snr), wanted.speakers, wanted.noise, wanted.seed,
        pronunciations=dict(pronounce_options(wanted.pronounce)),
    )  # fmt: skip
    if wanted.cell_file is None:
        return trials, wanted.words
    from tablevoice.cell import load_cell

    cell = load_cell(wanted.cell_file)
    book = cell.phrasebook
    own = {**book.pronunciations, **trials.pronunciations}
    trials = replace(
        trials,
        recogniser=cell.recogniser.kind,
        model=cell.recogniser.model,
        language=book.language,
        pronunciations=own,
    )
    return trials, wanted.words or tuple(spoken_phrases(book))


def _ratios(text: str) -> tuple[float, ...]:
    ratios = []
    for part in filter(None, (part.strip() for part in text.split(","))):
        try:
            ratio = float(part)
        except ValueError:
            ratio = float("nan")
        if not _LOWEST_SNR_DB <= ratio <= _HIGHEST_SNR_DB:
            raise TablevoiceError(
                f"{part!r} is no ratio of speech to noise.",
                where="--snr",
                do=f"Give dB from {_LOWEST_SNR_DB:g} to {_HIGHEST_SNR_DB:g}: --snr 10,0.",
            )
        ratios.append(ratio)
    if not ratios:
        raise TablevoiceError("No ratio is given.", where="--snr", do="Give one: --snr 10,0.")
    return tuple(dict.fromkeys(ratios))


def _print(found: Confusability, console: Console) -> None:
    pairs = Table("pair", "one heard for the other", "phones apart", title="Worst pairs first")
    for pair in found.pairs()[:_MOST_PAIRS]:
        pairs.add_row(
            f"{pair.first} – {pair.second}", _share(pair.confused), f"{pair.distance:.1f}"
        )
    console.print(pairs)
    snrs_db = tuple(found.heard)
    single = Table(
        "word", *(f"right at {snr_db:g} dB" for snr_db in snrs_db), "nearest", "phones apart",
        title="Worst words first",
    )  # fmt: skip
    for word in found.worst_words():
        nearest, away = found.nearest(word)
        single.add_row(
            word, *(_share(found.right(word, snr_db)) for snr_db in snrs_db), nearest, f"{away:.1f}"
        )
    console.print(single)
    whole = ", ".join(f"{_share(found.right(snr_db=s))} at {s:g} dB" for s in snrs_db)
    families = sorted({speaker.family for speaker in found.speakers})
    console.print(
        f"Heard right: {whole}; {len(found.speakers)} synthetic speakers"
        f" ({', '.join(families)}), a grammar of just these words. In brackets 95 % intervals.",
        markup=False,
    )


def _share(share: Share) -> str:
    if share.share is None or share.low is None or share.high is None:
        return "–"
    return f"{100 * share.share:.0f} % ({100 * share.low:.0f} to {100 * share.high:.0f})"
