"""Watches one live session: its log, its health, its figures, and its sign of life.

A thread of its own looks at the parts every few seconds, so that a loop that hangs is seen and
said. Only while everything goes round does it tell the service manager that the table is
alive; :func:`tablevoice.watching.health.hang` says what that means. Decides nothing about the
table. Called by ``tablevoice run``.
"""

from __future__ import annotations

import asyncio
import os
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from types import MappingProxyType
from typing import Any, Protocol, runtime_checkable

from tablevoice import __version__
from tablevoice.cell import Cell
from tablevoice.links import messages
from tablevoice.links.messages import Inbound, Outbound
from tablevoice.session import Session
from tablevoice.watching import health_file
from tablevoice.watching.disk_watch import DiskWatch
from tablevoice.watching.facts import Facts, GuardFacts, HistoryFacts, LinkFacts, LoopFacts
from tablevoice.watching.health import Health, Reason, hang, judge
from tablevoice.watching.logs import Log
from tablevoice.watching.message_log import MessageLog
from tablevoice.watching.metrics import Metrics, served
from tablevoice.watching.sign_of_life import SignOfLife

BEAT_S = 0.25
"""How often the loop shows that it goes round."""

_NO_QUEUES: Mapping[str, Callable[[], int]] = MappingProxyType({})


@runtime_checkable
class WatchedLink(Protocol):
    """A link that can say how it is. ``why_down``: for a person, empty while it is up."""

    @property
    def name(self) -> str: ...

    @property
    def why_down(self) -> str: ...


@runtime_checkable
class HealthTeller(Protocol):
    """A link that passes the health document on; called from the session's loop."""

    def publish_health(self, text: str) -> None: ...


