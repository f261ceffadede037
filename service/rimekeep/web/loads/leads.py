"""From a reason why a day cannot be loaded to where it can be changed."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from rimekeep.loading.core.about import About, about_of


def _(text: str) -> str:
    """Mark a text for the catalogues; it is translated where it is shown."""
    return text


@dataclass(frozen=True, slots=True)
class Lead:
    """What to change, and where."""

    words: str
    address: str


_AGAIN = Lead(_("Plan the day again"), "#plan")
_LEADS = {
    About.ORDERS: Lead(_("See the orders and what is short on them"), "/#orders"),
    About.STOPS: Lead(_("Allow more drops on a trip"), "#plan-stops"),
    About.VEHICLES: Lead(_("Choose more or other vehicles"), "#plan-vehicles"),
    About.TRIPS: Lead(_("Let vehicles make several trips"), "#plan-shift"),
    About.PLAN: _AGAIN,
}
_POSITIONS = Lead(_("Say where customers take goods in"), "/setup/customers")
# By the kind of problem that ended a planning.
_PROBLEMS = {
    "no-vehicle": Lead(_("Add a vehicle"), "/setup/vehicles/new"),
    "no-vehicle-free": _LEADS[About.VEHICLES],
    "vehicle-busy": _LEADS[About.VEHICLES],
    "nothing-to-load": _LEADS[About.ORDERS],
    "order-not-ready": _LEADS[About.ORDERS],
    "too-many-units": _LEADS[About.ORDERS],
    "no-position": _POSITIONS,
}


def lead_of(reason: str) -> Lead:
    """Return what to change for a reason, by what it carries, whatever language it is told in."""
    about = about_of(reason)
    return _AGAIN if about is None else _LEADS[about]


def lead_out_of(problem: Mapping[str, Any]) -> Lead:
    """
    Return what to change after a planning that came to no plan.

    Examples
    --------
    >>> lead_out_of({"code": "no-vehicle-free"}).address
    '#plan-vehicles'
    """
    return _PROBLEMS.get(str(problem.get("code", "")), _AGAIN)
