"""What is said about reserved stock that is no longer good for its line."""

from collections.abc import Sequence

from rimekeep.picking.core.allocation import Reason
from rimekeep.picking.core.records import GONE
from rimekeep.wording import glued, say

_TEXTS = {
    GONE: say("The stock is not in the store any more."),
    Reason.HELD: say("QA has stopped the stock."),
    Reason.TOO_OLD: say("The stock's life has become too short for this customer."),
    Reason.PROMISE_TOO_SHORT: say(
        "The stock's life has become too short for this customer by the cautious date."
    ),
    Reason.OLDER_THAN_LAST: say(
        "The customer was delivered newer stock meanwhile, or is promised some for an earlier day."
    ),
    Reason.NEWER_THAN_NEXT: say("Older stock is picked already for a later delivery to this customer."),
}
_SHORT = {
    GONE: say("is gone"),
    Reason.HELD: say("is on hold"),
    Reason.TOO_OLD: say("has become too old for this customer"),
    Reason.PROMISE_TOO_SHORT: say("has become too old for this customer"),
    Reason.OLDER_THAN_LAST: say("is older than the customer's last"),
    Reason.NEWER_THAN_NEXT: say("is newer than the customer's next"),
}


def unfit_text(reason: str) -> str:
    """Return in plain words why a reservation had to go."""
    return _TEXTS[reason]


def note_withdrawn(lot_code: str, sscc: str, reason: str, stops: Sequence[int], *, is_elsewhere: bool) -> str:
    """Return the picker's line for a stop that is off; ``stops`` of the same list replace it."""
    if stops:
        then = say("Take stop {stops} instead.", stops=", ".join(map(str, stops)))
    elif is_elsewhere:
        then = say("It is replaced from another room; go on.")
    else:
        then = say("Nothing replaces it; go on.")
    fact = say("Leave pallet {end}: lot {lot} {why}.", end=sscc[-6:], lot=lot_code, why=_SHORT[reason])
    return glued(fact, then)


def note_instead(lot_code: str, reason: str, stop: int | None) -> str:
    """Return the picker's line for a stop that came in place of another, of the same list or not."""
    if stop is None:
        return say("Instead: lot {lot} {why}.", lot=lot_code, why=_SHORT[reason])
    return say("Instead of stop {stop}: lot {lot} {why}.", stop=stop, lot=lot_code, why=_SHORT[reason])
