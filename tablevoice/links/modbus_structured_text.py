"""The controller's side of the link as IEC 61131-3 structured text, with this map's numbers in it.

Pure: a map in, a text out. Two blocks of code that a controller's programmer can read in one
sitting: one watches the table and its hold request, one sends an event and waits for its end.
"""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Iterator, Mapping
from enum import IntEnum

from tablevoice.links.modbus_codes import LAYOUT_VERSION, Bit, Refusal, State
from tablevoice.links.modbus_map import (
    COMMAND_CHANNEL,
    COMMAND_HEAD,
    STATUS_CHANNEL,
    STATUS_HEAD,
    ChannelCommand,
    ChannelStatus,
    Command,
    RegisterMap,
    Status,
)
from tablevoice.links.modbus_settings import MOST_PLACES
from tablevoice.links.modbus_sheet import CAUTIONS


def structured_text(register_map: RegisterMap, table: str) -> str:
    """The whole file."""
    entry = register_map.entry
    may_clear = "hold_cleared" in entry.may
    example = next(iter(entry.numbers.events), "")
    values = {
        "head": _comment(register_map, table),
        "constants": "\n".join(_constants(register_map)),
        "last_command": str(register_map.command_count - 1),
        "last_status": str(register_map.status_count - 1),
        "places": str(MOST_PLACES),
        "reset_input": _RESET_INPUT if may_clear else "",
        "reset_memory": _RESET_MEMORY if may_clear else "",
        "reset": _RESET if may_clear else "",
        "example": f"TV_EV_{identifier(example, entry.numbers.events.get(example, 0))}",
    }
    text = _TEXT
    for name, value in values.items():
        text = text.replace(f"«{name}»", value)
    return text


def identifier(name: str, number: int) -> str:
    """``name`` in capital ASCII letters, digits and single underscores; else its number."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    lost = sum(mark.isalnum() for mark in plain) < sum(mark.isalnum() for mark in name)
    words = "".join(mark if mark.isalnum() else " " for mark in plain).split()
    return "_".join(words).upper() if words and not lost else f"NO_{number}"


def _comment(register_map: RegisterMap, table: str) -> str:
    entry = register_map.entry
    where = ("the table's server" if entry.role == "server" else "the block that the table polls")
    paragraphs = [
        f"{_harmless(table)}: the controller's side of its Modbus TCP link, IEC 61131-3 "
        f"structured text. Made by tablevoice map; layout {LAYOUT_VERSION}, map "
        f"16#{register_map.check:08X}.",
        *CAUTIONS,
        f"Copy {register_map.command_count} registers from Commands to address "
        f"{entry.commands_at} of {where}, and {register_map.status_count} registers from its "
        f"address {entry.status_at} to Status, every cycle, each as one request.",
    ]
    filled = [textwrap.fill(paragraph, 92, subsequent_indent="   ", initial_indent="   ")
              for paragraph in paragraphs]
    return "\n\n".join(filled).strip()


def _harmless(text: str) -> str:
    return text.replace("(*", "( *").replace("*)", "* )")


def _constants(register_map: RegisterMap) -> Iterator[str]:
    numbers = register_map.entry.numbers
    check = register_map.check
    yield from _group("places in Commands", {
        **_named("C", Command), "CHANNELS_C": COMMAND_HEAD, "CHANNEL_C": COMMAND_CHANNEL,
        **_named("CH", ChannelCommand)})
    yield from _group("places in Status", {
        **_named("S", Status), "CHANNELS_S": STATUS_HEAD, "CHANNEL_S": STATUS_CHANNEL,
        **_named("CS", ChannelStatus)})
    yield from _group("this map", {
        "LAYOUT": LAYOUT_VERSION, "MAP_HIGH": check >> 16, "MAP_LOW": check & 0xFFFF,
        "READY_BIT": Bit.READY.value, "TAKEN": State.TAKEN, "ANSWERED": State.ANSWERED,
        "REFUSED": State.REFUSED, "STARTED_ANEW": Refusal.STARTED_ANEW})
    yield from _group("events", _distinct("EV", numbers.events))
    yield from _group("places of slots, in Slots", _distinct(
        "SLOT", {name: slot.place for name, slot in numbers.slots.items()}))
    for name, slot in numbers.slots.items():
        if slot.values:
            yield from _group(f"values of {_harmless(name)}", _distinct(
                f"V_{identifier(name, slot.place)}",
                {str(word): number for word, number in slot.values.items()}))
    yield from _group("answers and buttons", _distinct("ANSWER", numbers.answers))


def _group(about: str, numbers: Mapping[str, int]) -> Iterator[str]:
    yield f"    (* {about} *)"
    for name, number in numbers.items():
        yield f"    TV_{name} : UINT := {int(number)};"


def _named(prefix: str, places: type[IntEnum]) -> dict[str, int]:
    return {f"{prefix}_{place.name}": place.value for place in places}


def _distinct(prefix: str, numbers: Mapping[str, int]) -> dict[str, int]:
    """Names that no two share: where two would, the number tells them apart."""
    named = {name: identifier(name, number) for name, number in numbers.items()}
    plain = list(named.values())
    return {
        f"{prefix}_{short}" if plain.count(short) == 1 else f"{prefix}_{short}_NO_{numbers[name]}":
        numbers[name] for name, short in named.items()
    }


_RESET_INPUT = """
    ResetDone : BOOL;               (* the PHYSICAL reset was operated; nothing else *)"""
_RESET_MEMORY = """
    ResetEdge : R_TRIG;"""
_RESET = """
ResetEdge(CLK := ResetDone);
IF ResetEdge.Q THEN                 (* for the newest hold request, and no other *)
    Commands[TV_C_HOLD_CLEARED] := Status[TV_S_HOLD_SEQUENCE];
