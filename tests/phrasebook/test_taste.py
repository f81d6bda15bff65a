"""The rules of taste, each as a property, against a plain telling of them over what was said.

A season of calls is drawn, with pauses and new sessions; for each call the rules are worked
out anew from the whole past, without anything of the chooser's.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from tablevoice.model import (
    Condition,
    Cooldown,
    EventLines,
    Line,
    Phrasebook,
    Priority,
    QuietSpan,
    SlotValue,
    Spent,
)
from tablevoice.phrasebook.choosing import Chooser, Chosen, Withheld
from tablevoice.phrasebook.quiet_hours import quiet_span
from tablevoice.phrasebook.slots import eligible, voice_of

some = settings(max_examples=60, deadline=None)

ARMS = ("Alder", "Briar")
KINDS = {
    "teasing": Cooldown(every_s=30.0), "boast": Cooldown(every_uses=4),
    "song": Cooldown(every_sessions=2), "dry": Cooldown(), "rare": Cooldown(20.0, 3, 2),
}  # fmt: skip
LIKINGS = {"Alder": {"teasing": 0.0, "dry": 4.0}, "Briar": {"boast": 0.2}}
SLOTS: dict[str, tuple[SlotValue, ...] | None] = {"arm": ARMS, "lights": (0, 1, 2), "best": (0, 1)}


@dataclass(frozen=True)
class Call:
    event: str
    slots: dict[str, SlotValue]
    after_s: float
    new_session: bool = False


@dataclass(frozen=True)
class Past:
    """A line that was said: when, in which session, as which use of the table."""

    chosen: Chosen
    at_s: float
    session: int
    use: int


conditions = st.sampled_from([
    (), (), (Condition("lights", at_least=1),), (Condition("arm", among=("Alder",)),),
    (Condition("lights", relation=">", other="best"),),
    (Condition("lights", relation="<=", other="best"),),
])  # fmt: skip


@st.composite
def tasteful_books(draw: st.DrawFn) -> Phrasebook:
    """Two events, lines of kinds, stories over both; one line of each that always fits."""
    lines: dict[str, list[Line]] = {"turn": [], "chat": []}
    every: list[Line] = []
    for number in range(draw(st.integers(2, 10))):
        event = draw(st.sampled_from(["turn", "chat"]))
        follows = draw(st.sampled_from([None, None, *every])) if every else None
        line = Line(
            f"k{number}", event, f"Line {number}.",
            voice=draw(st.sampled_from([None, "{arm}", "Briar"])),
            weight=draw(st.sampled_from([0.0, 1.0, 1.0, 3.0])),
            when=draw(conditions),
            kind=draw(st.sampled_from([None, *KINDS])),
            follows=None if follows is None else follows.key,
            within_s=float("inf") if follows is None else draw(st.sampled_from([5.0, 60.0])),
        )  # fmt: skip
        every.append(line)
        lines[event].append(line)
    for event, found in lines.items():
        kind = draw(st.sampled_from([None, "teasing", "song", "boast"]))
        found.append(Line(f"{event}-always", event, "Always.", "{arm}", kind=kind))
    begun = {line.follows for found in lines.values() for line in found}
    events = {
        name: EventLines(
            name, "", tuple(SLOTS), priority, 8.0, True, None, None,
            tuple(replace(line, begins=line.key in begun) for line in lines[name]))
        for name, priority in (("turn", Priority.QUESTION), ("chat", Priority.BANTER))
    }  # fmt: skip
    return Phrasebook("test", "en", SLOTS, events, {}, {}, kinds=KINDS, characters=LIKINGS)


calls_of = st.lists(
    st.builds(
        Call, st.sampled_from(["turn", "chat"]),
        st.fixed_dictionaries({name: st.sampled_from(values or ())
                               for name, values in SLOTS.items()}),
        st.sampled_from([0.0, 1.0, 4.0, 12.0, 40.0]),
        st.sampled_from([False, False, False, False, False, True]),
    ), min_size=1, max_size=40)  # fmt: skip


def season(
    book: Phrasebook, calls: Sequence[Call], seed: int, *, restarts: bool = True
) -> list[tuple[Call, Past | None]]:
    """What became of each call; ``None`` where the table kept quiet.

    ``restarts``: each session has a chooser and a clock of its own, as at a real table.
    """
    chooser, at_s, session, uses, began_s = Chooser(book, seed), 0.0, 0, 0, 0.0
    told: list[tuple[Call, Past | None]] = []
    for call in calls:
        at_s += call.after_s
        if call.new_session:
            session += 1
            if restarts:
                rows = [replace(row, at_s=row.at_s - (at_s - began_s)) for row in chooser.rows()]
                chooser, began_s = Chooser(book, seed, rows, session=session), at_s
            else:
                chooser.begin_session(session)
        found = chooser.choose_if_fit(call.event, call.slots, "Alder", at_s - began_s)
        if isinstance(found, Withheld):
            told.append((call, None))
        else:
            uses += 1
            told.append((call, Past(found, at_s, session, uses)))
    return told


def broken(line: Line, voice: str, at_s: float, session: int, past: Sequence[Past]) -> set[str]:
    """The rules of taste that saying ``line`` now would break."""
    rules = set()
    if line.kind is not None:
        limit = KINDS[line.kind]
        last = next((p for p in reversed(past) if p.chosen.line.kind == line.kind), None)
        if last is not None and (
            at_s - last.at_s < limit.every_s
            or past[-1].use + 1 - last.use < limit.every_uses
            or session - last.session < limit.every_sessions > 1
        ):
            rules.add("cooldown")
        if LIKINGS.get(voice, {}).get(line.kind, 1.0) == 0:
            rules.add("character")
    if line.of_a_story and any(
        p.session == session and p.chosen.line.key == line.key for p in past
    ):
        rules.add("once")
    return rules


def may_follow(line: Line, at_s: float, session: int, past: Sequence[Past]) -> bool:
    """Whether the story that ``line`` goes on was begun in time and not gone on with yet."""
    for p in reversed(past):
        if p.session != session or p.chosen.line.follows == line.follows:
            return False
        if p.chosen.line.key == line.follows:
            return at_s - p.at_s <= line.within_s
    return False


def fitting(book: Phrasebook, call: Call) -> list[Line]:
    return [line for line in book.events[call.event].lines
            if line.weight > 0 and eligible(line, call.slots)]


@some
@given(book=tasteful_books(), calls=calls_of, seed=st.integers(0, 2**16))
def test_kinds_rest_and_whatever_breaks_a_rule_says_so(
    book: Phrasebook, calls: list[Call], seed: int
) -> None:
    past: list[Past] = []
    at_s, session = 0.0, 0
    for call, said in season(book, calls, seed):
        at_s += call.after_s
        session += call.new_session
        free = [
            line for line in fitting(book, call)
            if line.follows is None
            and not broken(line, voice_of(line, call.slots, "Alder"), at_s, session, past)
        ]  # fmt: skip
        if said is None:
            # Only banter may fall silent, and only where nothing fits.
            assert book.events[call.event].priority is Priority.BANTER
            assert not free
            continue
        line = said.chosen.line
        rules = broken(line, said.chosen.voice, at_s, session, past)
        assert bool(said.chosen.note) == bool(rules)
        if rules:
            assert not free
            assert book.events[call.event].priority is Priority.QUESTION
        past.append(said)


@some
@given(book=tasteful_books(), calls=calls_of, seed=st.integers(0, 2**16))
def test_what_is_asked_for_last_gives_way_first(
    book: Phrasebook, calls: list[Call], seed: int
) -> None:
    past: list[Past] = []
    order = ["once", "character", "cooldown"]
    at_s, session = 0.0, 0
    for call, said in season(book, calls, seed):
        at_s += call.after_s
        session += call.new_session
        if said is None:
            continue
        if said.chosen.note:
            steps = {
                line.key: max((order.index(rule) for rule in broken(
                    line, voice_of(line, call.slots, "Alder"), at_s, session, past)), default=-1)
                for line in fitting(book, call) if line.follows is None
            }  # fmt: skip
            assert steps[said.chosen.line.key] == min(steps.values())
        past.append(said)


@some
@given(book=tasteful_books(), calls=calls_of, seed=st.integers(0, 2**16))
def test_a_story_goes_on_in_time_once_and_before_anything_else(
    book: Phrasebook, calls: list[Call], seed: int
) -> None:
    past: list[Past] = []
    at_s, session = 0.0, 0
    for call, said in season(book, calls, seed):
        at_s += call.after_s
        session += call.new_session
        going_on = [
            line for line in fitting(book, call)
            if line.follows is not None and may_follow(line, at_s, session, past)
            and not broken(line, voice_of(line, call.slots, "Alder"), at_s, session, past)
        ]  # fmt: skip
        key = None if said is None else said.chosen.line.key
        if going_on:
            # Not left dangling: whatever its round and that of the others, one of them comes.
            assert key in {line.key for line in going_on}
        elif said is not None:
            assert said.chosen.line.follows is None
        if said is not None:
            past.append(said)


@some
@given(book=tasteful_books(), calls=calls_of, seed=st.integers(0, 2**16))
def test_non_repetition_holds_among_what_taste_leaves(
    book: Phrasebook, calls: list[Call], seed: int
) -> None:
    rounds: dict[str, int] = {}
    last: dict[str, str] = {}
    past: list[Past] = []
    at_s, session = 0.0, 0
    for call, said in season(book, calls, seed):
        at_s += call.after_s
        session += call.new_session
        if said is None:
            continue
        chosen = said.chosen
        if chosen.line.follows is None and not chosen.note:
            free = [
                line.key for line in fitting(book, call)
                if line.follows is None
                and not broken(line, voice_of(line, call.slots, "Alder"), at_s, session, past)
            ]  # fmt: skip
            others = [key for key in free if key != last.get(call.event)] or free
            assert chosen.line.key in others
            assert rounds.get(chosen.line.key, 0) == min(rounds.get(key, 0) for key in others)
        assert chosen.spent.round > rounds.get(chosen.line.key, 0)
        rounds[chosen.line.key] = chosen.spent.round
        last[call.event] = chosen.line.key
        past.append(said)


@some
@given(book=tasteful_books(), calls=calls_of, seed=st.integers(0, 2**16))
def test_moods_hold_for_all_that_is_said(book: Phrasebook, calls: list[Call], seed: int) -> None:
    for call, said in season(book, calls, seed):
        if said is None:
            continue
        for condition in said.chosen.line.when:
            lights, best = call.slots["lights"], call.slots["best"]
            assert isinstance(lights, int)
            assert isinstance(best, int)
            if condition.relation is not None:
                assert (lights > best) == (condition.relation == ">")
            elif condition.slot == "lights":
                assert lights >= 1
            else:
                assert call.slots["arm"] == "Alder"


@some
@given(book=tasteful_books(), calls=calls_of, seed=st.integers(0, 2**16), data=st.data())
def test_a_crash_or_an_edit_in_the_middle_changes_nothing(
    book: Phrasebook, calls: list[Call], seed: int, data: st.DataObject
) -> None:
    """A restart in the same session, and a swap to another phrasebook and back again."""
    calls = [replace(call, new_session=False) for call in calls]
    cut = data.draw(st.integers(0, len(calls)))
    less = replace(book, events={
        name: replace(event, lines=event.lines[-1:]) for name, event in book.events.items()})

    def run(chooser: Chooser, from_: int, to: int) -> list[object]:
        found, at_s = [], sum(call.after_s for call in calls[:from_])
        for call in calls[from_:to]:
            at_s += call.after_s
            found.append(chooser.choose_if_fit(call.event, call.slots, "Alder", at_s))
        return list(found)

    whole = Chooser(book, seed)
    unbroken = run(whole, 0, len(calls))
    first = Chooser(book, seed)
    before = run(first, 0, cut)
    assert before == unbroken[:cut]
    rows: list[Spent] = list(first.rows())
    assert run(Chooser(book, seed, rows), cut, len(calls)) == unbroken[cut:]
    assert run(first.with_book(less).with_book(book), cut, len(calls)) == unbroken[cut:]


@some
@given(book=tasteful_books(), calls=calls_of, seed=st.integers(0, 2**16))
def test_a_season_without_restarts_is_the_same_season(
    book: Phrasebook, calls: list[Call], seed: int
) -> None:
    def lines(restarts: bool) -> list[object]:
        return [said and (said.chosen.line.key, said.chosen.note, said.chosen.spent.round)
                for _, said in season(book, calls, seed, restarts=restarts)]

    assert lines(True) == lines(False)


def plain(lines: Sequence[Line], priority: Priority = Priority.MOVE, **more: object) -> Phrasebook:
    event = EventLines("turn", "", ("arm",), priority, 8.0, True, None, None, tuple(lines))
    whole = Phrasebook("test", "en", {"arm": ARMS}, {"turn": event}, {}, {})
    return replace(whole, **more)  # type: ignore[arg-type]


def test_what_a_voice_likes_comes_first_as_often_as_its_weight_says() -> None:
    """First draws over 4,000 seeds against weight x liking (chi-square test)."""
    lines = [Line("a", "turn", "A.", "{arm}", 1.0, kind="dry"),
             Line("b", "turn", "B.", "{arm}", 2.0, kind="teasing"),
             Line("c", "turn", "C.", "{arm}")]
    book = plain(lines, kinds={"dry": Cooldown(), "teasing": Cooldown()},
                 characters={"Alder": {"dry": 4.0, "teasing": 0.5}, "Briar": {"teasing": 3.0}})
    for arm, expected in (("Alder", [4.0, 1.0, 1.0]), ("Briar", [1.0, 6.0, 1.0])):
        firsts = Counter(Chooser(book, seed).choose("turn", {"arm": arm}, "Alder").line.key
                         for seed in range(4000))
        wanted = [4000 * share / sum(expected) for share in expected]
        assert stats.chisquare([firsts[key] for key in "abc"], wanted).pvalue > 1e-4


spans = st.builds(
    QuietSpan, st.integers(0, 1439), st.integers(0, 1439),
    st.frozensets(st.sampled_from(Priority)))  # fmt: skip


@some
@given(hours=st.lists(spans, max_size=3), minute=st.integers(0, 1439),
       priority=st.sampled_from(Priority))
def test_in_quiet_hours_only_given_priorities_speak_and_questions_always(
    hours: list[QuietSpan], minute: int, priority: Priority
) -> None:
    def covers(span: QuietSpan) -> bool:
        minutes = {(span.from_min + n) % 1440
                   for n in range((span.until_min - span.from_min) % 1440 or 1440)}
        return minute in minutes

    quiet = any(covers(span) and priority not in span.speak for span in hours)
    quiet = quiet and priority not in (Priority.QUESTION, Priority.WARNING)
    assert (quiet_span(hours, priority, minute) is not None) == quiet
    book = plain([Line("a", "turn", "A.")], priority, quiet_hours=tuple(hours))
    chooser = Chooser(book, 1)
    found = chooser.choose_if_fit("turn", {}, "Alder", 0.0, float(minute))
    assert isinstance(found, Withheld) == quiet
    # What was not said was not used up either.
    assert len(chooser.rows()) == (0 if quiet else 1)
    assert isinstance(chooser.choose_if_fit("turn", {}, "Alder", 0.0, None), Chosen)


def test_the_note_and_the_silence_name_the_rule() -> None:
    teasing = [Line(key, "turn", f"{key}.", kind="teasing") for key in "ab"]
    rules = {"teasing": Cooldown(every_s=240.0, every_uses=3)}
    asked = Chooser(plain(teasing, Priority.QUESTION, kinds=rules), 1)
    first = asked.choose_if_fit("turn", {}, "Alder", 0.0)
    assert isinstance(first, Chosen)
    assert first.note == ""
    second = asked.choose_if_fit("turn", {}, "Alder", 5.0)
    assert isinstance(second, Chosen)
    assert second.note == "teasing: at most one in 240 s and 3 lines"
    chat = Chooser(plain(teasing, Priority.BANTER, kinds=rules), 1)
    chat.choose_if_fit("turn", {}, "Alder", 0.0)
    assert chat.choose_if_fit("turn", {}, "Alder", 5.0) == Withheld(second.note, ("teasing",))


def test_a_kind_still_rests_after_its_line_was_edited() -> None:
    rules = {"teasing": Cooldown(every_s=240.0, every_uses=3)}
    before = plain([Line("a", "turn", "A.", kind="teasing")], Priority.BANTER, kinds=rules)
    after = plain([Line("b", "turn", "B.", kind="teasing")], Priority.BANTER, kinds=rules)
    chooser = Chooser(before, 1)
    said = chooser.choose("turn", {}, "Alder", 0.0)
    chooser = chooser.with_book(after)
    assert isinstance(chooser.choose_if_fit("turn", {}, "Alder", 239.0), Withheld)
    again = chooser.with_book(before).choose("turn", {}, "Alder", 500.0)
    assert (again.spent.use, again.spent.round) == (said.spent.use + 1, said.spent.round + 1)


def test_a_begun_story_survives_ten_thousand_lines_and_a_year_of_rounds() -> None:
    lines = [Line(f"k{n}", "turn", f"{n}.") for n in range(10_000)]
    opener = Line("once", "turn", "A heron came.", weight=1000.0, begins=True)
    told = Line("then", "turn", "The heron left.", follows="once", within_s=60.0)
    book = plain([*lines, opener, told])
    rows = [Spent("turn", "Alder", "then", 500, 500)]
    chooser = Chooser(book, 3, rows, session=7)
    keys = [chooser.choose("turn", {}, "Alder", float(n)).line.key for n in range(10_001)]
    assert keys[keys.index("once") + 1] == "then"
    assert keys.count("once") == keys.count("then") == 1
