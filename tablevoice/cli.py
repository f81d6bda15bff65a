"""The ``tablevoice`` command: thin, every subcommand a few lines over the rooms.

Turns every error raised on purpose into one message on standard error and exit status
1; standard output belongs to results and, in ``run``, to messages alone.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console

from tablevoice import __version__, cli_acoustics, cli_links, cli_rehearsing, cli_running
from tablevoice.commands.clear_errors import clear_errors as _clear_errors
from tablevoice.commands.clear_errors import show_problem as _show
from tablevoice.commands.progress_bars import bar, steps
from tablevoice.errors import Problem, TablevoiceError
from tablevoice.links import messages
from tablevoice.links.messages import Outbound

if TYPE_CHECKING:
    from tablevoice.cell import Cell

CAUTIONS = """tablevoice is not a safety function. A spoken "pause" or "stop" only asks the cell
to hold; it may be missed, late or wrong. Emergency stop and guards are hard-wired,
designed to local codes by licensed practice, and a spoken pause is not lockout/tagout."""

app = typer.Typer(
    help="Lets a machine table talk and listen.\n\n" + CAUTIONS.replace("\n", " "),
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


class Form(str, Enum):
    """How a report is written."""

    TEXT = "text"
    JSON = "json"
    SARIF = "sarif"


CellFile = Annotated[Path, typer.Argument(help="The cell file of the table.", metavar="CELL.YAML")]


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"tablevoice {__version__}")
        raise typer.Exit


@app.callback()
def main(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show it and end.")
    ] = False,
) -> None:
    pass


@app.command()
def demo(
    out: Annotated[Path, typer.Option(help="Folder for what it makes.")] = Path("demo_out"),
    quiet: Annotated[bool, typer.Option(help="Render only, even where it could be heard.")] = False,
) -> None:
    """Play the built-in scenario: two arms and a visitor string up lanterns."""
    from tablevoice.demo.performance import Audience, perform

    console = Console(highlight=False)
    with _clear_errors():
        with bar("preparing lines") as preparing:
            audience = Audience(
                lambda text: console.print(text, soft_wrap=True, markup=False),
                lambda message: _tell(console, message),
                preparing,
            )
            shown = perform(out, audience, quiet=quiet)
        took = f"{shown.session_s:.0f} s of session in {shown.took_s:.0f} s"
        console.print(f"\n{took}. In {out}:")
        for path in shown.files:
            console.print(f"  {path.name:<14} {_ABOUT[path.name]}")
        console.print(f"\n{CAUTIONS}", style="yellow", soft_wrap=True)


_ABOUT = {
    "session.wav": "arms, visitor and room noise, as heard at the table",
    "captions.vtt": "what the arms said, as WebVTT captions",
    "session.jsonl": "every message, in and out",
    "timeline.png": "who spoke when, what was heard, how surely, what was decided",
}


def _tell(console: Console, message: Outbound) -> None:
    """A message of the table as a person would want to read it."""
    match message:
        case messages.Said() if message.start_s is not None:
            cut = " (cut short)" if message.said == "cut" else ""
            line = f"{message.start_s:6.1f} s  {message.voice:>9}: {message.text}{cut}"
            console.print(line, markup=False)
        case messages.HeardReported():
            fate = {"act": "", "confirm": ", to be confirmed", "ask_again": ", asked again",
                    "ignore": ", taken for nothing said to the table"}  # fmt: skip
            what = message.text or "something"
            line = f"{message.start_s:6.1f} s      heard: {what} ({message.certainty:.0%}"
            less = ", on less evidence" if message.on_less_evidence else ""
            number = f" [{message.utterance}]" if message.utterance else ""
            told = f"{line}{fate[message.verdict]}{less}){number}"
            console.print(told, style="cyan", markup=False)
        case messages.AnswerGiven():
            value = message.value if message.value is not None else "no answer"
            line = f"{message.at_s:6.1f} s     answer: {message.question} = {value}"
            console.print(f"{line} ({message.how})", style="green", markup=False)
        case messages.HoldRequest():
            line = f"{message.at_s:6.1f} s       hold: asked for by “{message.phrase}”"
            console.print(line, style="red", markup=False)
        case messages.GuardReported():
            armed = "armed" if message.armed else message.why or message.state
            line = f"{message.at_s:6.1f} s stop guard: {armed}"
            console.print(line, style="green" if message.armed else "red", markup=False)
        case messages.ErrorReported():
            problem = Problem(message.what, message.where, message.do)
            line = f"{message.at_s:6.1f} s      error: {problem}"
            console.print(line, style="red", markup=False, soft_wrap=True)
        case _:
            pass


@app.command(
    context_settings={"ignore_unknown_options": True, "allow_extra_args": True},
    add_help_option=False,
)
def guard(context: typer.Context) -> None:
    """Watch the physical stop inputs and hold the permit: the stop guard.

    A process of its own that shares nothing with the talking half. `tablevoice guard --help`
    tells its options: --check, --prove.
    """
    # Started by its module's name, never imported: the wall between the halves.
    command = [sys.executable, "-m", "tablevoice.guard", *context.args]
    if os.name == "posix":
        os.execv(sys.executable, command)  # one process, so that signals reach the guard
    raise typer.Exit(subprocess.call(command))


@app.command()
def check(
    cell_file: CellFile,
    form: Annotated[
        Form, typer.Option("--format", help="text, json or sarif (SARIF 2.1.0, for editors).")
    ] = Form.TEXT,
    strict: Annotated[
        bool, typer.Option("--strict", help="Exit status 1 for anything that is not accepted.")
    ] = False,
    lines: Annotated[
        bool, typer.Option("--lines", help="The lines alone: no device, no recogniser.")
    ] = False,
    render: Annotated[
        bool, typer.Option("--render", help="With --lines: prepare lines, to measure them.")
    ] = False,
) -> None:
    """Say whether this table may open, what is missing, and what an editor says of its lines.

    Exit status 1 when it may not open (for --lines: when a file is refused), or, with --strict,
    when any finding is left that nobody accepted.
    """
    from tablevoice.commands.check_json import as_report
    from tablevoice.commands.check_sarif import as_sarif
    from tablevoice.commands.check_text import show_report
    from tablevoice.commands.checking import check_cell

    with _clear_errors(), bar("preparing lines") as progress:
        report = check_cell(cell_file, progress, lines_only=lines, render=render)
    failed = not report.may_open or (strict and not report.clean)
    if form is Form.JSON:
        typer.echo(as_report(report, cell_file).model_dump_json(indent=2))
    elif form is Form.SARIF:
        typer.echo(json.dumps(as_sarif(report, Path.cwd()), indent=2, ensure_ascii=False))
    else:
        show_report(report, Console(highlight=False, soft_wrap=True), CAUTIONS)
    if failed:
        raise typer.Exit(1)


CellOption = Annotated[
    Path | None, typer.Option("--cell", help="Cell file; the demo's when left out.")
]


@app.command()
def prepare(
    cell_file: CellFile,
    quick: Annotated[bool, typer.Option(help="Do not read what is prepared already.")] = False,
) -> None:
    """Render ahead every line that can be known, and make again what is damaged."""
    from tablevoice.cell import load_cell
    from tablevoice.commands.preparing_lines import prepare_lines

    with _clear_errors(), bar("preparing lines") as progress:
        told = prepare_lines(load_cell(cell_file), progress, look_closely=not quick)
    typer.echo("\n".join(told.lines))
    for problem in told.problems:
        _show(problem)
    if told.problems:
        raise typer.Exit(1)


@app.command()
def say(
    event: Annotated[str, typer.Argument(help="An event of the phrasebook.", metavar="EVENT")],
    slots: Annotated[
        list[str] | None,
        typer.Argument(help="Values, such as lights=4.", metavar="SLOT=VALUE"),
    ] = None,
    cell_file: CellOption = None,
    out: Annotated[Path | None, typer.Option(help="Write a sound file instead of playing.")] = None,
    every: Annotated[bool, typer.Option(help="All lines of the event, one after another.")] = False,
) -> None:
    """Audition a line of an event."""
    from tablevoice.commands.auditioning import audition

    console = Console(highlight=False, soft_wrap=True)
    with _clear_errors():
        for voice, text in audition(_cell(cell_file), event, slots or [], out=out, every=every):
            console.print(f"{voice}: {text}", markup=False)


@app.command()
def listen(
    cell_file: CellOption = None,
    file: Annotated[
        Path | None, typer.Option(help="A sound file instead of the microphone.")
    ] = None,
) -> None:
    """Show what is heard, live, and what the table would make of it."""
    from tablevoice.commands.listening_in import listen_in

    with _clear_errors():
        listen_in(_cell(cell_file), file, Console(highlight=False))


@app.command()
def evaluate(
    manifest: Annotated[
        Path, typer.Argument(help="path,expected,speaker,condition.", metavar="MANIFEST.CSV")
    ],
    cell_file: CellOption = None,
    out: Annotated[Path, typer.Option(help="Folder of the report.")] = Path("report"),
    compare: Annotated[
        str, typer.Option(help="Set-ups, side by side: grammar,second_opinion,both.")
    ] = "both",
    snr: Annotated[
        str, typer.Option(help="Ratios in dB at which noise is mixed in, as in 20,10,5,clean.")
    ] = "",
    noise: Annotated[
        list[str] | None,
        typer.Option(help="shop, pump, babble, … or a sound file; may be repeated."),
    ] = None,
    workers: Annotated[
        int | None, typer.Option(min=1, help="Processes; one a core when left out.")
    ] = None,
    dask: Annotated[
        str | None, typer.Option(help="Address of a Dask scheduler, as in tcp://10.0.0.2:8786.")
    ] = None,
) -> None:
    """Measure with recordings how well a cell hears, and what else it acts on.

    `expected` is a phrase of the cell, or empty where nothing should be acted on. Goes on
    where an interrupted run stopped. Writes report.html, results.json and outcomes.csv.
    """
    from tablevoice.commands.evaluating import measure, read_setups, read_snrs, show
    from tablevoice.evaluation.instrument import Wish

    console = Console(highlight=False)
    with _clear_errors():
        wish = Wish(
            manifest, out, read_setups(compare), read_snrs(snr), tuple(noise or ()),
            workers, dask,
        )  # fmt: skip
        with bar("listening") as progress:
            evaluation, files = measure(_cell(cell_file), wish, progress)
        show(evaluation, console)
        for path in files:
            console.print(str(path), soft_wrap=True, markup=False)


@app.command()
def why(
    utterance: Annotated[
        str | None, typer.Argument(help="Its number; without one the last are listed.")
    ] = None,
    cell_file: CellOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, with all numbers.")] = False,
    last: Annotated[int, typer.Option(help="How many to list.", min=1)] = 15,
) -> None:
    """Explain a verdict: what was heard, what each choice would have cost, what would turn it."""
    from tablevoice.commands import explaining

    with _clear_errors():
        cell = _cell(cell_file)
        costs = cell.listening.costs
        if utterance is None:
            found = explaining.last_heard(cell, last)
            rows = [explaining.explained(past, costs) for past in found] if as_json else []
            told = [explaining.in_a_line(past) for past in found] or ["Nothing was heard so far."]
        else:
            past = explaining.past_utterance(cell, utterance)
            rows = [explaining.explained(past, costs)] if as_json else []
            told = explaining.explain(past, costs)
        if as_json:
            of_one = rows[0] if utterance is not None else rows
            typer.echo(json.dumps(of_one, indent=2, ensure_ascii=False))
        else:
            typer.echo("\n".join(told))


@app.command()
def correct(
    utterance: Annotated[str, typer.Argument(help="The number of what was judged wrongly.")],
    said: Annotated[str | None, typer.Option(help="The phrase that was said in truth.")] = None,
    nothing: Annotated[bool, typer.Option(help="Nothing was said to the table.")] = False,
    cell_file: CellOption = None,
) -> None:
    """Mark a verdict as wrong; the next tuning learns from it where its sound was kept."""
    from tablevoice.commands import explaining

    with _clear_errors():
        typer.echo(explaining.correct(_cell(cell_file), utterance, said, nothing))


@app.command()
def words(
    spoken: Annotated[
        list[str] | None,
        typer.Argument(help="The words of a set; a phrase in quotes.", metavar="WORD..."),
    ] = None,
    cell_file: Annotated[
        Path | None,
        typer.Option("--cell", help="Take the words, the recogniser and pronunciations of a cell."),
    ] = None,
    choose_from: Annotated[
        Path | None, typer.Option(help="Words that may be proposed, one a line; else plain ones.")
    ] = None,
    keep: Annotated[list[str] | None, typer.Option(help="A word not to be replaced.")] = None,
    replace: Annotated[int, typer.Option(min=0, help="How many words to find better ones for.")] = (
        2
    ),
    snr: Annotated[str, typer.Option(help="Speech over noise in dB, several by commas.")] = "10,0",
    noise: Annotated[str, typer.Option(help="shop, pump, fan, music, ... or a sound file.")] = (
        "shop"
    ),
    speakers: Annotated[int, typer.Option(min=1, help="How many voices say every word.")] = 12,
    pronounce: Annotated[
        list[str] | None, typer.Option(help="A word's phones: 'zaffre=Z AE F ER'.")
    ] = None,
    seed: Annotated[int, typer.Option(help="Another one: other voices and noises.")] = 1,
    out: Annotated[Path, typer.Option(help="The picture.")] = Path("words.png"),
) -> None:
    """Measure how easily words are confused, by sound and through noise; propose better ones."""
    from tablevoice.commands.word_report import Wanted, report_words

    wanted = Wanted(
        tuple(spoken or ()), cell_file, choose_from, tuple(keep or ()), replace, snr, noise,
        speakers, tuple(pronounce or ()), seed, out,
    )  # fmt: skip
    with _clear_errors():
        report_words(wanted, Console(highlight=False), bar)


@app.command()
def enrol(
    cell_file: CellFile,
    name: Annotated[str, typer.Argument(help="Who says the words.")],
    folder: Annotated[
        Path | None,
        typer.Option("--from", help="Files WORD-1.wav to WORD-3.wav instead of the microphone."),
    ] = None,
    word: Annotated[list[str] | None, typer.Option(help="Only this word; may come again.")] = None,
    consent: Annotated[bool, typer.Option(help="The person has read the text and agreed.")] = False,
    forget: Annotated[bool, typer.Option(help="Delete all that is kept of this person.")] = False,
) -> None:
    """Have an operator say each word three times, so that the next tuning hears them better."""
    from datetime import datetime, timezone

    from tablevoice import enrolment
    from tablevoice.cell import load_cell
    from tablevoice.commands.enrolling import enrol_from_folder, enrol_live

    with _clear_errors():
        cell = load_cell(cell_file)
        if forget:
            typer.echo(f"{enrolment.forget(cell, name)} takes of {name} were deleted.")
            return
        if not consent:
            typer.echo(enrolment.CONSENT)
            if not sys.stdin.isatty():
                raise TablevoiceError(
                    "Nobody has agreed yet.", do="Let the person read this, then add --consent."
                )
            typer.confirm(f"Does {name} agree?", abort=True)
        given = (enrolment.CONSENT, datetime.now(timezone.utc))
        if folder is not None:
            kept = enrol_from_folder(cell, name, folder, *given, word)
        else:
            kept = enrol_live(cell, name, typer.echo, *given, word)
        typer.echo(f"{kept} takes of {name} are kept; the next tuning learns from them.")


@app.command()
def tune(
    cell_file: CellFile,
    noise: Annotated[list[Path] | None, typer.Option(help="A recording of the room.")] = None,
    voice_samples: Annotated[
        list[Path] | None, typer.Option(help="Folder of recorded words: word-1.wav and so on.")
    ] = None,
    out: Annotated[Path | None, typer.Option(help="The tuned file; else beside the cell.")] = None,
    seed: Annotated[int, typer.Option(help="Another number, other examples.")] = 1,
    workers: Annotated[int | None, typer.Option(help="Processes; else one a core.", min=1)] = None,
) -> None:
    """Make the table know its words by their sound: minutes of work, one file beside the cell."""
    from tablevoice.cell import load_cell
    from tablevoice.commands.tuning_up import summary, tune_cell

    with _clear_errors():
        cell = load_cell(cell_file)
        with steps() as step:
            tuned = tune_cell(
                cell, out=out, noise_files=noise or (), voice_folders=voice_samples or (),
                workers=workers, seed=seed, step=step,
            )  # fmt: skip
        for line in summary(tuned):
            typer.echo(line)


@app.command()
def schema(
    what: Annotated[
        str,
        typer.Argument(
            help="phrasebook, word_list, cell, messages, results, check, health.", metavar="WHAT"
        ),
    ],
) -> None:
    """Print a JSON Schema, for editors that complete and check, or for the controller."""
    from tablevoice.commands.schemas import schema_of

    with _clear_errors():
        typer.echo(json.dumps(schema_of(what), indent=2, ensure_ascii=False))


cli_acoustics.add_to(app)
cli_links.add_to(app)
cli_rehearsing.add_to(app)
cli_running.add_to(app, CAUTIONS)


def _cell(cell_file: Path | None) -> Cell:
    from tablevoice.cell import load_cell
    from tablevoice.shipped import shipped

    return load_cell(cell_file if cell_file is not None else shipped("lantern_table.yaml"))
