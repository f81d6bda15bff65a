"""The errors a person or a controller may see.

Every one says what is wrong, where, and what to do next, so that a message can
be shown as it is: on a terminal, in a JSON line, on the console. Nothing else
in the package invents error texts of another shape.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong: what it is, where it stands, what would put it right.

    ``code``: its short stable name, where reports for other programs need one of its own.
    """

    what: str
    where: str = ""
    do: str = ""
    code: str = ""

    def __str__(self) -> str:
        text = f"{self.where}: {self.what}" if self.where else self.what
        return f"{text} {self.do}".rstrip() if self.do else text


class TablevoiceError(Exception):
    """Base of all errors raised on purpose; carries a :class:`Problem`."""

    def __init__(self, what: str, *, where: str = "", do: str = "") -> None:
        self.problem = Problem(what, where, do)
        super().__init__(str(self.problem))


class FileRefused(TablevoiceError):
    """A cell file or phrasebook is not usable; ``problems`` lists every finding, first first."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        if not problems:
            raise ValueError("a refused file needs at least one problem")
        first = problems[0]
        super().__init__(first.what, where=first.where, do=first.do)
        self.problems = tuple(problems)

    def __str__(self) -> str:
        return "\n".join(str(problem) for problem in self.problems)


class AudioUnavailable(TablevoiceError):
    """No usable loudspeaker, microphone or sound file."""


class RecogniserUnavailable(TablevoiceError):
    """A recogniser, its model or one of its words is missing."""


class EngineFailed(TablevoiceError):
    """A speech engine could not be started, crashed, hung or refused a text."""


class StoreUnwritable(TablevoiceError):
    """The prepared-line store or the history cannot be written."""


class SoundUnkept(StoreUnwritable):
    """A person's sound could not be kept beside the history; the words can."""


class LinkUnavailable(TablevoiceError):
    """A link of the cell file cannot be opened."""


class MessageRefused(TablevoiceError):
    """A message from the cell's controller is not one of the documented ones.

    ``message_id`` is the refused message's own id where one could be read, so that
    the controller can tell which of its messages the error answers.
    """

    def __init__(
        self, what: str, *, where: str = "", do: str = "", message_id: str | None = None
    ) -> None:
        super().__init__(what, where=where, do=do)
        self.message_id = message_id