END_IF;
"""

_TEXT = """\
(* «head» *)

(* A list of global constants. A compiler that goes strictly by the standard wants each of them
   named once more under VAR_EXTERNAL CONSTANT where it is used. *)
VAR_GLOBAL CONSTANT
«constants»
END_VAR

TYPE TvCommands : ARRAY [0..«last_command»] OF WORD; END_TYPE
TYPE TvStatus : ARRAY [0..«last_status»] OF WORD; END_TYPE
TYPE TvSlots : ARRAY [1..«places»] OF INT; END_TYPE

(* Watches the table. Call it first in every cycle, once. *)
FUNCTION_BLOCK TvTable
VAR_INPUT
    Holding : BOOL;                 (* the cell holds: what was asked for is noticed *)«reset_input»
    Silent : TIME := T#2s;          (* the table counts as gone after so long *)
END_VAR
VAR_IN_OUT
    Commands : TvCommands;
    Status : TvStatus;
END_VAR
VAR_OUTPUT
    Alive : BOOL;
    SameMap : BOOL;                 (* the numbers of this file are those of the table *)
    Linked : BOOL;                  (* events may be sent *)
    HoldRequested : BOOL;           (* somebody asked, by voice; a REQUEST *)
    HoldKind : UINT;                (* 1 pause, 2 stop *)
END_VAR
VAR
    LastAlive : WORD;
    Known : BOOL;
    Moved : BOOL;
    Silence : TON;«reset_memory»
END_VAR

IF NOT Known THEN                   (* what stands there at power up proves nothing *)
    LastAlive := Status[TV_S_ALIVE];
    Known := TRUE;
ELSIF Status[TV_S_ALIVE] <> LastAlive THEN
    LastAlive := Status[TV_S_ALIVE];
    Moved := TRUE;
    Silence(IN := FALSE);
END_IF;
Silence(IN := TRUE, PT := Silent);
Alive := Moved AND NOT Silence.Q;

SameMap := WORD_TO_UINT(Status[TV_S_LAYOUT]) = TV_LAYOUT
    AND WORD_TO_UINT(Status[TV_S_MAP_HIGH]) = TV_MAP_HIGH
    AND WORD_TO_UINT(Status[TV_S_MAP_LOW]) = TV_MAP_LOW;
Linked := Alive AND SameMap
    AND (WORD_TO_UINT(Status[TV_S_BITS]) MOD (2 * TV_READY_BIT)) >= TV_READY_BIT;

HoldKind := WORD_TO_UINT(Status[TV_S_HOLD_KIND]);
HoldRequested := HoldKind <> 0;
IF HoldRequested AND Holding THEN
    Commands[TV_C_HOLD_ACKNOWLEDGED] := Status[TV_S_HOLD_SEQUENCE];
END_IF;
«reset»END_FUNCTION_BLOCK

(* Sends one event and waits for its end. One instance for each channel, called every cycle. *)
FUNCTION_BLOCK TvEvent
VAR_INPUT
    Execute : BOOL;                 (* rising edge: send; keep it until Done or Error *)
    Channel : UINT := 1;
    Event : UINT;                   (* TV_EV_... *)
    Slots : TvSlots;                (* Slots[TV_SLOT_...] *)
    Linked : BOOL;                  (* of TvTable *)
    TimeOut : TIME := T#5m;         (* longer than the question's tries and button wait *)
