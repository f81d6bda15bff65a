"""The figures: what they count, how they are named, and who can read them.

Parsed by prometheus-client's own parser; names and units by Prometheus' naming conventions
("Metric and label naming" of its documentation; from memory).
"""

from __future__ import annotations

import re
import socket
import sys
import urllib.request
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from tablevoice.cell import load_cell
from tablevoice.errors import FileRefused
from tablevoice.links import messages
from tablevoice.watching.facts import Facts, LinkFacts
from tablevoice.watching.health import judge
from tablevoice.watching.metrics import Metrics, MetricsUnavailable, served
from tests.test_cli import BOOK, CELL
from tests.watching.facts import WELL
from tests.watching.test_message_log import IN, OUT, SPOKEN

BASE_UNITS = ("_seconds", "_bytes", "_ratio", "_info", "_total")
FREE_OF_UNITS = {
    "tablevoice_health", "tablevoice_hold", "tablevoice_guard_armed", "tablevoice_queue_depth",
    "tablevoice_link_up", "tablevoice_device_open",
}  # fmt: skip


@pytest.fixture
def facts() -> Facts:
    links = {"hall": LinkFacts(up=True), "press": LinkFacts(up=False, why="gone")}
    return replace(WELL, links=links, event_ago_s=2.5)


@pytest.fixture
def metrics(facts: Facts) -> Metrics:
    return Metrics("lantern table", "0.1", lambda: (facts, judge(facts)))


@pytest.fixture
def address(metrics: Metrics) -> Iterator[str]:
    with served(metrics.registry, "127.0.0.1", 0) as port:
        yield f"http://127.0.0.1:{port}/metrics"


def read(address: str) -> dict[str, float]:
    with urllib.request.urlopen(address, timeout=10) as answer:
        text = answer.read().decode("utf-8")
    samples: dict[str, float] = {}
    for family in text_string_to_metric_families(text):
        for sample in family.samples:
            labels = ",".join(f"{name}={value}" for name, value in sorted(sample.labels.items()))
            samples[f"{sample.name}{{{labels}}}" if labels else sample.name] = sample.value
    return samples


def feed(metrics: Metrics) -> None:
    for outbound in OUT:
        metrics.told(outbound)
    for inbound in IN:
        metrics.received(inbound)


def test_messages_are_counted_by_kind(metrics: Metrics, address: str) -> None:
    feed(metrics)
    metrics.received(messages.EventReported(id="e9", event="no such event"))
    metrics.told(OUT[1])
    found = read(address)
    assert found["tablevoice_events_total{event=lit}"] == 1
    assert found["tablevoice_events_total{event=other}"] == 1
    assert found["tablevoice_said_total{outcome=said}"] == 2
    assert found["tablevoice_verdicts_total{verdict=act}"] == 1
    assert found["tablevoice_answers_total{how=voice}"] == 1
    assert found["tablevoice_hold_requests_total{kind=pause}"] == 1
    assert found["tablevoice_problems_total"] == 1
    assert found["tablevoice_verdict_delay_seconds_count"] == 1
    assert found["tablevoice_verdict_delay_seconds_sum"] == pytest.approx(0.4)
    assert found["tablevoice_answer_certainty_ratio_bucket{le=0.9}"] == 1
    assert found["tablevoice_answer_certainty_ratio_bucket{le=0.8}"] == 0


def test_facts_are_as_they_are_when_asked(metrics: Metrics, address: str) -> None:
    metrics.loop_came(0.03)
    found = read(address)
    assert found["tablevoice_health{verdict=degraded}"] == 1
    assert found["tablevoice_health{verdict=ok}"] == 0
    assert found["tablevoice_link_up{link=hall}"] == 1
    assert found["tablevoice_link_up{link=press}"] == 0
    assert found["tablevoice_guard_armed"] == 1
    assert found["tablevoice_device_open{device=microphone}"] == 1
    assert found["tablevoice_device_losses_total{device=microphone}"] == 1
    assert found["tablevoice_queue_depth{queue=lines}"] == 0
    assert found["tablevoice_event_age_seconds"] == 2.5
    assert found["tablevoice_loop_lag_seconds_bucket{le=0.02}"] == 0
    assert found["tablevoice_loop_lag_seconds_bucket{le=0.05}"] == 1
    assert found["tablevoice_build_info{table=lantern table,version=0.1}"] == 1
    assert found["process_resident_memory_bytes"] > 1e6


