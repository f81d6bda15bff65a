"""What is wrong with a file, gathered: every finding with its place and the nearest valid name.

Turns what pydantic finds in a marked file into the project's problems and collects
those of the cross checks. Knows no phrasebook: the loader and the cell file call it.
"""

from __future__ import annotations

import types
from collections.abc import Iterable, Mapping, Sequence
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from tablevoice.errors import FileRefused, Problem
from tablevoice.marked_yaml import KeyPath, MarkedYaml
from tablevoice.nearest import advice

Model = TypeVar("Model", bound=BaseModel)

MOST_SHOWN = 100
"""Findings listed one by one; how many more there are is said in one line after them."""
EVENT_WITHOUT_LINES = "E101"
NO_LINE_FOR_VALUES = "E102"
"""Codes of what the desk would say itself, if such a file came so far: see ``desk.codes``."""


class Findings:
    """Problems of one or several files, in the order in which they were found."""

    def __init__(self) -> None:
        self._problems: list[Problem] = []
        self._uncounted = 0

    def __bool__(self) -> bool:
        return bool(self._problems)

    def add(self, what: str, where: str, do: str, code: str = "") -> None:
        self._problems.append(Problem(what, where, do, code))

    def extend(self, problems: Iterable[Problem]) -> None:
        self._problems.extend(problems)

    def add_unseen(self, count: int) -> None:
        """Count further findings that are not worth wording: too many stand before them."""
        self._uncounted += count

    def raise_if_any(self) -> None:
        """Raise FileRefused with everything found (the first ``MOST_SHOWN`` and a count)."""
        if not self._problems:
            return
        shown = self._problems[:MOST_SHOWN]
        more = len(self._problems) - len(shown) + self._uncounted
        if more:
            shown.append(Problem(f"{more} more findings are not shown.", "",
                                 "Put the ones above right first."))
        raise FileRefused(shown)


def validated(model: type[Model], marked: MarkedYaml, findings: Findings) -> Model | None:
    """The file as ``model``; ``None`` after adding each finding of pydantic's."""
    if not isinstance(marked.value, dict):
        findings.add(f"found {shown(marked.value)} where the file's keys should be.",
                     marked.where(), f"Begin with 'format: 1'. {keys_of(model)}")
        return None
    try:
        return model.model_validate(marked.value)
    except ValidationError as error:
        details = error.errors(include_url=False)
        findings.extend(_problem(model, marked, detail) for detail in details[:MOST_SHOWN])
        findings.add_unseen(max(0, len(details) - MOST_SHOWN))
        return None


def shown(value: object) -> str:
    """A value as a message may show it: short, on one line."""
    if isinstance(value, Mapping):
        return "a mapping"
    if isinstance(value, list):
        return "a list"
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return str(value).lower()
    text = repr(value)
    return text if len(text) <= 50 else text[:48] + "…'"


def keys_of(model: type[BaseModel]) -> str:
    return f"Keys here: {', '.join(_fields(model))}."


def _problem(model: type[BaseModel], marked: MarkedYaml, detail: ErrorDetails) -> Problem:
    path = [part for part in detail["loc"] if part != "[key]"]
    is_key = len(path) != len(detail["loc"])
    kind, context = detail["type"], detail.get("ctx", {})
    name = str(path[-1]) if path else ""
    if kind == "extra_forbidden":
        owner = _model_at(model, path[:-1])
        known = list(_fields(owner)) if owner else []
        return Problem(f"unknown key {shown(name)}{_inside(path[:-1])}.",
                       marked.where(path, key=True), advice(name[:80], known, at_most=20))
    if kind == "missing":
        return Problem(f"the key {name!r} is missing{_inside(path[:-1])}.",
                       marked.where(path[:-1]), f"Add '{name}:'.")
    found = shown(detail["input"])
    what = f"found {found} {'as a name in' if is_key else 'for'} {_dotted(path, is_key)}."
    without_lines = kind == "too_short" and len(path) == 3 and path[::2] == ["events", "lines"]
    return Problem(what, marked.where(path, key=is_key), _right(kind, context, detail),
                   EVENT_WITHOUT_LINES if without_lines else "")


def _right(kind: str, context: Mapping[str, Any], detail: ErrorDetails) -> str:
    """What would be right, for the kinds of finding that the two models can bring about."""
    if kind == "literal_error":
        choices = context["expected"].replace(" or ", ", ").replace("'", "").split(", ")
        return advice(str(detail["input"])[:80], choices)
    if kind in ("string_type", "string_sub_type"):
        quoted = isinstance(detail["input"], (int, float, bool)) or detail["input"] is None
        return "Write a text; put it in quotes." if quoted else "Write a text."
    if kind == "bool_type":
        return "Write true or false (yes and no are plain words here)."
    fixed = {
        "int_type": "Write a whole number.",
        "int_from_float": "Write a whole number.",
        "float_type": "Write a number.",
        "finite_number": "Write a finite number.",
        "list_type": "Write a list: [a, b], or one '- item' a line.",
        "dict_type": "Write a mapping: one 'name: value' a line.",
        "model_type": "Write a mapping: one 'key: value' a line.",
        "string_pattern_mismatch": "Use letters, digits and '_', a letter first.",
    }
    if kind in fixed:
        return fixed[kind]
    bounds = {
        "greater_than": "Use a number above {gt}.",
        "greater_than_equal": "Use a number of {ge} or more.",
        "less_than": "Use a number below {lt}.",
        "less_than_equal": "Use a number of {le} or less.",
        "string_too_short": "Write at least {min_length} character.",
        "string_too_long": "Write at most {max_length} characters.",
        "too_short": "Give at least {min_length}.",
        "too_long": "Give at most {max_length}.",
    }
    if kind in bounds:
        return bounds[kind].format_map({name: f"{bound:g}" for name, bound in context.items()
                                        if isinstance(bound, (int, float))})
    return detail["msg"].removeprefix("Value error, ")


def _inside(path: KeyPath) -> str:
    return f" in {_dotted(path)}" if path else ""


def _dotted(path: KeyPath, is_key: bool = False) -> str:
    shown_path = path[:-1] if is_key else path
    text = ""
    for part in shown_path:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}"
    text = text.removeprefix(".") or "the file"
    return repr(text if len(text) <= 80 else "…" + text[-79:])


def _fields(model: type[BaseModel]) -> Sequence[str]:
    return [field.alias or name for name, field in model.model_fields.items()]


def _model_at(model: type[BaseModel], path: KeyPath) -> type[BaseModel] | None:
    """The model whose keys stand at ``path``."""
    here: Any = model
    for part in path:
        if isinstance(here, type) and issubclass(here, BaseModel):
            by_alias = {field.alias or name: field.annotation
                        for name, field in here.model_fields.items()}
            here = _bare(by_alias.get(str(part)))
        else:
            arguments = get_args(here)
            here = _bare(arguments[-1]) if arguments else None
    return here if isinstance(here, type) and issubclass(here, BaseModel) else None


def _bare(annotation: Any) -> Any:
    """An annotation without ``Annotated`` and ``None``; the collection or model of a union."""
    while get_origin(annotation) is Annotated:
        annotation = get_args(annotation)[0]
    if get_origin(annotation) in (Union, types.UnionType):
        options = [_bare(option) for option in get_args(annotation)]
        options = [option for option in options
                   if option is not types.NoneType and get_origin(option) is not Literal]
        return options[-1] if options else None
    return annotation
