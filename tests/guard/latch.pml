/* The latch of the stop guard for spin: the same rule as latch.py, written a second time.
 *
 * Run by tests/guard/test_latch_model.py:
 *   spin -a latch.pml && gcc -o pan pan.c && ./pan -m100000
 * Time goes in ticks: debounce 2, shortest press 1, longest 3, reset debounce 1, longest gap 2.
 * A watchman sees only the raw samples; the assertions are about him and the permit:
 *   the permit is never on with an input not closed, a request or missing time in that sample;
 *   it comes on only when the watchman has seen a whole press since anything was last wrong,
 *   or, with CLEARS, when the curtain alone opened cleanly and the reset rested all along.
 */
#ifndef CLEARS
#define CLEARS 0
#endif
#define DEBOUNCE 2
#define SHORTEST 1
#define LONGEST 3
#define RESET_DEBOUNCE 1
#define GAP 2
/* Ages beyond every limit are one (test_latch_states.py shows why these are far enough). */
#define OLDEST_EDGE (RESET_DEBOUNCE + GAP + 1)
#define OLDEST_CLOSED (OLDEST_EDGE + DEBOUNCE)
#define OLDEST_PRESS (LONGEST + RESET_DEBOUNCE + GAP + 1)

#define CLOSED 0
#define OPEN 1
#define BAD 2                   /* unreadable, late, nonsense */
#define REST 0
#define PRESSED 1
#define UNREADABLE 2
#define NOTHING 0
#define HOLD 1
#define TRIP 2

byte latched = TRIP;
bit by_itself = 0;
bit closed = 0;                 /* every input closed, in every sample since: */
byte closed_age = 0;
byte contact = UNREADABLE, raw = UNREADABLE;
byte raw_age = 0;
bit pressing = 0;
byte press_age = 0;

/* The watchman: what the raw samples have shown. */
byte shown = 0;                 /* 0 nothing, 1 rest, 2 pressed after rest, 3 whole press */
bit rested = 0;                 /* the reset rested in every sample since the permit was on */
bit curtain_only = 0;           /* and nothing but a clean open of the curtain was wrong */

bit may_run = 0;                /* reachable at all: see never_armed below */

/* What one sample brings; not part of the state. */
hidden byte stop, curtain, reset, ticks, before_contact, before_latched;
hidden byte hold, unwatched, good, stable, was_permit, cleared, was_resting;

#define older(age, oldest) age = (age + ticks > oldest -> oldest : age + ticks)

active proctype samples()
{
    do
    :: atomic {
       if :: stop = CLOSED :: stop = OPEN :: stop = BAD fi;
       if :: curtain = CLOSED :: curtain = OPEN :: curtain = BAD fi;
       if :: reset = REST :: reset = PRESSED :: reset = UNREADABLE fi;
       if :: hold = 0 :: hold = 1 fi;
       if :: ticks = 1 :: ticks = 2 :: ticks = 3 fi;
       d_step {
        unwatched = (ticks > GAP);
        good = (stop == CLOSED && curtain == CLOSED && !hold && !unwatched);
        was_permit = (latched == NOTHING);
        before_latched = latched;
        was_resting = (contact == REST && raw == REST);
        cleared = 0;
        older(closed_age, OLDEST_CLOSED);
        older(raw_age, OLDEST_EDGE);
        older(press_age, OLDEST_PRESS);

        /* what latches */
        if
        :: !good ->
            if :: was_permit -> by_itself = was_resting :: else fi;
            if
            :: unwatched || hold || stop != CLOSED || curtain == BAD || !CLEARS -> by_itself = 0
            :: else
            fi;
            if
            :: unwatched || stop != CLOSED -> latched = TRIP
            :: else -> if :: latched == NOTHING -> latched = HOLD :: else fi
            fi
        :: else
        fi;

        /* since when all is closed */
        if
        :: stop != CLOSED || curtain != CLOSED -> closed = 0
        :: else ->
            if
            :: !closed || unwatched || hold -> closed = 1; closed_age = 0
            :: else
            fi
        fi;
        stable = (closed && closed_age >= DEBOUNCE);

        /* the reset contact, filtered */
        before_contact = contact;
        if
        :: unwatched -> before_contact = UNREADABLE; raw_age = 0
        :: !unwatched && reset != raw -> raw_age = 0
        :: else
        fi;
        if
        :: reset == UNREADABLE -> contact = UNREADABLE
        :: reset != UNREADABLE && reset != before_contact && raw_age >= RESET_DEBOUNCE ->
            contact = reset
        :: else -> contact = before_contact
        fi;
        raw = reset;
        if :: reset != REST || contact != REST -> by_itself = 0 :: else fi;

        /* a press counts from its rising to its falling edge, or not at all */
        if :: !stable || unwatched || contact == UNREADABLE -> pressing = 0 :: else fi;
        if
        :: before_contact == REST && contact == PRESSED && latched != NOTHING ->
            if
            :: stable && closed_age >= raw_age + DEBOUNCE -> pressing = 1; press_age = raw_age
            :: else
            fi
        :: before_contact == PRESSED && contact == REST && pressing ->
            if
            :: press_age - raw_age >= SHORTEST && press_age - raw_age <= LONGEST -> cleared = 1
            :: else
            fi;
            pressing = 0
        :: else
        fi;
        if :: latched == HOLD && by_itself && stable -> cleared = 1 :: else fi;
        if
        :: cleared && stable -> latched = NOTHING; by_itself = 0; pressing = 0
        :: else
        fi;

        /* the watchman */
        if
        :: was_permit -> rested = was_resting; curtain_only = 1
        :: else
        fi;
        if :: reset != REST -> rested = 0 :: else fi;
        if
        :: unwatched || hold || stop != CLOSED || curtain == BAD -> curtain_only = 0
        :: else
        fi;
        if
        :: reset == UNREADABLE -> shown = 0
        :: reset != UNREADABLE && !good -> shown = (reset == REST -> 1 : 0)
        :: good && reset == PRESSED -> shown = (shown == 0 -> 0 : 2)
        :: good && reset == REST -> shown = (shown >= 2 -> 3 : 1)
        fi;

        assert(good || latched != NOTHING);
        assert(!(latched == NOTHING && !was_permit)
               || shown == 3
               || (CLEARS && before_latched == HOLD && rested && curtain_only));
        assert(latched >= before_latched || latched == NOTHING);
        assert(stop == CLOSED || latched == TRIP);
        if :: latched == NOTHING -> may_run = 1; shown = (shown > 1 -> 1 : shown) :: else fi;

        /* what no longer matters is not kept apart */
        if :: !closed -> closed_age = 0 :: else fi;
        if :: !pressing -> press_age = 0 :: else fi;
        if :: latched == TRIP -> rested = 0; curtain_only = 0 :: else fi
       } }
    od
}

#ifdef CAN_ARM
ltl never_armed { [] (may_run == 0) }   /* must be violated: the model can arm at all */
#endif