class Watch:
    """Watches the session of ``cell``; hand :meth:`received` and :meth:`told` to it.

    ``speech``: let the log have what was said. ``queues``: how much waits in queues that the
    session does not know. Raises MetricsUnavailable where figures are asked for in vain.
    """

    def __init__(
        self,
        cell: Cell,
        log: Log,
        service: SignOfLife,
        *,
        speech: bool = False,
        queues: Mapping[str, Callable[[], int]] = _NO_QUEUES,
    ) -> None:
        self._cell = cell
        self._log = log
        self._service = service
        self._queues = queues
        self._message_log = MessageLog(log.out, speech=speech)
        self._metrics: Metrics | None = None
        if cell.metrics.port is not None:
            self._metrics = Metrics(cell.table, __version__, self.look)
        self._session: Session | None = None
        self._links: Sequence[object] = ()
        self._guard: GuardFacts | None = None
        self._event_s: float | None = None
        self._due_s = time.monotonic()
        self._lag_s = self._lag_before_s = 0.0
        self._stopping = threading.Event()
        self._last: Health | None = None
        self._hang = ""

    # --- what passes ------------------------------------------------------------

    def received(self, message: Inbound) -> None:
        """A message that some peer sent."""
        if isinstance(message, messages.EventReported):
            self._event_s = time.monotonic()
        self._message_log.received(message)
        if self._metrics is not None:
            self._metrics.received(message)

    def told(self, message: Outbound) -> None:
        """A message of the table."""
        if isinstance(message, messages.GuardReported):
            self._guard = GuardFacts(message.state, message.armed, message.proven, message.why)
        self._message_log.told(message)
        if self._metrics is not None:
            self._metrics.told(message)

    # --- while it is open -------------------------------------------------------

    @contextmanager
    def over(self, session: Session, links: Sequence[object] = ()) -> Iterator[None]:
        """Watch this open session; enter it on its loop, once the table takes events."""
        self._session, self._links = session, links
        self._loop = asyncio.get_running_loop()
        with ExitStack() as open_parts:
            if self._metrics is not None and self._cell.metrics.port is not None:
                where = (self._cell.metrics.host, self._cell.metrics.port)
                port = open_parts.enter_context(served(self._metrics.registry, *where))
                self._log.out.info("metrics", address=f"http://{where[0]}:{port}/metrics")
            self._disk = DiskWatch(self._cell.health_file, self._cell.history_file)
            open_parts.callback(self._disk.close)
            self._due_s = time.monotonic()
            self._beat()
            thread = threading.Thread(target=self._run, name="watch", daemon=True)
            thread.start()
            self._service.ready()
            try:
                yield
            finally:
                self._service.ending()
                self._stopping.set()
                self._beating.cancel()
                thread.join(2.0)
                self._disk.put(self._closed_document())

    def look(self) -> tuple[Facts, Health]:
        """How things are now; may be called from any thread."""
        facts = self._facts()
        return facts, judge(facts)

    def _beat(self) -> None:
        """On the loop: it goes round."""
        now_s = time.monotonic()
        late_s = max(0.0, now_s - self._due_s)
        self._lag_s = max(self._lag_s, late_s)
        if self._metrics is not None:
            self._metrics.loop_came(late_s)
        self._due_s = now_s + BEAT_S
        self._beating = self._loop.call_later(BEAT_S, self._beat)

    # --- the watch's thread -----------------------------------------------------

    def _run(self) -> None:
        every_s, ping_s = self._cell.health_every_s, self._service.ping_every_s
        look_s = alive_s = time.monotonic()
        while not self._stopping.is_set():
            now_s = time.monotonic()
            if now_s >= look_s:
                look_s = now_s + every_s
                self._look_and_tell()
            if ping_s is not None and now_s >= alive_s:
                alive_s = now_s + ping_s
                self._say_alive()
            next_s = look_s if ping_s is None else min(look_s, alive_s)
            self._stopping.wait(max(0.0, next_s - time.monotonic()))

    def _look_and_tell(self) -> None:
        facts, health = self.look()
        self._lag_before_s, self._lag_s = self._lag_s, 0.0
        self._tell_changes(health)
        document = health_file.document(
            self._cell.table, __version__, health, facts, self._cell.health_every_s
        )
        self._disk.put(document)
        self._service.status(_in_a_line(health, facts))
        if any(isinstance(link, HealthTeller) for link in self._links):
            encoded = health_file.encoded(document).decode("utf-8")
            self._loop.call_soon_threadsafe(self._tell_links, encoded)
        self._log.catch_up()

    def _tell_links(self, document: str) -> None:
        for link in self._links:
            if isinstance(link, HealthTeller):
                link.publish_health(document)

    def _tell_changes(self, health: Health) -> None:
        before = {} if self._last is None else {one.part: one for one in self._last.reasons}
        now = {one.part: one for one in health.reasons}
        for part, reason in now.items():
            if part not in before or before[part].verdict != reason.verdict:
                say = self._log.out.error if reason.verdict == "failing" else self._log.out.warning
                say("unwell", part=part, verdict=reason.verdict, **_advice(reason))
        for part in before.keys() - now.keys():
            self._log.out.info("well_again", part=part)
        if self._last is None or self._last.verdict != health.verdict:
            self._log.out.info("health", verdict=health.verdict)
        self._last = health

    def _say_alive(self) -> None:
        why = hang(self._facts())
        if not why:
            self._service.alive()
        elif not self._hang:
            self._log.out.error("no_sign_of_life", why=why, then="the service manager restarts it")
            self._service.status(f"no sign of life: {why}")
        self._hang = why

    # --- facts ------------------------------------------------------------------

    def _facts(self) -> Facts:
        session = self._session
        if session is None:
            raise RuntimeError("there is no session to look at yet")
        vitals = session.vitals()
        now_s = time.monotonic()
        queues = {name: waiting() for name, waiting in self._queues.items()}
        return Facts(
            uptime_s=session.now_s,
            loop=LoopFacts(
                max(0.0, now_s - self._due_s), max(self._lag_s, self._lag_before_s)
            ),
            loudspeaker=vitals.loudspeaker,
            microphone=vitals.microphone,
            listening=vitals.listening,
            engine=vitals.engine,
            history=HistoryFacts(
                str(self._cell.history_file), vitals.history_problem,
                vitals.queues["record"], vitals.write_s, self._disk.free_mb,
            ),
            guard=self._guard,
            links=dict(_links(self._links)),
            queues={**vitals.queues, **queues},
            hold=vitals.hold,
            question_open=vitals.question_open,
            event_ago_s=None if self._event_s is None else now_s - self._event_s,
            memory_mb=memory_mb(),
            log_lines_lost=self._log.lost,
        )  # fmt: skip

    def _closed_document(self) -> health_file.Document:
        facts, _ = self.look()
        closed = Reason(
            "table", "failing", "The table was closed in order.", "table",
            "Start it again: tablevoice run, or systemctl start tablevoice-table.",
        )  # fmt: skip
        return health_file.document(
            self._cell.table, __version__, Health("failing", (closed,)), facts,
            self._cell.health_every_s, running=False,
        )  # fmt: skip


def _links(links: Sequence[object]) -> Iterator[tuple[str, LinkFacts]]:
    for link in links:
        if isinstance(link, WatchedLink):
            yield link.name, LinkFacts(not link.why_down, link.why_down)


def _advice(reason: Reason) -> dict[str, Any]:
    return {"what": reason.what, "where": reason.where, "do": reason.do}


def _in_a_line(health: Health, facts: Facts) -> str:
    """For ``systemctl status``."""
    if health.reasons:
        return f"{health.verdict}: {health.reasons[0].what}"
    hold = f", {facts.hold} in force" if facts.hold is not None else ""
    return f"ok, up for {facts.uptime_s / 3600:.1f} h{hold}"


def memory_mb() -> float | None:
    """Resident memory of this process; ``None`` where the system does not tell it so."""
    try:
        pages = Path("/proc/self/statm").read_text("ascii").split()[1]
    except OSError:
        return None
    return int(pages) * os.sysconf("SC_PAGE_SIZE") / 1e6