def test_names_and_units_follow_the_conventions(metrics: Metrics) -> None:
    feed(metrics)
    families = list(metrics.registry.collect())
    assert len(families) > 15
    for family in families:
        assert re.fullmatch(r"[a-z][a-z0-9_]*", family.name), family.name
        assert family.documentation
        if family.name.startswith("process_"):
            continue
        assert family.name.startswith("tablevoice_")
        name = f"{family.name}_total" if family.type == "counter" else family.name
        name = f"{name}_info" if family.type == "info" else name
        assert name.endswith(BASE_UNITS) or name in FREE_OF_UNITS, name


def test_no_word_that_was_said_is_a_figure(metrics: Metrics, address: str) -> None:
    feed(metrics)
    assert SPOKEN not in str(read(address))


def test_events_without_end_fill_no_memory(metrics: Metrics) -> None:
    feed(metrics)
    for n in range(10_000):
        metrics.received(messages.EventReported(id="e", event=f"event {n}"))
    samples = [sample for family in metrics.registry.collect() for sample in family.samples
               if sample.name == "tablevoice_events_total"]  # fmt: skip
    assert len(samples) == 2


# --- who can read them ----------------------------------------------------------


def test_they_listen_on_loopback_alone(address: str) -> None:
    port = int(address.rsplit(":", 1)[1].split("/", maxsplit=1)[0])
    assert _listening(port) == {"0100007F"}  # 127.0.0.1, as Linux writes it
    with pytest.raises(OSError), socket.create_connection((_other_address(), port), 2):
        pass


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.1", "10.0.0.1"])
def test_no_wider_address_is_taken_even_from_a_program(metrics: Metrics, host: str) -> None:
    with pytest.raises(ValueError, match="this computer only"), served(metrics.registry, host, 0):
        pass


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.5", "hall.example", ""])
def test_a_cell_file_that_asks_for_a_wider_one_is_refused(tmp_path: Path, host: str) -> None:
    (tmp_path / "book.yaml").write_text(BOOK, encoding="utf-8")
    cell = tmp_path / "cell.yaml"
    cell.write_text(f"{CELL}metrics: {{port: 9464, host: '{host}'}}\n", encoding="utf-8")
    with pytest.raises(FileRefused, match="on this computer only") as refused:
        load_cell(cell)
    assert "cell.yaml:9:" in str(refused.value)


def test_a_port_that_is_taken_is_one_clear_error(metrics: Metrics, address: str) -> None:
    port = int(address.rsplit(":", 1)[1].split("/", maxsplit=1)[0])
    with (
        pytest.raises(MetricsUnavailable, match="Name another port"),
        served(metrics.registry, "127.0.0.1", port),
    ):
        pass


def test_without_the_library_it_is_said_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "prometheus_client", None)
    with pytest.raises(MetricsUnavailable, match=r"tablevoice\[metrics\]"):
        Metrics("table", "0", lambda: (WELL, judge(WELL)))


def _listening(port: int) -> set[str]:
    """The local addresses on which this computer takes connections at ``port``."""
    rows = [
        row.split()
        for file in ("/proc/net/tcp", "/proc/net/tcp6")
        for row in Path(file).read_text("ascii").splitlines()[1:]
    ]
    places = [row[1].split(":") for row in rows if row[3] == "0A"]
    return {host for host, found in places if int(found, 16) == port}


def _other_address() -> str:
    """An address of this computer that is not loopback, as far as it has one."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # sends nothing
        except OSError:
            return "192.0.2.1"
        return str(probe.getsockname()[0])
