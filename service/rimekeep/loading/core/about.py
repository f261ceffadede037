"""What a reason is about: it tells a page, in any language, where to lead whoever wants to change it."""

from collections.abc import Iterator
from enum import StrEnum

from rimekeep.wording import Said


class About(StrEnum):
    """What would have to change; given to a reason's sentence as its value ``about``."""

    ORDERS = "orders"
    STOPS = "stops"
    VEHICLES = "vehicles"
    TRIPS = "trips"
    PLAN = "plan"


# Of rules that clash, by the names they are eased by; axles and other limits are the vehicles'.
OF_RULES = {
    "fleet": About.TRIPS,
    "places": About.TRIPS,
    "payload": About.TRIPS,
    "split": About.STOPS,
    "stops": About.STOPS,
    "gaps": About.PLAN,
    "drop order": About.PLAN,
    "empties": About.PLAN,
}


def about_of(reason: str) -> About | None:
    """Return what a reason, or the first part of it that says so, is about; None where nothing does."""
    return next(_said(reason), None)


def _said(reason: object) -> Iterator[About]:
    if not isinstance(reason, Said):
        return
    if "about" in reason.values:
        yield About(reason.values["about"])
    for value in reason.values.values():
        yield from _said(value)
