"""What became of each thing a handheld said, in one word and one line a picker understands."""

from dataclasses import dataclass
from enum import StrEnum

from rimekeep.errors import RimekeepError
from rimekeep.wording import counted, glued, say


class Outcome(StrEnum):
    """What a call came to. The last three change nothing."""

    DONE = "done"
    SHORT = "short"
    DAMAGED = "damaged"
    NOT_FOUND = "not_found"
    SUBSTITUTED = "substituted"
    # Said before: it was counted then, and is not counted again.
    REPEATED = "repeated"
    # The work is not this device's any more: cancelled, withdrawn, taken over, done by somebody else.
    OVER = "over"
    # A rule says no, or what was said cannot be meant: the picker has to look.
    REFUSED = "refused"


class Call(StrEnum):
    """What a handheld may say of a pick or of a list."""

    TAKE = "take"
    HEARTBEAT = "heartbeat"
    CONFIRM = "confirm"
    SHORT = "short"
    DAMAGED = "damaged"
    NOT_FOUND = "not_found"
    SUBSTITUTE = "substitute"
    BRING = "bring"
    HAND_BACK = "hand_back"


OF_A_LIST = frozenset({Call.TAKE, Call.HEARTBEAT, Call.BRING, Call.HAND_BACK})

# Of a reason as others wrote it; the line has to be read at a glance. Own convention, no source.
REASON_CHARS = 80

# Errors that say the work went on without this device.
_OVER = frozenset({"pick-done", "list-done", "list-leased", "list-taken-over"})
# What another call, of the same queue perhaps, may still put right.
WAITING = frozenset({"list-not-taken", "picks-open"})


@dataclass(frozen=True, slots=True)
class Ruling:
    """An outcome, its line, and the stable word of the error that led to it."""

    outcome: Outcome
    line: str
    code: str | None = None


def briefly(reason: str) -> str:
    """Return a reason somebody wrote as far as it fits into a picker's line."""
    words = " ".join(reason.split()).rstrip(".")
    return words if len(words) <= REASON_CHARS else f"{words[: REASON_CHARS - 1].rstrip()}…"


def ruling_of(error: RimekeepError) -> Ruling:
    """Return the outcome of a call that raised ``error``."""
    outcome = Outcome.OVER if error.code in _OVER else Outcome.REFUSED
    line = error.detail
    if error.faults and error.faults[0].detail not in line:
        fault = error.faults[0]
        line = glued(fault.detail, fault.mend)
    return Ruling(outcome, line, error.code)


def line_done(stop: int, cases: int, sscc: str | None, picks_left: int) -> str:
    """Return the line of a stop that was picked as asked."""
    done = (
        say("Stop {stop}: {cases} cases.", stop=stop, cases=cases)
        if sscc is None
        else say("Stop {stop}: {cases} cases on pallet {end}.", stop=stop, cases=cases, end=sscc[-6:])
    )
    return glued(done, _left(picks_left))


def line_less(
    outcome: Outcome, stop: int, cases: int, set_aside: int, new_stops: str, picks_left: int
) -> str:
    """Return the line of a stop that gave less than was asked, or broken cases; ``new_stops`` replace it."""
    what = {
        Outcome.SHORT: say("{cases} cases taken, the pallet is held for a count.", cases=cases),
        Outcome.NOT_FOUND: say("nothing there, the pallet is held for a count."),
        Outcome.DAMAGED: say(
            "{cases} cases taken, {broken} broken ones are on hold.", cases=cases, broken=set_aside
        ),
        Outcome.SUBSTITUTED: say("{cases} cases taken of the other pallet.", cases=cases),
    }[outcome]
    return glued(say("Stop {stop}: {what}", stop=stop, what=what), new_stops, _left(picks_left))


def stops_instead(own: list[int], elsewhere: int) -> str:
    """Return where the rest comes from now."""
    stops = ", ".join(map(str, own))
    return glued(
        say("The rest is at stop {stops}.", stops=stops) if own else "",
        say("{cases} cases come from another room.", cases=elsewhere) if elsewhere else "",
    )


def _left(picks: int) -> str:
    if not picks:
        return say("That was the last stop: bring it to staging.")
    return counted("{n} stop left.", "{n} stops left.", n=picks)


def line_list(call: Call, list_id: int, *, place: str = "", units: int = 0) -> str:
    """Return the line of a call about a whole list."""
    if call == Call.TAKE:
        return say("Pick list {list_id} is yours.", list_id=list_id)
    if call == Call.HEARTBEAT:
        return say("Pick list {list_id} is still yours.", list_id=list_id)
    if call == Call.HAND_BACK:
        return say("Pick list {list_id} is handed back; what was picked stays picked.", list_id=list_id)
    if not units:
        return say("Nothing was picked on list {list_id}: there is nothing to bring.", list_id=list_id)
    return counted(
        "{n} pallet of list {list_id} at {place}.",
        "{n} pallets of list {list_id} at {place}.",
        n=units,
        list_id=list_id,
        place=place,
    )


def line_repeated(first: str) -> str:
    """Return the line of what was said before."""
    return say("Known already, not counted again: {first}", first=first)


def line_clock(off_s: float) -> str | None:
    """Return the picker's line about a clock that is wrong by more than five minutes, else None."""
    if abs(off_s) < 300:  # as kept by people, no source
        return None
    minutes = round(abs(off_s) / 60)
    hours, rest = divmod(minutes, 60)
    days, hours_left = divmod(hours, 24)
    if days:
        size = f"{days} d {hours_left} h"
    else:
        size = f"{hours} h {rest} min" if hours else f"{rest} min"
    if off_s > 0:
        return say("This device's clock is {size} behind: set it. Nothing is lost by it.", size=size)
    return say("This device's clock is {size} ahead: set it. Nothing is lost by it.", size=size)
