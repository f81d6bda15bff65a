"""Suggestions for names that were not recognised."""

from __future__ import annotations

import pytest

from tablevoice.nearest import advice, nearest


@pytest.mark.parametrize(
    ("name", "close"),
    [("ambre", "amber"), ("VIOLET", "violet"), ("colour-asked", "colour_asked"), ("qqq", None)],
)
def test_the_nearest_name_is_named_when_there_is_one(name: str, close: str | None) -> None:
    assert nearest(name, ["violet", "amber", "colour_asked"]) == close


def test_advice_names_the_nearest_else_what_there_is() -> None:
    assert advice("ambre", ["violet", "amber"]) == "Did you mean 'amber'?"
    assert advice("qqq", ["violet", "amber"]) == "Use one of: amber, violet."
    assert advice("qqq", [f"name{n}" for n in range(9)]).endswith("name7, ….")
    assert advice("qqq", []) == "None is known here."
