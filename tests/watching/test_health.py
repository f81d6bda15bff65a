"""Facts to verdict: every part, its bounds, and which hangs deserve a restart."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tablevoice.watching.facts import Facts, LinkFacts
from tablevoice.watching.health import RANK, hang, judge
from tests.watching.facts import WELL, spoilt

LINK_DOWN = replace(WELL, links={"hall": LinkFacts(up=False, why="The broker does not answer.")})

UNWELL: dict[str, tuple[Facts, str, str]] = {
    "a loop that is late": (spoilt(loop={"lag_s": 0.3}), "loop", "degraded"),
    "a loop that was very late": (spoilt(loop={"lag_s": 2.5}), "loop", "failing"),
    "a loop that hangs": (spoilt(loop={"overdue_s": 30.0}), "loop", "failing"),
    "no loudspeaker": (spoilt(loudspeaker={"open": False}), "loudspeaker", "failing"),
    "no microphone": (spoilt(microphone={"open": False}), "microphone", "degraded"),
    "a muted microphone": (spoilt(listening={"sound_ago_s": 61.0}), "microphone", "degraded"),
    "a microphone never heard": (spoilt(listening={"sound_ago_s": None}), "microphone", "degraded"),
    "a slow recogniser": (spoilt(listening={"busy_s": 5.0}), "recogniser", "degraded"),
    "a hung recogniser": (spoilt(listening={"busy_s": 16.0}), "recogniser", "failing"),
    "a dead ear": (spoilt(listening={"thread_alive": False}), "recogniser", "failing"),
    "an engine": (spoilt(engine={"failures_in_a_row": 2, "why": "It hung."}), "engine", "degraded"),
    "a locked history": (spoilt(history={"problem": "it is locked"}), "history", "degraded"),
    "a slow disk": (spoilt(history={"busy_s": 6.0}), "history", "degraded"),
    "a hung disk": (spoilt(history={"busy_s": 61.0}), "history", "failing"),
    "little room": (spoilt(history={"free_mb": 499.0}), "disk", "degraded"),
    "no room": (spoilt(history={"free_mb": 49.0}), "disk", "failing"),
    "a silent guard": (spoilt(guard={"state": "silent", "armed": False}), "guard", "failing"),
    "a tripped guard": (spoilt(guard={"state": "tripped", "armed": False}), "guard", "degraded"),
    "a link": (LINK_DOWN, "link hall", "degraded"),
}


def test_a_table_whose_parts_are_well_is_ok() -> None:
    assert judge(WELL).verdict == "ok"
    assert judge(WELL).reasons == ()
    assert hang(WELL) == ""


@pytest.mark.parametrize(("facts", "part", "verdict"), UNWELL.values(), ids=UNWELL.keys())
def test_each_part_that_is_unwell_is_named_with_what_to_do(
    facts: Facts, part: str, verdict: str
) -> None:
    health = judge(facts)
    (reason,) = health.reasons
    assert (reason.part, reason.verdict, health.verdict) == (part, verdict, verdict)
    assert reason.what.endswith((".", "locked", "hung."))
    assert reason.where
    assert reason.do.endswith((".", "guard."))


def test_a_part_that_a_table_does_not_have_is_never_unwell() -> None:
    bare = spoilt(microphone=None, listening=None, guard=None)
    assert judge(replace(bare, links={})).verdict == "ok"


def test_just_after_the_begin_a_silent_microphone_is_none() -> None:
    young = replace(spoilt(listening={"sound_ago_s": None}), uptime_s=59.0)
    assert judge(young).verdict == "ok"


def test_a_lost_microphone_is_not_also_called_muted() -> None:
    facts = spoilt(microphone={"open": False}, listening={"sound_ago_s": 900.0})
    assert [reason.part for reason in judge(facts).reasons] == ["microphone"]


@given(st.sets(st.sampled_from(sorted(UNWELL))))
def test_the_worst_reason_is_the_verdict_and_stands_first(names: set[str]) -> None:
    """Whatever is spoilt together: never better than any of it alone."""
    parts: dict[str, Any] = {}
    for name in names:
        for part in ("loop", "loudspeaker", "microphone", "listening", "engine", "history",
                     "guard", "links"):  # fmt: skip
            spoilt_part = getattr(UNWELL[name][0], part)
            if spoilt_part != getattr(WELL, part):
                parts[part] = spoilt_part
    facts = replace(WELL, **parts)
    health = judge(facts)
    ranks = [RANK[reason.verdict] for reason in health.reasons]
    assert ranks == sorted(ranks, reverse=True)
    assert RANK[health.verdict] == max(ranks, default=0)
    assert bool(parts) == (health.verdict != "ok")


HANGS = {
    "the loop": spoilt(loop={"overdue_s": 10.1}),
    "the recogniser": spoilt(listening={"busy_s": 15.1}),
    "the listening thread": spoilt(listening={"thread_alive": False}),
    "the loudspeaker's thread": spoilt(loudspeaker={"thread_alive": False}),
    "the microphone's thread": spoilt(microphone={"thread_alive": False}),
    "the record": spoilt(history={"busy_s": 60.1}),
}


@pytest.mark.parametrize(("what", "facts"), HANGS.items(), ids=HANGS.keys())
def test_what_makes_no_progress_deserves_a_restart(what: str, facts: Facts) -> None:
    assert hang(facts).startswith(what)


@pytest.mark.parametrize(
    "name",
    ["no loudspeaker", "no microphone", "a muted microphone", "an engine", "a locked history",
     "no room", "a silent guard", "a tripped guard", "a link", "a slow recogniser",
     "a loop that was very late", "a slow disk"],
)  # fmt: skip
def test_what_a_restart_would_not_mend_deserves_none(name: str) -> None:
    assert hang(UNWELL[name][0]) == ""
