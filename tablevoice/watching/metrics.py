"""Figures of a running table in Prometheus' text format, on this computer only.

Counts messages as they pass and turns facts into gauges when somebody asks. Names and units
follow Prometheus' conventions. No word that a person said is in them. The session's watch
feeds it; the server is prometheus-client's.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from tablevoice.errors import Problem, TablevoiceError
from tablevoice.links import messages
from tablevoice.links.messages import Inbound, Outbound
from tablevoice.watching.facts import DeviceFacts, Facts
from tablevoice.watching.health import RANK, Health

if TYPE_CHECKING:
    from prometheus_client import CollectorRegistry
    from prometheus_client.metrics_core import Metric

CERTAINTIES = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99)
DELAYS_S = (0.1, 0.2, 0.3, 0.4, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 5.0)
LAGS_S = (0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.25, 0.5, 1.0, 2.0, 5.0)

OTHER = "other"
"""An event that the table does not know: whoever sends nonsense must not fill the memory."""


class MetricsUnavailable(TablevoiceError):
    """Figures were asked for and cannot be told."""


class Metrics:
    """The figures of one table. ``look``: gives its facts and health, from any thread.

    Raises :class:`MetricsUnavailable` where prometheus-client is not installed.
    """

    def __init__(self, table: str, version: str, look: Callable[[], tuple[Facts, Health]]) -> None:
        try:
            import prometheus_client as prometheus
        except ImportError as error:
            raise MetricsUnavailable(
                "The figures for Prometheus need prometheus-client.", where="metrics, port",
                do="pip install 'tablevoice[metrics]', or leave 'metrics:' out of the cell file.",
            ) from error  # fmt: skip
        self.registry = registry = prometheus.CollectorRegistry()
        self._look = look
        self._events: frozenset[str] = frozenset()

        def counter(name: str, text: str, label: str) -> prometheus.Counter:
            return prometheus.Counter(f"tablevoice_{name}", text, (label,), registry=registry)

        def histogram(
            name: str, text: str, buckets: tuple[float, ...], unit: str = ""
        ) -> prometheus.Histogram:
            return prometheus.Histogram(
                f"tablevoice_{name}", text, buckets=buckets, unit=unit, registry=registry
            )

        prometheus.Info("tablevoice_build", "The program.", registry=registry).info(
            {"version": version, "table": table}
        )
        prometheus.ProcessCollector(registry=registry)
        self._reported = counter("events", "Events that peers reported.", "event")
        self._said = counter("said", "Lines by what became of them.", "outcome")
        self._verdicts = counter("verdicts", "Sounds that were heard, by verdict.", "verdict")
        self._answers = counter("answers", "Questions that are over, by how.", "how")
        self._holds = counter("hold_requests", "Holds asked for by voice.", "kind")
        self._problems = prometheus.Counter(
            "tablevoice_problems", "Messages refused and parts that failed.", registry=registry
        )
        self._certainty = histogram(
            "answer_certainty", "Certainty (0 to 1) of answers by voice.", CERTAINTIES, "ratio"
        )
        self._delay = histogram(
            "verdict_delay", "From the end of a word to its verdict.", DELAYS_S, "seconds"
        )
        self._lag = histogram(
            "loop_lag", "How late the loop's own timer came.", LAGS_S, "seconds"
        )
        registry.register(_Gauges(look))

    def received(self, message: Inbound) -> None:
        """A message that some peer sent."""
        if isinstance(message, messages.EventReported):
            known = message.event in self._events
            self._reported.labels(message.event if known else OTHER).inc()

    def told(self, message: Outbound) -> None:
        """A message of the table."""
        match message:
            case messages.Ready(events=events) | messages.PhrasebookChanged(events=events):
                self._events = frozenset(events)
            case messages.Said(said=outcome):
                self._said.labels(outcome).inc()
            case messages.HeardReported() as heard:
                self._verdicts.labels(heard.verdict).inc()
                self._delay.observe(max(0.0, heard.at_s - heard.end_s))
            case messages.AnswerGiven() as answer:
                self._answers.labels(answer.how).inc()
                if answer.how in ("voice", "confirmed"):
                    self._certainty.observe(answer.certainty)
            case messages.HoldRequest(kind=kind):
                self._holds.labels(kind).inc()
            case messages.ErrorReported():
                self._problems.inc()
            case _:
                pass

    def loop_came(self, late_s: float) -> None:
        """The loop's own timer came that late."""
        self._lag.observe(late_s)


