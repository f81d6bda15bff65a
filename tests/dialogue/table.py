"""A question, its phrases and a way to play inputs, shared by the dialogue's tests."""

from __future__ import annotations

from tablevoice.dialogue import start, step
from tablevoice.dialogue.terms import (
    Answered,
    Ask,
    Effect,
    HeardMatch,
    Input,
    LineEnded,
    Phase,
    SayEvent,
    State,
    Tick,
)
from tablevoice.model import Event, Match, Question, StandingCommand, Verdict

COLOUR = Question(
    name="colour",
    answers={"amber": ("amber", "amber please"), "violet": ("violet",)},
    wait_s=6.0,
    tries=3,
    button_wait_s=60.0,
    ask_again="colour_misheard",
    waited="waited_too_long",
    confirm="colour_confirm",
    give_up="use_the_button",
    yes=("yes", "correct"),
    no=("no", "wrong"),
)
SHALL_WE = Question(
    name="shall_we",
    answers={"yes": ("yes", "go on"), "no": ("no",)},
    confirm="shall_we_confirm",
    yes=("yes",),
    no=("no",),
)
STANDING = {
    "pause": StandingCommand("pause", ("pause", "hold on"), "paused"),
    "stop": StandingCommand("stop", ("stop",), "stopped"),
    "repeat": StandingCommand("repeat", ("say again",), None),
    "help": StandingCommand("help", ("help",), "helping"),
    "never_mind": StandingCommand("never_mind", ("never mind",), "never_minded"),
}
EVENT = Event("e1", "colour_asked", {"lights": 4})


class Played:
    """A dialogue with its time and everything that it did."""

    def __init__(self, state: State | None = None) -> None:
        self.state = start(STANDING) if state is None else state
        self.now_s = 0.0
        self.effects: list[Effect] = []

    def give(self, given: Input, after_s: float = 0.0) -> tuple[Effect, ...]:
        self.now_s += after_s
        self.state, effects = step(self.state, given, self.now_s)
        self.effects += effects
        return effects

    def hear(
        self,
        meaning: str | None,
        verdict: Verdict = Verdict.ACT,
        score: float = 0.9,
        start_s: float | None = None,
    ) -> tuple[Effect, ...]:
        match = Match(meaning, meaning or "", score, 0.3)
        return self.give(HeardMatch(match, verdict, start_s))

    def ask(self, question: Question = COLOUR, event: Event = EVENT) -> tuple[Effect, ...]:
        return self.give(Ask(event, question))

    def line_ends(self) -> tuple[Effect, ...]:
        return self.give(LineEnded(self.state.line), 1.0)

    def asked(self, question: Question = COLOUR) -> Played:
        self.ask(question)
        self.line_ends()
        return self

    def time_out(self) -> tuple[Effect, ...]:
        assert self.state.deadline_s is not None
        self.now_s = self.state.deadline_s
        return self.give(Tick())

    @property
    def phase(self) -> Phase:
        return self.state.phase

    @property
    def answers(self) -> list[Answered]:
        return [effect for effect in self.effects if isinstance(effect, Answered)]

    @property
    def said(self) -> list[str]:
        return [effect.reason for effect in self.effects if isinstance(effect, SayEvent)]


OPEN_PHASES = (Phase.ASKING, Phase.LISTENING, Phase.CONFIRMING, Phase.WAITING_FOR_BUTTON)


def played_to(phase: Phase) -> Played:
    played = Played()
    played.ask()
    if phase is Phase.ASKING:
        return played
    played.line_ends()
    if phase is Phase.CONFIRMING:
        played.hear("violet", Verdict.CONFIRM)
        played.line_ends()
    elif phase is Phase.WAITING_FOR_BUTTON:
        while played.phase is not Phase.WAITING_FOR_BUTTON:
            played.time_out()
    assert played.phase is phase
    return played
