"""
What a planned truck drives: arrivals, waiting, opening times kept or missed, and whether that is proven best.

Driving times are estimates. Drivers' hours, local rules and the road itself decide; people do.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass

from rimekeep.loading.core.drop_order import MOST_EXACT, TooHard, best_orders
from rimekeep.loading.core.drop_routing import least_drive_s
from rimekeep.loading.core.road_form import clock
from rimekeep.loading.core.roads import Roads, Run, run
from rimekeep.wording import say

CAUTION = say(
    "Driving times are estimates: drivers' hours, local rules and the state of the roads "
    "decide, and the driver has the last word."
)


@dataclass(frozen=True, slots=True)
class Drive:
    """
    One truck's way in the order its deck is loaded for.

    ``best`` are its drops in the best order there is, None where there are too many to prove it; no order
    that is late by as little drives less than ``least_drive_s``.
    """

    run: Run
    best: tuple[str, ...] | None
    is_best: bool
    least_drive_s: int
    is_estimated: bool


def drive_of(roads: Roads, stops: Sequence[str]) -> Drive:
    """Return what a truck drives that serves stops in this order."""
    own = roads.part(stops)
    found = run(own, [own.number(stop) for stop in stops])
    try:
        proven = next(best_orders(own))
    except TooHard:
        least = least_drive_s(own)
        is_best = found.late_s == 0 and found.drive_s == least
        return Drive(found, None, is_best, least, roads.is_estimated)
    best = run(own, proven)
    names = tuple(own.calls[k].id for k in proven)
    return Drive(found, names, found.cost == best.cost, best.drive_s, roads.is_estimated)


def drive_words(drive: Drive) -> list[str]:
    """Return a drive in words, a line for each drop."""
    found = drive.run
    lines = [
        say(
            "leaves {clock}, drives {distance_m:.1f} km in {minutes} min{which}, done "
            "{clock_ends_s}; {standing}",
            clock=clock(found.leaves_s),
            distance_m=found.distance_m / 1000,
            minutes=_minutes(found.drive_s),
            which=(say(" (estimated)") if drive.is_estimated else ""),
            clock_ends_s=clock(found.ends_s),
            standing=_standing(drive),
        )
    ]
    for one in found.arrivals:
        waits = say(", waits {minutes} min", minutes=_minutes(one.waits_s)) if one.waits_s else ""
        late = say(", TOO LATE by {minutes} min", minutes=_minutes(one.late_s)) if one.late_s else ""
        lines.append(
            say("{id} at {clock}{waits}{late}", id=one.id, clock=clock(one.arrives_s), waits=waits, late=late)
        )
    return lines


def _standing(drive: Drive) -> str:
    if drive.is_best:
        return say("no order is better (proven)")
    if drive.best is not None:
        return say(
            "a shorter way would be {choices} ({minutes} min)",
            choices=", ".join(drive.best),
            minutes=_minutes(drive.least_drive_s),
        )
    return say(
        "with more than {MOST_EXACT} drops not proven; no order drives less than {minutes} min",
        MOST_EXACT=MOST_EXACT,
        minutes=_minutes(drive.least_drive_s),
    )


def _minutes(seconds: int) -> int:
    return -(-seconds // 60)


def drive_json(drive: Drive) -> dict[str, object]:
    """Return a drive as plain data."""
    return {
        "order": [one.id for one in drive.run.arrivals],
        "leaves_s": drive.run.leaves_s,
        "ends_s": drive.run.ends_s,
        "distance_m": drive.run.distance_m,
        "drive_s": drive.run.drive_s,
        "late_s": drive.run.late_s,
        "arrivals": [asdict(one) for one in drive.run.arrivals],
        "is_best": drive.is_best,
        "best_order": None if drive.best is None else list(drive.best),
        "least_drive_s": drive.least_drive_s,
        "is_estimated": drive.is_estimated,
    }
