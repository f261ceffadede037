"""From a reason why a day cannot be loaded to where it can be changed."""

from dataclasses import dataclass


def _(text: str) -> str:
    """Mark a text for the catalogues; it is translated where it is shown."""
    return text


@dataclass(frozen=True, slots=True)
class Lead:
    """What to change, and where."""

    words: str
    address: str


_VEHICLES = Lead(_("Choose more or other vehicles"), "#plan-vehicles")
_STOPS = Lead(_("Allow more drops on a trip"), "#plan-stops")
_TRIPS = Lead(_("Let vehicles make several trips"), "#plan-shift")
_ORDERS = Lead(_("See the orders and what is short on them"), "/#orders")
_AGAIN = Lead(_("Plan the day again"), "#plan")

# By a word the reason holds; the first that is found leads on.
_LEADS = (
    ("is not in this plan", _ORDERS),
    ("still to be picked", _ORDERS),
    ("to be allocated", _ORDERS),
    ("stops:", _STOPS),
    ("stop may not", _VEHICLES),
    ("most stops", _STOPS),
    ("temperature", _VEHICLES),
    ("places:", _TRIPS),
    ("payload:", _TRIPS),
    ("drop order", _AGAIN),
    ("empties", _AGAIN),
    ("weight", _VEHICLES),
    ("axle", _VEHICLES),
    ("truck", _VEHICLES),
    ("trip", _TRIPS),
)


def lead_of(reason: str) -> Lead:
    """
    Return what to change for a reason.

    Examples
    --------
    >>> lead_of("places: 40 pallets and 33 places per truck, so two trucks").address
    '#plan-shift'
    """
    said = reason.lower()
    return next((lead for word, lead in _LEADS if word in said), _AGAIN)
