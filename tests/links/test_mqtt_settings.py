"""What a cell file may say of a broker, and what is too unsafe to open."""

from __future__ import annotations

from pathlib import Path

import pytest

from tablevoice.cell import load_cell
from tablevoice.errors import FileRefused
from tablevoice.links.mqtt_settings import is_loopback, level_of

CELL = """
format: 1
table: Lantern table
phrasebooks: [book.yaml]
voices: {Alder: {engine: espeak}}
links:
  mqtt:
"""
BOOK = """
format: 1
title: Small
language: en
events: {hello: {about: Opens., lines: [Good morning.]}}
"""


def cell(folder: Path, *lines: str) -> Path:
    (folder / "book.yaml").write_text(BOOK, encoding="utf-8")
    path = folder / "cell.yaml"
    path.write_text(CELL + "".join(f"    {line}\n" for line in lines), encoding="utf-8")
    return path


def test_a_broker_on_this_computer_needs_nothing_more(tmp_path: Path) -> None:
    mqtt = load_cell(cell(tmp_path, "port: 1884")).links.mqtt
    assert mqtt is not None
    assert (mqtt.host, mqtt.port, mqtt.may) == ("localhost", 1884, ["buttons", "events"])


def test_a_cell_without_links_has_none(tmp_path: Path) -> None:
    path = cell(tmp_path)
    path.write_text(CELL.partition("links:")[0], encoding="utf-8")
    assert load_cell(path).links.mqtt is None


@pytest.mark.parametrize(("lines", "row", "what"), [
    (["host: broker.example"], 8, "is on another computer"),
    (["port: 1883", "host: 192.0.2.7"], 9, "is on another computer"),
    (["host: broker.example", "tls: {ca: ca.pem}"], 8, "is on another computer"),
    (["host: broker.example", "user: t", "password_env: P"], 8, "is on another computer"),
    (["user: t"], 8, "a user and no password"),
    (["port: 1883", "password_env: P"], 8, "a password and no user"),
    (["user: t", "password_env: P", "password_file: p"], 9, "two places"),
    (["tls: {certificate: c.pem}"], 8, "goes with its key"),
    (["password: lantern oil"], 8, "unknown key 'password'"),
    (["may: [everything]"], 8, "found 'everything'"),
    (["prefix: a/+/b"], 8, "found 'a/+/b'"),
    (["name: a/b"], 8, "found 'a/b'"),
    (["session_expiry_s: 100000"], 8, "found 100000"),
])  # fmt: skip
def test_what_is_unsafe_or_senseless_is_refused_with_its_place(
    tmp_path: Path, lines: list[str], row: int, what: str
) -> None:
    with pytest.raises(FileRefused) as refused:
        load_cell(cell(tmp_path, *lines))
    (problem,) = refused.value.problems
    assert what in problem.what
    assert f"cell.yaml:{row}:" in problem.where
    assert problem.do
    assert "lantern oil" not in str(refused.value)


@pytest.mark.parametrize("lines", [
    ["host: broker.example", "tls: {ca: ca.pem}", "user: t", "password_file: p"],
    ["host: broker.example", "tls: {certificate: c.pem, key: k.pem}"],
    ["host: 127.0.0.2", "user: t", "password_env: P"],
])  # fmt: skip
def test_with_tls_and_a_secret_the_broker_may_be_anywhere(
    tmp_path: Path, lines: list[str]
) -> None:
    assert load_cell(cell(tmp_path, *lines)).links.mqtt is not None


@pytest.mark.parametrize(("host", "here"), [
    ("localhost", True), ("LOCALHOST", True), ("127.0.0.1", True), ("127.9.9.9", True),
    ("::1", True), ("[::1]", True), ("0.0.0.0", False), ("localhost.example", False),
    ("10.0.0.1", False), ("broker", False), ("::", False),
])  # fmt: skip
def test_loopback_is_what_never_leaves_the_computer(host: str, here: bool) -> None:
    # RFC 1122, section 3.2.1.3 (127.0.0.0/8); RFC 4291, section 2.5.3 (::1).
    assert is_loopback(host) == here


@pytest.mark.parametrize(("table", "level"), [
    ("Lantern table", "lantern_table"), ("a/b#+c", "a_b_c"), ("등불 탁자", "등불_탁자"),
    ("#", "table"), ("  $SYS ", "sys"),
])  # fmt: skip
def test_a_tables_name_becomes_one_level_of_a_topic(table: str, level: str) -> None:
    assert level_of(table) == level
