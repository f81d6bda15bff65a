"""The log of a running table: one line a thing, for people or as JSON, without secrets.

Knows structlog and its way from fields to a line: level, floods, time, traces, secrets. Does
not know which things there are, nor where lines go. ``tablevoice run`` opens one; nothing is
configured globally, so a program that uses the package keeps its own structlog as it is.
"""

from __future__ import annotations

import logging
import math
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import TracebackType
from typing import Any, Literal, TypeAlias

import structlog
from structlog.typing import EventDict, FilteringBoundLogger, WrappedLogger

from tablevoice.watching.floods import Floods
from tablevoice.watching.log_sinks import LineSink
from tablevoice.watching.redaction import Redaction

Form: TypeAlias = Literal["human", "json"]
Level: TypeAlias = Literal["debug", "info", "warning", "error"]

_LEVELS: dict[str, int] = {
    "debug": logging.DEBUG, "info": logging.INFO, "warning": logging.WARNING,
    "error": logging.ERROR,
}  # fmt: skip

LONGEST_TEXT = 2_000
"""Characters of one field; a trace may have ten times as many."""

_CONTROL = {n: f"\\x{n:02x}" for n in (*range(32), *range(127, 160)) if n != 9}
_CONTROL_IN_TRACES = {n: text for n, text in _CONTROL.items() if n != 10}


class Log:
    """A log that is open. ``out`` takes lines: ``out.info("ready", events=12)``."""

    def __init__(
        self,
        sink: LineSink,
        form: Form = "human",
        level: Level = "info",
        redaction: Redaction | None = None,
        *,
        colours: bool = False,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._sink = sink
        self._clock = clock
        self._floods = Floods()
        self._gate = threading.Lock()
        self._redaction = redaction if redaction is not None else Redaction()
        self._lost_told = 0
        self.out: FilteringBoundLogger = structlog.wrap_logger(
            sink,
            processors=[
                self._bound_floods,
                structlog.processors.add_log_level,
                structlog.processors.TimeStamper(fmt="iso", utc=True),
                structlog.processors.format_exc_info,
                self._strike_secrets,
                _plain,
                _rendering(form, colours),
            ],
            wrapper_class=structlog.make_filtering_bound_logger(_LEVELS[level]),
        )

    @property
    def lost(self) -> int:
        """Lines given up because the sink took none."""
        return self._sink.lost

    def use(self, redaction: Redaction) -> None:
        """Strike out what this one knows, from now on."""
        self._redaction = redaction

    def catch_up(self) -> None:
        """Say what a flood or a slow sink kept out; called now and then."""
        with self._gate:
            held_back = self._floods.held_back(self._clock())
        for kind, count in held_back.items():
            self.out.warning("log_flood_over", kind=kind, held_back=count)
        lost = self._sink.lost
        if lost > self._lost_told:
            self.out.warning("log_lines_lost", count=lost - self._lost_told)
            self._lost_told = lost

    def _bound_floods(self, _: WrappedLogger, __: str, fields: EventDict) -> EventDict:
        with self._gate:
            passes = self._floods.passes(str(fields.get("event")), self._clock())
        if not passes:
            raise structlog.DropEvent
        return fields

    def _strike_secrets(self, _: WrappedLogger, __: str, fields: EventDict) -> EventDict:
        return self._redaction.fields(fields)


def _rendering(form: Form, colours: bool) -> Callable[[WrappedLogger, str, EventDict], str]:
    if form == "json":
        to_json = structlog.processors.JSONRenderer(ensure_ascii=False)
        return lambda logger, name, fields: str(to_json(logger, name, fields))
    return structlog.dev.ConsoleRenderer(
        colors=colours, pad_event_to=18, exception_formatter=structlog.dev.plain_traceback
    )


def _plain(_: WrappedLogger, __: str, fields: EventDict) -> EventDict:
    """Bounded texts that steer no terminal."""
    return {name: _plain_value(name, value) for name, value in fields.items()}


def _plain_value(name: str, value: Any) -> Any:
    if isinstance(value, str):
        trace = name == "exception"
        longest = 10 * LONGEST_TEXT if trace else LONGEST_TEXT
        if len(value) > longest:
            # Of a trace the end says what happened.
            value = f"… {value[-longest:]}" if trace else f"{value[:longest]} …"
        return value.translate(_CONTROL_IN_TRACES if trace else _CONTROL)
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)  # JSON has no such numbers
    if isinstance(value, dict):
        return {_plain_value("", key): _plain_value("", one) for key, one in value.items()}
    if isinstance(value, list):
        return [_plain_value("", one) for one in value]
    return value


# --- what others say ------------------------------------------------------------


class _FromLibraries(logging.Handler):
    """Python's own log, which libraries use."""

    def __init__(self, log: Log) -> None:
        super().__init__(logging.WARNING)
        self._log = log

    def emit(self, record: logging.LogRecord) -> None:
        say = self._log.out.error if record.levelno >= logging.ERROR else self._log.out.warning
        trace = record.exc_info if record.exc_info and record.exc_info[0] else None
        say("library", logger=record.name, message=record.getMessage(), exc_info=trace)


@contextmanager
def everything_logged(log: Log) -> Iterator[None]:
    """Have what libraries log, and crashes of threads and of the program, in the log as well."""
    handler = _FromLibraries(log)
    root = logging.getLogger()
    root.addHandler(handler)
    logging.captureWarnings(True)
    of_threads = threading.excepthook

    def thread_died(died: threading.ExceptHookArgs) -> None:
        if died.exc_value is not None and not issubclass(died.exc_type, SystemExit):
            trace: tuple[type[BaseException], BaseException, TracebackType | None]
            trace = (died.exc_type, died.exc_value, died.exc_traceback)
            name = died.thread.name if died.thread is not None else "?"
            log.out.error("thread_died", thread=name, exc_info=trace)

    threading.excepthook = thread_died
    try:
        yield
    finally:
        threading.excepthook = of_threads
        logging.captureWarnings(False)
        root.removeHandler(handler)


@contextmanager
def crashes_logged(log: Log, meant: tuple[type[Exception], ...]) -> Iterator[None]:
    """A mistake of the program ends it, with its trace in the log and nowhere else.

    Errors of the kinds ``meant`` are raised on purpose, and pass.
    """
    try:
        yield
    except meant:
        raise
    except Exception:  # noqa: BLE001 - written down whole, and the program ends
        log.out.error("crashed", exc_info=sys.exc_info())
        raise SystemExit(70) from None  # EX_SOFTWARE of sysexits.h
