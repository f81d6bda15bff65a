"""An example of each message, as the schema shows them; all of one evening at the lantern table."""

from __future__ import annotations

from tablevoice.links import messages as m
from tablevoice.links.messages import Inbound, Outbound

EXAMPLES: tuple[Inbound | Outbound, ...] = (
    m.EventReported(id="7f3a", event="colour_asked", slots={"lights": 3},
                    sent_utc="2031-04-05T16:20:00.250Z"),
    m.ButtonPressed(button="violet", id="b1"),
    m.HoldClearedReported(by="reset at Alder's side"),
    m.Correct(utterance="12-3", said="violet", id="c1"),
    m.Ping(id="p1"),
    m.Close(),
    m.Ready(at_s=0.0, table="lantern table", version="0.1.0", events=("greeting", "colour_asked")),
    m.Said(at_s=3.1, id="7f3a", event="colour_asked", voice="Briar", text="Which colour?",
           said="said", start_s=1.2, end_s=3.1),
    m.AnswerGiven(at_s=5.7, id="7f3a", question="colour", value="violet", how="voice",
                  certainty=0.97, tries=1),
    m.Done(at_s=9.0, id="7f3b", said="said"),
    m.HeardReported(at_s=5.6, text="violet", meaning="violet", certainty=0.97, verdict="act",
                    start_s=4.6, end_s=5.3, utterance="12-3", probabilities={"violet": 0.97},
                    reason="An answer was expected, and this is one."),
    m.Corrected(at_s=20.0, utterance="12-3", learns=True, id="c1"),
    m.HoldRequest(at_s=12.0, kind="pause", phrase="pause", certainty=0.93),
    m.GuardReported(at_s=0.5, state="permitted", permit=True, proven=True, armed=True),
    m.ErrorReported(at_s=1.0, what="there is no event 'greetin'.", where="event '7f3c'",
                    do="Did you mean 'greeting'?", id="7f3c"),
    m.PhrasebookChanged(at_s=60.0, title="Lantern strings", events=("greeting", "colour_asked")),
    m.Pong(at_s=2.0, id="p1"),
    m.Closed(at_s=1500.0),
)  # fmt: skip
