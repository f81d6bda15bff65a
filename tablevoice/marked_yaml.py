"""YAML text to plain values that remember where they stood.

Knows YAML (the 1.2 core words: only ``true`` and ``false`` are booleans, so ``yes``,
``no``, ``on`` and ``off`` stay words) and nothing of what a file means. A file that is
too big, too deep, not UTF-8, ambiguous or broken is refused with one clear place; the
phrasebook and the cell file are read through here.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

import yaml
from yaml.events import (
    AliasEvent,
    CollectionEndEvent,
    DocumentStartEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceStartEvent,
)

from tablevoice.errors import FileRefused, Problem
from tablevoice.nearest import nearest

if TYPE_CHECKING:
    from yaml import SafeLoader as _Base
else:  # libyaml reads the same language some ten times faster, where PyYAML was built with it
    _Base = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

Plain: TypeAlias = Any
"""``None``, ``bool``, ``int``, ``float``, ``str``, a list, or a dict with text or int keys."""

KeyPath: TypeAlias = Sequence[str | int]
"""Keys and indices that lead from the top of a file to a value in it."""

MAX_BYTES = 8 * 1024 * 1024
MAX_NODES = 500_000
"""Values and keys of a file, those repeated by an alias counted each time: 10,000 lines with
conditions need about 100,000."""
MAX_DEPTH = 32
MAX_INT = 2**63 - 1

_TAG = "tag:yaml.org,2002:"
_INT = re.compile(r"[-+]?[0-9]+|0o[0-7]+|0x[0-9a-fA-F]+")
_FLOAT = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?")
_INF = re.compile(r"[-+]?\.(?:inf|Inf|INF)")
_NAN = re.compile(r"\.(?:nan|NaN|NAN)")
_NULLS = ("", "~", "null", "Null", "NULL")
_BOOLS = {word: truth for truth in (True, False) for word in
          (str(truth).lower(), str(truth), str(truth).upper())}
# What YAML 1.2 (section 5.1, "c-printable") lets stand in a file.
_UNPRINTABLE = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
# Escapes in double-quoted texts can still bring these in.
_UNWANTED = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff]")


@dataclass(frozen=True, slots=True)
class Mark:
    """A place in a file; both count from 1, columns in characters."""

    line: int
    column: int


class _Node:
    """A value, its place, and the nodes below it (an alias shares the node it names)."""

    __slots__ = ("below", "keys", "mark", "size", "value")

    def __init__(self, value: Plain, mark: Mark) -> None:
        self.value = value
        self.mark = mark
        self.size = 1
        self.below: dict[str, _Node] = {}
        self.keys: dict[str, Mark] = {}


class MarkedYaml:
    """The value of one YAML file, and the place of everything in it."""

    def __init__(self, file: str, root: _Node, source: str = "") -> None:
        self.file = file
        self.value: Plain = root.value
        self._root = root
        self._source = source

    def mark(self, path: KeyPath = (), *, key: bool = False) -> Mark:
        """Place of the value at ``path``, or of its key; the nearest thing above if not there."""
        node, mark = self._root, self._root.mark
        for depth, part in enumerate(path):
            name = str(part)
            if name not in node.below:
                break
            last = depth == len(path) - 1
            mark = node.keys[name] if key and last and name in node.keys else node.below[name].mark
            node = node.below[name]
        return mark

    def where(self, path: KeyPath = (), *, key: bool = False) -> str:
        """``file:line:column`` of the value at ``path`` (of its key, when ``key``)."""
        mark = self.mark(path, key=key)
        return f"{self.file}:{mark.line}:{mark.column}"

    def has(self, path: KeyPath) -> bool:
        """Whether there is a value at ``path``."""
        node = self._root
        for part in path:
            if str(part) not in node.below:
                return False
            node = node.below[str(part)]
        return True

    def within(self, path: KeyPath, text: str, at: int) -> str:
        """``file:line:column`` of character ``at`` (from 0) of the text at ``path``.

        Follows the text through its source: over quotes, escapes and folded lines. ``text``
        is the value, or the part of it that is looked at.
        """
        mark = self.mark(path)
        lines = self._source.split("\n")
        line, column = mark.line - 1, mark.column - 1
        for wanted in text[: at + 1]:
            while line < len(lines):
                here = lines[line][column : column + 1]
                if here == wanted or (not here and wanted.isspace()):
                    break
                line, column = (line, column + 1) if here else (line + 1, 0)
            if line >= len(lines):  # a character that was written as an escape
                return self.where(path)
            mark = Mark(line + 1, column + 1)
            line, column = (line, column + 1) if here else (line + 1, 0)
        return f"{self.file}:{mark.line}:{mark.column}"


def read_marked_yaml(path: Path) -> MarkedYaml:
    """Read a YAML file.

    Raises FileRefused: missing, a folder, unreadable, over ``MAX_BYTES``, or not usable YAML.
    """
    file = str(path)
    try:
        if path.is_dir():
            raise _refused("this is a folder, a file is needed.", file,
                           "Name the YAML file inside it.")
        if path.exists() and not path.is_file():
            raise _refused("this is not an ordinary file.", file, "Name a YAML file.")
        with path.open("rb") as stream:
            data = stream.read(MAX_BYTES + 1)
    except FileNotFoundError as error:
        raise _refused("there is no such file.", file, _neighbour(path)) from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise _refused(f"the file cannot be read: {reason}.", file,
                       "Check its path and its permissions.") from error
    return parse_marked_yaml(data, file)


def parse_marked_yaml(data: bytes, file: str) -> MarkedYaml:
    """Turn the bytes of a file into a value with places; ``file`` is used in messages.

    Raises FileRefused.
    """
    if len(data) > MAX_BYTES:
        raise _refused(f"the file is larger than {MAX_BYTES // 2**20} MiB.", file,
                       "Split it into several phrasebooks.")
    text = _decoded(data, file)
    bad = _UNPRINTABLE.search(text)
    if bad:
        raise _refused(f"found the control character {_named(bad.group())}.",
                       _place(file, _mark_at(text, bad.start())), "Delete it.")
    try:
        return MarkedYaml(file, _Builder(_Loader(text), file).document(), text)
    except yaml.MarkedYAMLError as error:
        raise _syntax_error(error, text, file) from error
    except (yaml.YAMLError, ValueError, OverflowError) as error:
        # PyYAML lets chr() of an escape beyond Unicode through as a plain ValueError.
        raise _refused(f"this is not readable YAML: {_short(str(error))}.", f"{file}:1:1",
                       "Check escapes such as \\U00110000 in double-quoted texts.") from error


def _core_resolvers() -> dict[str | None, list[tuple[str, re.Pattern[str]]]]:
    """PyYAML's table of plain words that are no text, after YAML 1.2's core schema (10.3.2)."""
    resolvers: dict[str | None, list[tuple[str, re.Pattern[str]]]] = {}

    def add(kind: str, pattern: str, first: str) -> None:
        for character in first:
            resolvers.setdefault(character, []).append((_TAG + kind, re.compile(pattern)))

    add("bool", rf"(?:{'|'.join(_BOOLS)})\Z", "tTfF")
    add("null", r"(?:~|null|Null|NULL)\Z", "~nN")
    resolvers[""] = [(_TAG + "null", re.compile(r"\Z"))]
    add("int", rf"(?:{_INT.pattern})\Z", "-+0123456789")
    add("float", rf"(?:{_FLOAT.pattern}|{_INF.pattern}|{_NAN.pattern})\Z", "-+0123456789.")
    return resolvers


class _Loader(_Base):
    """PyYAML's safe loader with YAML 1.2's plain words; only its events are used."""

    yaml_implicit_resolvers = _core_resolvers()


class _Builder:
    """Builds nodes from events without recursion, so that depth costs nothing but a count."""

    def __init__(self, loader: _Loader, file: str) -> None:
        self._loader: Any = loader  # PyYAML's event methods carry no types
        self._file = file
        self._anchors: dict[str, _Node] = {}
        self._nodes = 0

    def document(self) -> _Node:
        loader = self._loader
        try:
            loader.get_event()  # stream start
            if not loader.check_event(DocumentStartEvent):
                return _Node(None, Mark(1, 1))
            loader.get_event()
            root = self._tree()
            loader.get_event()  # document end
            if loader.check_event(DocumentStartEvent):
                raise self._refuse("a second document begins here.", _mark(loader.get_event()),
                                   "Keep one document a file: remove the line '---'.")
            return root
        finally:
            loader.dispose()

    def _tree(self) -> _Node:
        open_nodes: list[_Node] = []
        open_keys: list[_Node | None] = []  # the key that waits for its value, per open node
        open_anchors: list[str | None] = []
        while True:
            event = self._loader.get_event()
            if isinstance(event, CollectionEndEvent):
                node, anchor = open_nodes.pop(), open_anchors.pop()
                open_keys.pop()
            else:
                node = self._node(event)
                anchor = None if isinstance(event, AliasEvent) else getattr(event, "anchor", None)
                if isinstance(event, (MappingStartEvent, SequenceStartEvent)):
                    if len(open_nodes) >= MAX_DEPTH:
                        raise self._refuse(f"this is nested deeper than {MAX_DEPTH} levels.",
                                           node.mark, "Take levels out.")
                    if open_nodes and isinstance(open_nodes[-1].value, dict) \
                            and open_keys[-1] is None:
                        raise self._refuse("a list or mapping cannot be a key.", node.mark,
                                           "Write a word here; put a text that begins with "
                                           "'{' or '[' in quotes.")
                    open_nodes.append(node)
                    open_keys.append(None)
                    open_anchors.append(anchor)
                    continue
            if anchor is not None:
                self._anchors[anchor] = node
            if not open_nodes:
                return node
            parent = open_nodes[-1]
            if isinstance(parent.value, dict):
                key = open_keys[-1]
                if key is None:
                    self._check_key(parent, node)
                    open_keys[-1] = node
                    continue
                parent.value[key.value] = node.value
                parent.below[str(key.value)] = node
                parent.keys[str(key.value)] = key.mark
                open_keys[-1] = None
                parent.size += 1
            else:
                parent.below[str(len(parent.value))] = node
                parent.value.append(node.value)
            parent.size += node.size

    def _node(self, event: yaml.Event) -> _Node:
        mark = _mark(event)
        if isinstance(event, AliasEvent):
            found = self._anchors.get(str(event.anchor))
            if found is None:
                raise self._refuse(f"nothing above is named '&{_short(str(event.anchor))}'.", mark,
                                   "Put a text that begins with '*' in quotes.")
            self._count(found.size, mark)
            return found
        self._count(1, mark)
        if isinstance(event, ScalarEvent):
            return _Node(self._scalar(event, mark), mark)
        kind = "map" if isinstance(event, MappingStartEvent) else "seq"
        if getattr(event, "tag", None) not in (None, "!", _TAG + kind):
            raise self._refuse_tag(str(getattr(event, "tag", "")), mark)
        return _Node({} if kind == "map" else [], mark)

    def _count(self, nodes: int, mark: Mark) -> None:
        self._nodes += nodes
        if self._nodes > MAX_NODES:
            raise self._refuse(f"the file holds more than {MAX_NODES} values, aliases included.",
                               mark, "Split it, or take aliases out.")

    def _check_key(self, parent: _Node, key: _Node) -> None:
        value = key.value
        if isinstance(value, bool) or not isinstance(value, (str, int)):
            raise self._refuse(f"the key {_short(repr(value))} is not a word.", key.mark,
                               "Put it in quotes.")
        if str(value) in parent.keys:
            first = parent.keys[str(value)]
            raise self._refuse(f"the key '{_short(str(value))}' stands here a second time.",
                               key.mark, f"It is in line {first.line} already: remove or "
                               "rename one of the two.")

    def _scalar(self, event: ScalarEvent, mark: Mark) -> Plain:
        text: str = event.value
        bad = _UNWANTED.search(text)
        if bad:
            raise self._refuse(f"this text holds the control character {_named(bad.group())}.",
                               mark, "Take it out.")
        tag = event.tag
        if tag is None:
            tag = self._loader.resolve(yaml.ScalarNode, text, event.implicit)
        kind = "str" if tag == "!" else str(tag).removeprefix(_TAG)
        if kind == "str":
            return text
        if kind == "null" and text in _NULLS:
            return None
        if kind == "bool" and text in _BOOLS:
            return _BOOLS[text]
        if kind == "int" and _INT.fullmatch(text):
            return self._int(text, mark)
        if kind == "float" and _FLOAT.fullmatch(text):
            return float(text)
        if kind == "float" and (_INF.fullmatch(text) or _NAN.fullmatch(text)):
            return float(text.replace(".", "", 1))
        raise self._refuse_tag(str(tag), mark)

    def _int(self, text: str, mark: Mark) -> int:
        # Digits are counted first: Python refuses to read thousands of them at all.
        if len(text) <= 24:
            value = int(text, 0) if text[:2] in ("0o", "0x") else int(text)
            if abs(value) <= MAX_INT:
                return value
        raise self._refuse(f"the number {_short(text)} is too large.", mark,
                           "Use a smaller one, or put it in quotes if it is a text.")

    def _refuse_tag(self, tag: str, mark: Mark) -> FileRefused:
        return self._refuse(f"the tag '{_short(tag)}' does not fit here.", mark,
                            "Remove it; put a text that begins with '!' in quotes.")

    def _refuse(self, what: str, mark: Mark, do: str) -> FileRefused:
        return _refused(what, _place(self._file, mark), do)


def _decoded(data: bytes, file: str) -> str:
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        start = error.start + (3 if data.startswith(b"\xef\xbb\xbf") else 0)
        start = min(start, len(data) - 1)
        line_start = data.rfind(b"\n", 0, start) + 1
        line = data.count(b"\n", 0, start) + 1
        raise _refused(
            f"byte {start - line_start + 1} of this line (0x{data[start]:02x}, byte {start + 1} "
            "of the file) is not UTF-8.",
            f"{file}:{line}:{len(data[line_start:start].decode('utf-8', 'replace')) + 1}",
            "Save the file as UTF-8.") from error


def _syntax_error(error: yaml.MarkedYAMLError, text: str, file: str) -> FileRefused:
    mark = error.problem_mark or error.context_mark
    place = Mark(mark.line + 1, mark.column + 1) if mark else Mark(1, 1)
    problem = _short(" ".join(str(error.problem or error).split()), 160)
    context = f" {_short(str(error.context), 80)}" if error.context else ""
    lines = text.splitlines()
    line = lines[place.line - 1] if place.line <= len(lines) else ""
    if "\t" in line[: len(line) - len(line.lstrip())] or line[place.column - 1 : place.column] \
            == "\t":
        do = "Indent with spaces: YAML allows no tabs there."
    else:
        do = ("Look at this line and the one above: indentation, a missing ':' or closing "
              "bracket, or a text with ': ' or ' #' that needs quotes.")
    return _refused(f"this is not valid YAML{context}: {problem}.", _place(file, place), do)


def _neighbour(path: Path) -> str:
    """What to do about a missing file: name the one that was probably meant."""
    try:
        names = [entry.name for entry in path.parent.iterdir()]
    except (OSError, ValueError):
        return "Check the path: its folder is not there, either."
    close = nearest(path.name, names)
    return f"Did you mean {close!r}?" if close else "Check the path."


def _mark(event: yaml.Event) -> Mark:
    mark: Any = event.start_mark
    return Mark(mark.line + 1, mark.column + 1)


def _mark_at(text: str, offset: int) -> Mark:
    line_start = text.rfind("\n", 0, offset) + 1
    return Mark(text.count("\n", 0, offset) + 1, offset - line_start + 1)


def _place(file: str, mark: Mark) -> str:
    return f"{file}:{mark.line}:{mark.column}"


def _named(character: str) -> str:
    return f"U+{ord(character):04X}"


def _short(text: str, most: int = 60) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"


def _refused(what: str, where: str, do: str) -> FileRefused:
    return FileRefused([Problem(what, where, do)])