class _Gauges:
    """What is so just now, asked for when somebody reads the figures."""

    def __init__(self, look: Callable[[], tuple[Facts, Health]]) -> None:
        self._look = look

    def describe(self) -> list[Metric]:
        """Nothing ahead: parts differ from table to table."""
        return []

    def collect(self) -> Iterator[Metric]:
        from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily

        facts, health = self._look()

        def gauge(name: str, text: str, value: float, unit: str = "") -> Metric:
            return GaugeMetricFamily(f"tablevoice_{name}", text, value=value, unit=unit)

        verdicts = GaugeMetricFamily(
            "tablevoice_health", "1 for the verdict that holds now.", labels=("verdict",)
        )
        for verdict in RANK:
            verdicts.add_metric((verdict,), float(verdict == health.verdict))
        yield verdicts
        yield gauge("uptime_seconds", "Since the session began.", facts.uptime_s, "seconds")
        yield gauge("hold", "1 while a hold is in force.", float(facts.hold is not None))
        if facts.event_ago_s is not None:
            yield gauge("event_age_seconds", "Since the last event.", facts.event_ago_s, "seconds")
        if facts.guard is not None:
            yield gauge("guard_armed", "1 while the stop guard is armed.", facts.guard.armed)
        waiting = GaugeMetricFamily(
            "tablevoice_queue_depth", "Things that wait, by queue.", labels=("queue",)
        )
        for name, count in facts.queues.items():
            waiting.add_metric((name,), count)
        yield waiting
        up = GaugeMetricFamily("tablevoice_link_up", "1 while a link is up.", labels=("link",))
        for name, link in facts.links.items():
            up.add_metric((name,), float(link.up))
        yield up
        opened = GaugeMetricFamily(
            "tablevoice_device_open", "1 while a sound device is there.", labels=("device",)
        )
        lost = CounterMetricFamily(
            "tablevoice_device_losses", "How often it was lost.", labels=("device",)
        )
        for name, device in _devices(facts):
            opened.add_metric((name,), float(device.open))
            lost.add_metric((name,), device.losses)
        yield opened
        yield lost
        yield CounterMetricFamily(
            "tablevoice_log_lines_lost", "Lines the log gave up.", value=facts.log_lines_lost
        )
        if facts.history.free_mb is not None:
            yield gauge(
                "history_disk_free_bytes", "Room on the disk of the history.",
                facts.history.free_mb * 1e6, "bytes",
            )  # fmt: skip


def _devices(facts: Facts) -> Iterator[tuple[str, DeviceFacts]]:
    yield "loudspeaker", facts.loudspeaker
    if facts.microphone is not None:
        yield "microphone", facts.microphone


@contextmanager
def served(registry: CollectorRegistry, host: str, port: int) -> Iterator[int]:
    """Tell the figures at http://host:port/metrics while open; gives the port.

    Only a loopback address is taken. Raises MetricsUnavailable when the port is not to be had.
    """
    from prometheus_client import start_http_server

    if not ipaddress.ip_address(host).is_loopback:
        raise ValueError(f"figures are told on this computer only, not on {host}")
    try:
        server, thread = start_http_server(port, addr=host, registry=registry)
    except OSError as error:
        problem = Problem(
            f"The port for the figures is not to be had: {error.strerror}.",
            f"metrics, port {port}", "Name another port under 'metrics:' in the cell file.",
        )  # fmt: skip
        raise MetricsUnavailable(problem.what, where=problem.where, do=problem.do) from error
    try:
        yield int(server.server_port)
    finally:
        server.shutdown()
        server.server_close()
        thread.join(2.0)
