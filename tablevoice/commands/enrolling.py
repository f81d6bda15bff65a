"""Guides an operator through saying each word three times, or takes the words from files.

Checks each take at once and asks again with one clear sentence. Called by
``tablevoice enrol``; where the takes lie is the enrolment's business.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path

from tablevoice.audio.clip_files import read_clip, to_rate
from tablevoice.audio.microphone import Microphone
from tablevoice.cell import Cell
from tablevoice.enrolment import TAKES, Enrolment
from tablevoice.errors import AudioUnavailable, FileRefused, Problem, TablevoiceError
from tablevoice.listening.endpointing import Endpointer, EndpointOptions, SpeechEnded
from tablevoice.listening.takes import take_problem
from tablevoice.model import LISTENING_RATE_HZ, Clip

LONGEST_TAKE_S = 10.0
HEARD_WITHIN_S = 10.0
MOST_ATTEMPTS = 5
"""After so many spoilt takes of one word something else is wrong."""

SETTLE_S = 0.3
"""The echo of the last word and the click of a key are over by then."""

ENDINGS = (".wav", ".flac")
ENDPOINTS = EndpointOptions(silence_s=0.5, longest_s=5.0)
"""A longer silence than in a session: nobody waits for an answer, and a word must be whole."""


def enrol_from_folder(
    cell: Cell, name: str, folder: Path, consent: str, consented: datetime,
    phrases: Sequence[str] | None = None,
) -> int:  # fmt: skip
    """Take the words from files ``WORD-1.wav`` to ``WORD-3.wav`` (or FLAC) in ``folder``.

    Gives how many takes are kept. Raises FileRefused naming every file that is missing or
    unfit; then nothing of it is kept.
    """
    enrolment = Enrolment(cell, name, phrases)
    if not folder.is_dir():
        raise TablevoiceError("There is no such folder.", where=str(folder), do="Name another.")
    files = {file.name.casefold(): file for file in sorted(folder.iterdir()) if file.is_file()}
    takes: list[tuple[str, int, Clip]] = []
    problems: list[Problem] = []
    for phrase in enrolment.phrases:
        for number in range(1, TAKES + 1):
            found = _file(files, phrase, number)
            if found is None:
                wanted = f"{phrase.replace(' ', '_')}-{number}.wav"
                problems.append(Problem(f"{wanted} is missing.", str(folder), "Record it."))
                continue
            try:
                clip = to_rate(read_clip(found, longest_s=LONGEST_TAKE_S), LISTENING_RATE_HZ)
            except AudioUnavailable as error:
                problems.append(error.problem)
                continue
            problem = take_problem(clip.samples)
            if problem is not None:
                problems.append(Problem(problem.what, str(found), problem.do))
            takes.append((phrase, number, clip))
    if problems:
        raise FileRefused(problems)
    for phrase, number, clip in takes:
        enrolment.keep(phrase, number, clip.samples)
    return enrolment.finish(consent, consented)


def enrol_live(
    cell: Cell, name: str, tell: Callable[[str], None], consent: str, consented: datetime,
    phrases: Sequence[str] | None = None,
) -> int:  # fmt: skip
    """Ask for each word at the microphone until all takes are fit; gives how many are kept.

    ``tell`` shows a line to the person. An interruption loses no take: the next call goes
    on. Raises TablevoiceError without a microphone, or when a word will not do.
    """
    enrolment = Enrolment(cell, name, phrases)
    wanted = enrolment.wanted()
    done = len(enrolment.phrases) * TAKES - len(wanted)
    if done:
        tell(f"{done} takes are there from before.")
    with Microphone(cell.microphone.device, cell.microphone.latency) as microphone:
        listener = _Listener(microphone)
        for phrase, number in wanted:
            _take(enrolment, listener, phrase, number, tell)
    return enrolment.finish(consent, consented)


def _take(
    enrolment: Enrolment, listener: _Listener, phrase: str, number: int,
    tell: Callable[[str], None],
) -> None:  # fmt: skip
    for _ in range(MOST_ATTEMPTS):
        listener.settle()
        tell(f"Say “{phrase}” ({number} of {TAKES}).")
        ended = listener.next_utterance()
        problem = _problem(ended)
        if ended is not None and problem is None:
            enrolment.keep(phrase, number, ended.samples)
            tell("Good.")
            return
        tell(f"{problem} Once more.")
    raise TablevoiceError(
        f"“{phrase}” could not be taken in {MOST_ATTEMPTS} attempts.",
        do="See with `tablevoice listen` what the microphone hears, then enrol again: what was"
        " taken so far is kept.",
    )


def _problem(ended: SpeechEnded | None) -> Problem | None:
    if ended is None:
        return Problem("Nothing was heard.")
    if ended.forced:
        return Problem(
            f"The sound did not end within {ENDPOINTS.longest_s:.0f} s.",
            do="Say the word once, in a quiet moment.",
        )
    return take_problem(ended.samples)


class _Listener:
    """Utterances of one microphone, one at a time."""

    def __init__(self, microphone: Microphone) -> None:
        self._microphone = microphone
        self._endpointer = Endpointer(ENDPOINTS)

    def settle(self) -> None:
        """Let pass what waits, and whatever is being said."""
        until_s = time.monotonic() + SETTLE_S
        give_up_s = time.monotonic() + HEARD_WITHIN_S
        while time.monotonic() < until_s or (
            self._endpointer.in_speech and time.monotonic() < give_up_s
        ):
            block = self._microphone.read(0.1)
            if block is not None:
                self._endpointer.feed(block.samples)

    def next_utterance(self) -> SpeechEnded | None:
        """What is said next, ``None`` if nothing is; waits for its end."""
        give_up_s = time.monotonic() + HEARD_WITHIN_S
        while time.monotonic() < give_up_s or self._endpointer.in_speech:
            block = self._microphone.read(0.5)
            if block is None:
                if time.monotonic() >= give_up_s:
                    return None  # the microphone was lost in the middle of a word
                continue
            for event in self._endpointer.feed(block.samples):
                if isinstance(event, SpeechEnded):
                    return event
        return None


def _file(files: dict[str, Path], phrase: str, number: int) -> Path | None:
    for word in (phrase.replace(" ", "_"), phrase, phrase.replace(" ", "-")):
        for ending in ENDINGS:
            found = files.get(f"{word}-{number}{ending}".casefold())
            if found is not None:
                return found
    return None
