"""
A vehicle's air counts only while goods are on board.

From the first unit that is loaded to the last one that is handed over or taken back; an empty truck may be as
warm as it likes. Every count begins anew with every trip. These conventions are our own; there is no outside
source for them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rimekeep.climate.core.air import Joined
from rimekeep.climate.core.readings import FloatArray
from rimekeep.excursions.core.detection import Detected, detect
from rimekeep.excursions.core.rules import Rule


@dataclass(frozen=True, slots=True)
class Aboard:
    """Cases on board for one drop."""

    drop: int
    customer: str
    customer_name: str
    units: int
    cases: int


@dataclass(frozen=True, slots=True)
class TripAboard:
    """What a vehicle carried at an instant; ``is_over`` once it carries nothing."""

    trip_id: int
    vehicle: str
    is_over: bool
    drops: tuple[Aboard, ...]

    @property
    def cases(self) -> int:
        """Return all cases on board."""
        return sum(drop.cases for drop in self.drops)


def detect_between(
    readings: Joined,
    rule: Rule,
    *,
    error_c: FloatArray | None,
    from_s: float,
    until_s: float | None,
) -> list[Detected]:
    """
    Return every time the air of a vehicle broke a rule while goods were on board.

    Parameters
    ----------
    readings
        The vehicle's readings; may reach beyond the trip.
    rule
        The limit and how long it may be broken; a cumulative one counts this stretch alone.
    error_c
        See `detection.detect`; shape of ``readings``. [K]
    from_s, until_s
        The stretch, its end not included; None: goods are still on board. [s since 1970]

    Returns
    -------
    list of Detected
        Over at the latest when the last goods were off: the last reading holds up to there, or as long as it
        may stand alone. One of a count is over then, whatever the air did before.
    """
    inside = readings.at_s >= from_s
    if until_s is not None:
        inside &= readings.at_s < until_s
    own = replace(
        readings,
        at_s=readings.at_s[inside],
        temp_c=readings.temp_c[inside],
        limit_s=readings.limit_s[inside],
        sensor_id=readings.sensor_id[inside],
    )
    error = None if error_c is None else error_c[inside]
    if until_s is None or not own.at_s.size:
        return detect(own, rule, error_c=error)
    end_s = min(until_s, float(own.at_s[-1] + own.limit_s[-1]))
    own = replace(
        own,
        at_s=np.append(own.at_s, end_s),
        temp_c=np.append(own.temp_c, own.temp_c[-1]),
        limit_s=np.append(own.limit_s, own.limit_s[-1]),
        sensor_id=np.append(own.sensor_id, own.sensor_id[-1]),
    )
    error = None if error is None else np.append(error, error[-1])
    found = detect(own, rule, error_c=error)
    return [replace(one, end_s=end_s) if one.end_s is None else one for one in found]


def aboard_words(trip: TripAboard, *, held_units: int, marked_units: int) -> str:
    """
    Return what to do about goods on a truck whose cold fails, as people are told.

    Examples
    --------
    >>> inn = Aboard(1, "INN", "The inn", 1, 48)
    >>> aboard_words(TripAboard(3, "T1", False, (inn,)), held_units=0, marked_units=1).splitlines()[0]
    'Trip 3, vehicle T1: 48 cases on board, for INN (drop 1, 48 cases).'
    """
    whose = ", ".join(f"{one.customer} (drop {one.drop}, {one.cases} cases)" for one in trip.drops)
    said = f"Trip {trip.trip_id}, vehicle {trip.vehicle}: "
    said += f"{trip.cases} cases on board, for {whose}." if trip.drops else "nothing is on board any more."
    lines = [said]
    if held_units:
        lines.append(f"{held_units} units are on hold: the trip cannot leave with them.")
    if marked_units:
        lines.append(f"{marked_units} units are on the road, where no hold reaches them.")
    if not trip.is_over:
        lines.append(
            "If it has left, call the driver, and tell the customers before they take goods in. What comes "
            "back goes on hold for QA. The driver stops where it is safe, and airs the body before going in."
        )
    return "\n".join(lines)


def first_after(
    at_s: float, inside_s: FloatArray, spells: Sequence[tuple[float, float | None]]
) -> float | None:
    """
    Return when an excursion that began at ``at_s`` was over for want of a cause; None while nobody can tell.

    Parameters
    ----------
    at_s
        When it began. [s since 1970]
    inside_s
        Readings inside the limit, ascending. [s since 1970]
    spells
        The times in which goods were on board, ascending; the last may still run.
    """
    for from_s, until_s in spells:
        if until_s is not None and until_s <= at_s:
            continue
        place = int(np.searchsorted(inside_s, max(at_s, from_s), side="right"))
        if place < inside_s.size and (until_s is None or inside_s[place] < until_s):
            return float(inside_s[place])
        return until_s
    return spells[-1][1] if spells else at_s
