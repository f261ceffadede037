"""What became of each thing a handheld said, in one word and one line a picker understands."""

from dataclasses import dataclass
from enum import StrEnum

from rimekeep.errors import RimekeepError


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
        line = f"{fault.detail} {fault.mend}"
    return Ruling(outcome, " ".join(line.split()), error.code)


def line_done(stop: int, cases: int, sscc: str | None, picks_left: int) -> str:
    """Return the line of a stop that was picked as asked."""
    onto = "" if sscc is None else f" on pallet {sscc[-6:]}"
    return f"Stop {stop}: {cases} cases{onto}. {_left(picks_left)}"


def line_less(
    outcome: Outcome, stop: int, cases: int, set_aside: int, new_stops: str, picks_left: int
) -> str:
    """Return the line of a stop that gave less than was asked, or broken cases; ``new_stops`` replace it."""
    what = {
        Outcome.SHORT: f"{cases} cases taken, the pallet is held for a count.",
        Outcome.NOT_FOUND: "nothing there, the pallet is held for a count.",
        Outcome.DAMAGED: f"{cases} cases taken, {set_aside} broken ones are on hold.",
        Outcome.SUBSTITUTED: f"{cases} cases taken of the other pallet.",
    }[outcome]
    return " ".join(part for part in (f"Stop {stop}: {what}", new_stops, _left(picks_left)) if part)


def stops_instead(own: list[int], elsewhere: int) -> str:
    """Return where the rest comes from now."""
    words = []
    if own:
        words.append(f"The rest is at stop {', '.join(map(str, own))}.")
    if elsewhere:
        words.append(f"{elsewhere} cases come from another room.")
    return " ".join(words)


def _left(picks: int) -> str:
    if not picks:
        return "That was the last stop: bring it to staging."
    return f"{picks} {'stop' if picks == 1 else 'stops'} left."


def line_list(call: Call, list_id: int, *, place: str = "", units: int = 0) -> str:
    """Return the line of a call about a whole list."""
    return {
        Call.TAKE: f"Pick list {list_id} is yours.",
        Call.HEARTBEAT: f"Pick list {list_id} is still yours.",
        Call.HAND_BACK: f"Pick list {list_id} is handed back; what was picked stays picked.",
        Call.BRING: f"{units} {'pallet' if units == 1 else 'pallets'} of list {list_id} at {place}."
        if units
        else f"Nothing was picked on list {list_id}: there is nothing to bring.",
    }[call]


def line_repeated(first: str) -> str:
    """Return the line of what was said before."""
    return f"Known already, not counted again: {first}"


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
    return (
        f"This device's clock is {size} {'behind' if off_s > 0 else 'ahead'}: set it. Nothing is lost by it."
    )
