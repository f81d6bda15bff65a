"""Lists of words that are unfit for some audience: ours, and those that users add.

A list is a YAML file: for each language, words or short phrases and for whom they are fit.
Reads the files and says clearly what is wrong with one; knows nothing of lines. A user's
entry goes before ours, so that a word of ours can be let pass as well.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from tablevoice.errors import FileRefused
from tablevoice.marked_yaml import MarkedYaml, read_marked_yaml
from tablevoice.phrasebook.desk.house_style import AUDIENCES, Audience
from tablevoice.phrasebook.findings import Findings, validated
from tablevoice.phrasebook.schema import exported
from tablevoice.wording import normalise

SHIPPED = Path(__file__).with_name("unfit_words.yaml")
NOBODY = "nobody"

FitFor: TypeAlias = Literal["children", "general", "adults", "nobody"]


class WordListFile(BaseModel):
    """Words and for whom they are fit: children (so for everybody), general, adults, nobody."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)

    format: Literal[1] = Field(description="The format's number: 1.")
    words: dict[
        Annotated[str, StringConstraints(pattern=r"^[a-z]{2,3}$")],
        dict[Annotated[str, StringConstraints(min_length=1, max_length=80)], FitFor],
    ] = Field(description="For each language: words, and for whom each is fit.")


def read_word_lists(paths: Iterable[Path], language: str) -> Mapping[str, FitFor]:
    """The words of a language (``en``) in our list and the given ones, each with whom it suits.

    Raises FileRefused, whose ``problems`` list every finding in all of the files.
    """
    findings = Findings()
    words: dict[str, FitFor] = {}
    for path in (SHIPPED, *paths):
        try:
            marked = read_marked_yaml(path)
        except FileRefused as refused:
            findings.extend(refused.problems)
            continue
        read = validated(WordListFile, marked, findings)
        if read is not None:
            words.update(_words(read, marked, language, findings))
    findings.raise_if_any()
    return words


def _words(
    read: WordListFile, marked: MarkedYaml, language: str, findings: Findings
) -> dict[str, FitFor]:
    found: dict[str, FitFor] = {}
    for tongue, entries in read.words.items():
        for word, fit_for in entries.items():
            plain = normalise(word)
            if not plain:
                findings.add(f"{word!r} is not a word.",
                             marked.where(("words", tongue, word), key=True),
                             "Write a word or a short phrase.")  # fmt: skip
            elif tongue == language:
                found[plain] = fit_for
    return found


def unfit_for(fit_for: FitFor, audience: Audience) -> bool:
    """Whether what is fit for some people is unfit for an audience."""
    if fit_for == NOBODY:
        return True
    return AUDIENCES.index(fit_for) > AUDIENCES.index(audience)


def word_list_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of a word list, for editors."""
    return exported(WordListFile, "tablevoice word list")
