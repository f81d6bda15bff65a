"""Renders ahead everything that can be said with known slot values, into the store.

Knows words and voices, not phrasebooks: the caller passes what can be said. Only what
the store lacks is rendered, so a second run after an edit costs the edited lines. Called
before a table opens, by the check of a cell and by ``tablevoice prepare``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from contextlib import ExitStack
from dataclasses import dataclass
from itertools import islice
from queue import SimpleQueue
from typing import TypeAlias

from tablevoice.errors import EngineFailed, Problem, StoreUnwritable, TablevoiceError
from tablevoice.model import Voice
from tablevoice.speech.cleaning import Said
from tablevoice.speech.engines import Engine
from tablevoice.speech.store import PreparedStore

MOST_LINES = 20_000
"""Twice the largest phrasebook in sight; at 2 s and 25 kB/s of FLAC that is 1 GB."""

MOST_TOLD = 5

HEARD_DB = 0.5
"""Less than this below its loudness is not worth telling of."""

MOST_FAILURES_RUNNING = 20
"""So many failures without a success between them: the rest would fail as well."""


@dataclass(frozen=True, slots=True)
class Prepared:
    """What became of a preparation.

    ``made`` were rendered, ``kept`` were there already, ``left_out`` were not tried
    (too many, or given up); ``problems`` tells what failed and why, a line each.
    ``damaged``: how many of those made were there, but not whole. ``made_s``: seconds of sound
    made. ``held_down``: how many of those made stay below their loudness for their peaks, the
    furthest by ``held_down_db``.
    """

    made: int
    kept: int
    left_out: int
    problems: tuple[Problem, ...]
    damaged: int = 0
    made_s: float = 0.0
    held_down: int = 0
    held_down_db: float = 0.0


@dataclass(slots=True)
class _Tally:
    """What the lines made so far add up to."""

    made: int = 0
    made_s: float = 0.0
    held_down: int = 0
    held_down_db: float = 0.0

    def add(self, made: _Made) -> None:
        self.made += 1
        self.made_s += made.lasts_s
        if made.short_db > HEARD_DB:
            self.held_down += 1
            self.held_down_db = max(self.held_down_db, made.short_db)


@dataclass(frozen=True, slots=True)
class _Made:
    """One line made; ``short_db``: how far it stays below its loudness."""

    lasts_s: float
    short_db: float


Progress: TypeAlias = Callable[[int, int], None]
"""Called with the number of lines done and of lines in all, from the calling thread."""


def prepare(
    lines: Iterable[tuple[Said, str]],
    voices: Mapping[str, Voice],
    engine: Engine,
    store: PreparedStore,
    progress: Progress | None = None,
    *,
    workers: int = 2,
    limit: int = MOST_LINES,
    timeout_s: float = 30.0,
    look_closely: bool = False,
) -> Prepared:
    """Bring every ``(words, voice name)`` of ``lines`` into ``store``, each once.

    Takes no more than ``limit`` of them; ``workers`` engines render side by side (the
    given one and its own copies). ``look_closely`` reads what is there and makes again what is
    damaged; without it a damaged entry is found when its line is said. Raises
    :class:`EngineFailed` when an engine that is needed does not even start, and
    ``ValueError`` for a count below one.
    """
    if workers < 1 or limit < 1:
        raise ValueError(f"workers {workers} and limit {limit} must be 1 or more")
    wanted, problems, left_out = _wanted(lines, voices, engine, store, limit)
    store.need(wanted.keys())
    missing = {key: line for key, line in wanted.items() if not store.has(key)}
    damaged = 0
    if look_closely:
        there = [key for key in wanted if key not in missing]
        with ThreadPoolExecutor(workers) as pool:
            whole = dict(zip(there, pool.map(store.holds, there), strict=True))
        damaged = sum(not good for good in whole.values())
        missing = {key: line for key, line in wanted.items() if not whole.get(key, False)}
    kept = len(wanted) - len(missing)
    if progress is not None:
        progress(kept, len(wanted))
    tally = _Tally()
    unmade = done = failures_running = 0
    given_up = False
    with ExitStack() as open_engines:
        engines: SimpleQueue[Engine] = SimpleQueue()
        engines.put(engine)
        for _ in range(min(workers, len(missing)) - 1):
            engines.put(open_engines.enter_context(engine.another()))
        pool = open_engines.enter_context(ThreadPoolExecutor(workers))
        running: set[Future[_Made | TablevoiceError]] = set()
        rest = iter(missing.items())
        while True:
            room = 0 if given_up else workers - len(running)
            for key, (said, voice) in islice(rest, room):
                running.add(pool.submit(_make, key, said, voice, engines, store, timeout_s))
            if not running:
                break
            finished, running = wait(running, return_when=FIRST_COMPLETED)
            for future in finished:
                done += 1
                outcome = future.result()
                if isinstance(outcome, _Made):
                    tally.add(outcome)
                    failures_running = 0
                else:
                    problems.append(outcome.problem)
                    unmade += 1
                    failures_running += 1
                    # Without a place to store, rendering on would only push lines out of
                    # memory that are there.
                    given_up = given_up or isinstance(outcome, StoreUnwritable)
                    given_up = given_up or failures_running >= MOST_FAILURES_RUNNING
                if progress is not None:
                    progress(kept + done, len(wanted))
    untried = len(missing) - done
    gone = sum(not store.has(key) for key in wanted) - unmade - untried
    if gone > 0:
        what = f"The store is too small: {gone} of {len(wanted)} lines were pushed out again."
        problems.append(Problem(what, "store.max_mb", "Give it a larger bound."))
    return Prepared(
        tally.made, kept, left_out + untried, tuple(problems), damaged, tally.made_s,
        tally.held_down, tally.held_down_db,
    )  # fmt: skip


def first_of(problems: Sequence[Problem], at_most: int = MOST_TOLD) -> list[Problem]:
    """The first few, and how many more there are: for where a person reads them in passing."""
    told = list(problems[:at_most])
    if len(problems) > at_most:
        more = len(problems) - at_most
        told.append(Problem(f"{more} more lines have problems.", "", "Try: tablevoice check."))
    return told


def _make(
    key: str,
    said: Said,
    voice: Voice,
    engines: SimpleQueue[Engine],
    store: PreparedStore,
    timeout_s: float,
) -> _Made | TablevoiceError:
    """Render one line with the next free engine and store it; the error instead of raising it."""
    engine = engines.get()
    try:
        rendered = store.render(said, voice, engine, timeout_s)
        store.put(key, rendered.clip)
    except (EngineFailed, StoreUnwritable) as error:
        return error
    finally:
        engines.put(engine)
    return _Made(rendered.clip.duration_s, rendered.short_db)


def _wanted(
    lines: Iterable[tuple[Said, str]],
    voices: Mapping[str, Voice],
    engine: Engine,
    store: PreparedStore,
    limit: int,
) -> tuple[dict[str, tuple[Said, Voice]], list[Problem], int]:
    """Entries by key, problems with voices, and how many lines lie beyond the limit."""
    wanted: dict[str, tuple[Said, Voice]] = {}
    unknown: dict[str, None] = {}
    left_out = 0
    for said, name in lines:
        if name not in voices:
            unknown[name] = None
            continue
        voice = voices[name]
        key = store.key_of(said, voice, engine)
        if key in wanted:
            continue
        if len(wanted) == limit:
            left_out += 1
            continue
        wanted[key] = (said, voice)
    advice = f"Name one of: {', '.join(voices)}."
    problems = [Problem(f"Lines name an unknown voice {name!r}.", "", advice) for name in unknown]
    return wanted, problems, left_out
