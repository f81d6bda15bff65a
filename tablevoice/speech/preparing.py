"""Renders ahead everything that can be said with known slot values, into the store.

Knows texts and voices, not phrasebooks: the caller passes what can be said. Only what
the store lacks is rendered, so a second run after an edit costs the edited lines.
Called before a table opens and by the check of a cell.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from contextlib import ExitStack
from dataclasses import dataclass
from itertools import islice
from queue import SimpleQueue
from typing import TypeAlias

from tablevoice.errors import EngineFailed, Problem, StoreUnwritable, TablevoiceError
from tablevoice.model import Voice
from tablevoice.speech.engines import Engine
from tablevoice.speech.store import PreparedStore, line_key
from tablevoice.speech.trimming import trim

MOST_LINES = 20_000
"""Twice the largest phrasebook in sight; at 2 s and 25 kB/s of FLAC that is 1 GB."""

MOST_FAILURES_RUNNING = 20
"""So many failures without a success between them: the rest would fail as well."""


@dataclass(frozen=True, slots=True)
class Prepared:
    """What became of a preparation.

    ``made`` were rendered, ``kept`` were there already, ``left_out`` were not tried
    (too many, or given up); ``problems`` tells what failed and why, a line each.
    """

    made: int
    kept: int
    left_out: int
    problems: tuple[Problem, ...]


Progress: TypeAlias = Callable[[int, int], None]
"""Called with the number of lines done and of lines in all, from the calling thread."""


def prepare(
    lines: Iterable[tuple[str, str]],
    voices: Mapping[str, Voice],
    engine: Engine,
    store: PreparedStore,
    progress: Progress | None = None,
    *,
    workers: int = 2,
    limit: int = MOST_LINES,
    timeout_s: float = 30.0,
) -> Prepared:
    """Bring every ``(text, voice name)`` of ``lines`` into ``store``, each once.

    Takes no more than ``limit`` of them; ``workers`` engines render side by side (the
    given one and its own copies). Raises :class:`EngineFailed` when an engine that is
    needed does not even start, and ``ValueError`` for a count below one.
    """
    if workers < 1 or limit < 1:
        raise ValueError(f"workers {workers} and limit {limit} must be 1 or more")
    wanted, problems, left_out = _wanted(lines, voices, engine, limit)
    missing = {key: line for key, line in wanted.items() if not store.has(key)}
    kept = len(wanted) - len(missing)
    if progress is not None:
        progress(kept, len(wanted))
    made = unmade = done = failures_running = 0
    given_up = False
    with ExitStack() as open_engines:
        engines: SimpleQueue[Engine] = SimpleQueue()
        engines.put(engine)
        for _ in range(min(workers, len(missing)) - 1):
            engines.put(open_engines.enter_context(engine.another()))
        pool = open_engines.enter_context(ThreadPoolExecutor(workers))
        running: set[Future[TablevoiceError | None]] = set()
        rest = iter(missing.items())
        while True:
            room = 0 if given_up else workers - len(running)
            for key, (text, voice) in islice(rest, room):
                running.add(pool.submit(_make, key, text, voice, engines, store, timeout_s))
            if not running:
                break
            finished, running = wait(running, return_when=FIRST_COMPLETED)
            for future in finished:
                done += 1
                error = future.result()
                if error is None:
                    made += 1
                    failures_running = 0
                else:
                    problems.append(error.problem)
                    unmade += 1
                    failures_running += 1
                    # Without a place to store, rendering on would only push lines out of
                    # memory that are there.
                    given_up = given_up or isinstance(error, StoreUnwritable)
                    given_up = given_up or failures_running >= MOST_FAILURES_RUNNING
                if progress is not None:
                    progress(kept + done, len(wanted))
    untried = len(missing) - done
    gone = sum(not store.has(key) for key in wanted) - unmade - untried
    if gone > 0:
        what = f"The store is too small: {gone} of {len(wanted)} lines were pushed out again."
        problems.append(Problem(what, "store.max_mb", "Give it a larger bound."))
    return Prepared(made, kept, left_out + untried, tuple(problems))


def _make(
    key: str,
    text: str,
    voice: Voice,
    engines: SimpleQueue[Engine],
    store: PreparedStore,
    timeout_s: float,
) -> TablevoiceError | None:
    """Render one line with the next free engine and store it; the error instead of raising it."""
    engine = engines.get()
    try:
        store.put(key, trim(engine.render(text, voice, timeout_s)))
    except (EngineFailed, StoreUnwritable) as error:
        return error
    finally:
        engines.put(engine)
    return None


def _wanted(
    lines: Iterable[tuple[str, str]],
    voices: Mapping[str, Voice],
    engine: Engine,
    limit: int,
) -> tuple[dict[str, tuple[str, Voice]], list[Problem], int]:
    """Entries by key, problems with voices, and how many lines lie beyond the limit."""
    wanted: dict[str, tuple[str, Voice]] = {}
    unknown: dict[str, None] = {}
    left_out = 0
    for text, name in lines:
        if name not in voices:
            unknown[name] = None
            continue
        voice = voices[name]
        key = line_key(text, voice, engine.version(voice.engine))
        if key in wanted:
            continue
        if len(wanted) == limit:
            left_out += 1
            continue
        wanted[key] = (text, voice)
    advice = f"Name one of: {', '.join(voices)}."
    problems = [Problem(f"Lines name an unknown voice {name!r}.", "", advice) for name in unknown]
    return wanted, problems, left_out
