"""What is said about reserved stock that is no longer good for its line."""

from collections.abc import Sequence

from rimekeep.picking.core.allocation import Reason
from rimekeep.picking.core.records import GONE

_TEXTS = {
    GONE: "The stock is not in the store any more.",
    Reason.HELD: "QA has stopped the stock.",
    Reason.TOO_OLD: "The stock's life has become too short for this customer.",
    Reason.PROMISE_TOO_SHORT: "The stock's life has become too short for this customer by the cautious date.",
    Reason.OLDER_THAN_LAST: "The customer was delivered newer stock meanwhile, or is promised some for an "
    "earlier day.",
    Reason.NEWER_THAN_NEXT: "Older stock is picked already for a later delivery to this customer.",
}
_SHORT = {
    GONE: "is gone",
    Reason.HELD: "is on hold",
    Reason.TOO_OLD: "has become too old for this customer",
    Reason.PROMISE_TOO_SHORT: "has become too old for this customer",
    Reason.OLDER_THAN_LAST: "is older than the customer's last",
    Reason.NEWER_THAN_NEXT: "is newer than the customer's next",
}


def unfit_text(reason: str) -> str:
    """Return in plain words why a reservation had to go."""
    return _TEXTS[reason]


def note_withdrawn(lot_code: str, sscc: str, reason: str, stops: Sequence[int], *, is_elsewhere: bool) -> str:
    """Return the picker's line for a stop that is off; ``stops`` of the same list replace it."""
    if stops:
        then = f"Take stop {', '.join(map(str, stops))} instead."
    elif is_elsewhere:
        then = "It is replaced from another room; go on."
    else:
        then = "Nothing replaces it; go on."
    return f"Leave pallet {sscc[-6:]}: lot {lot_code} {_SHORT[reason]}. {then}"


def note_instead(lot_code: str, reason: str, stop: int | None) -> str:
    """Return the picker's line for a stop that came in place of another, of the same list or not."""
    place = "" if stop is None else f" of stop {stop}"
    return f"Instead{place}: lot {lot_code} {_SHORT[reason]}."
