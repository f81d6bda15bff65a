"""Which line of the log each message is: one name for each kind, and its fields.

What people said, what was said to them and what they answered is in the history; the log
carries it only where ``speech`` is wanted. Problems are logged whole: they may quote a field
of a message that was refused. Called by the session's watch for each message in and out.
"""

from __future__ import annotations

from typing import Any

from structlog.typing import FilteringBoundLogger

from tablevoice.links import messages
from tablevoice.links.messages import Inbound, Outbound


class MessageLog:
    """Writes messages into ``out``. ``speech``: words, slot values and answers as well."""

    def __init__(self, out: FilteringBoundLogger, *, speech: bool = False) -> None:
        self._out = out
        self._speech = speech

    def received(self, message: Inbound) -> None:
        """A message that some peer sent."""
        match message:
            case messages.EventReported(id=number, event=event, slots=slots):
                given: Any = dict(slots) if self._speech else sorted(slots)
                self._out.info("event", id=number, name=event, slots=given)
            case messages.ButtonPressed(id=number, button=button):
                self._out.info("button", id=number, **self._spoken(button=button))
            case messages.HoldClearedReported(by=by):
                self._out.info("hold_cleared", by=by)
            case messages.Correct(utterance=utterance, said=said, nothing=nothing):
                self._out.info(
                    "correction", utterance=utterance, nothing=nothing, **self._spoken(said=said)
                )
            case messages.Close():
                self._out.info("close_asked")
            case messages.Ping(id=number):
                self._out.debug("ping", id=number)

    def told(self, message: Outbound) -> None:
        """A message of the table."""
        out = self._out
        match message:
            case messages.Ready(version=version, events=events):
                out.info("ready", version=version, events=len(events))
            case messages.Said() as line:
                out.info(
                    "line", id=line.id, name=line.event, voice=line.voice, said=line.said,
                    **_if_any(lasted_s=_between(line.start_s, line.end_s), note=line.note),
                    **self._spoken(text=line.text),
                )  # fmt: skip
            case messages.AnswerGiven() as answer:
                out.info(
                    "answer", id=answer.id, question=answer.question, how=answer.how,
                    certainty=round(answer.certainty, 3), tries=answer.tries,
                    **self._spoken(value=answer.value),
                )  # fmt: skip
            case messages.Done(id=number, said=said, why=why):
                out.info("done", id=number, said=said, **_if_any(why=why))
            case messages.HeardReported() as heard:
                out.info(
                    "heard", utterance=heard.utterance, verdict=heard.verdict,
                    certainty=round(heard.certainty, 3),
                    lasted_s=_between(heard.start_s, heard.end_s),
                    delay_s=_between(heard.end_s, heard.at_s),
                    on_less_evidence=heard.on_less_evidence,
                    **self._spoken(text=heard.text, meaning=heard.meaning),
                )  # fmt: skip
            case messages.HoldRequest(kind=kind, certainty=certainty, phrase=phrase):
                out.warning(
                    "hold_asked", kind=kind, certainty=round(certainty, 3),
                    **self._spoken(phrase=phrase),
                )  # fmt: skip
            case messages.GuardReported() as guard:
                say = out.info if guard.armed else out.warning
                say(
                    "guard", state=guard.state, armed=guard.armed, proven=guard.proven,
                    **_if_any(why=guard.why, causes=list(guard.causes)),
                )  # fmt: skip
            case messages.ErrorReported(what=what, where=where, do=do, id=number):
                out.warning("problem", what=what, **_if_any(where=where, do=do, id=number))
            case messages.Corrected(utterance=utterance, learns=learns, why_not=why_not):
                out.info("corrected", utterance=utterance, learns=learns, **_if_any(why=why_not))
            case messages.PhrasebookChanged(title=title, events=events):
                out.info("phrasebook", title=title, events=len(events))
            case messages.Closed(why=why):
                out.info("closed", why=why)
            case messages.Pong(id=number):
                out.debug("pong", id=number)

    def _spoken(self, **words: object) -> dict[str, object]:
        return words if self._speech else {}


def _if_any(**fields: object) -> dict[str, object]:
    return {name: value for name, value in fields.items() if value not in ("", None, [])}


def _between(start_s: float | None, end_s: float | None) -> float | None:
    return None if start_s is None or end_s is None else round(end_s - start_s, 3)