END_VAR
VAR_IN_OUT
    Commands : TvCommands;
    Status : TvStatus;
END_VAR
VAR_OUTPUT
    Busy : BOOL;
    Done : BOOL;                    (* over: said, or answered *)
    Error : BOOL;                   (* refused, or no end in time *)
    TimedOut : BOOL;
    Refusal : UINT;
    Answer : UINT;                  (* TV_ANSWER_..., 0: nobody *)
    Certainty : UINT;               (* of 10000 *)
END_VAR
VAR
    Phase : UINT;                    (* 0 not in step, 1 idle, 2 waits for the end *)
    Sequence : UINT;
    State : UINT;
    CommandAt : UINT;
    StatusAt : UINT;
    I : UINT;
    Wanted : BOOL;
    Start : R_TRIG;
    Watch : TON;
END_VAR

CommandAt := TV_CHANNELS_C + (Channel - 1) * TV_CHANNEL_C;
StatusAt := TV_CHANNELS_S + (Channel - 1) * TV_CHANNEL_S;
State := WORD_TO_UINT(Status[StatusAt + TV_CS_STATE]);

IF Phase = 0 AND Linked AND State <> 0 AND State <> TV_TAKEN THEN
    (* Begin from the table's number, so that none is used twice. *)
    Sequence := WORD_TO_UINT(Status[StatusAt + TV_CS_ECHO]);
    Commands[CommandAt + TV_CH_SEQUENCE] := UINT_TO_WORD(Sequence);
    Phase := 1;
END_IF;

IF NOT Execute AND NOT Busy THEN
    Done := FALSE;
    Error := FALSE;
    TimedOut := FALSE;
END_IF;

Start(CLK := Execute);
Wanted := Execute AND (Wanted OR Start.Q);
IF Wanted AND Phase = 1 AND Linked AND State <> 0 AND State <> TV_TAKEN THEN
    Wanted := FALSE;
    FOR I := 1 TO «places» DO
        Commands[CommandAt + TV_CH_SLOTS + I - 1] := INT_TO_WORD(Slots[I]);
    END_FOR;
    Commands[CommandAt + TV_CH_EVENT] := UINT_TO_WORD(Event);
    IF Sequence = 65535 THEN
        Sequence := 1;              (* never 0 *)
    ELSE
        Sequence := Sequence + 1;
    END_IF;
    Commands[CommandAt + TV_CH_SEQUENCE] := UINT_TO_WORD(Sequence);     (* last *)
    Busy := TRUE;
    Done := FALSE;
    Error := FALSE;
    TimedOut := FALSE;
    Refusal := 0;
    Answer := 0;
    Certainty := 0;
    Phase := 2;
END_IF;

Watch(IN := Busy OR (Execute AND NOT Done AND NOT Error), PT := TimeOut);

IF Phase = 2 AND WORD_TO_UINT(Status[StatusAt + TV_CS_ECHO]) = Sequence AND State > TV_TAKEN THEN
    Refusal := WORD_TO_UINT(Status[StatusAt + TV_CS_REFUSAL]);
    Answer := WORD_TO_UINT(Status[StatusAt + TV_CS_ANSWER]);
    Certainty := WORD_TO_UINT(Status[StatusAt + TV_CS_CERTAINTY]);
    Error := State = TV_REFUSED;
    Done := NOT Error;
    Busy := FALSE;
    Phase := 1;
ELSIF Watch.Q AND NOT Error THEN
    (* Not taken: taken back by Phase 0. Taken: what becomes of it is not waited for. *)
    TimedOut := TRUE;
    Error := TRUE;
    Busy := FALSE;
    Wanted := FALSE;
    Phase := 0;
END_IF;
END_FUNCTION_BLOCK

(* How they go together. *)
PROGRAM TvExample
VAR
    Commands : TvCommands;          (* written to the table every cycle *)
    Status : TvStatus;              (* read from the table every cycle *)
    Table : TvTable;
    Sending : TvEvent;
    Values : TvSlots;
    Send : BOOL;
    CellHolds : BOOL;               (* of the motion program *)
END_VAR

Table(Holding := CellHolds, Commands := Commands, Status := Status);
Sending(Execute := Send, Channel := 1, Event := «example», Slots := Values,
        Linked := Table.Linked, Commands := Commands, Status := Status);
IF Sending.Done OR Sending.Error THEN
    Send := FALSE;                  (* Sending.Answer, Sending.Refusal tell the rest *)
END_IF;
END_PROGRAM
"""
