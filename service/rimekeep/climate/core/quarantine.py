"""Readings that are plausible as numbers but hardly meant: a logger that sends °F where °C was agreed."""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from rimekeep.climate.core.readings import FloatArray
from rimekeep.units import f_to_c

# Our own convention; there is no outside source. A reading is set aside only if all three hold. No room
# leaps so far within the hour and lands, by chance, where the old value in °F would be: a door left open or
# a compressor trip passes through the values between, and every one of them stays.
LEAP_C = 15.0
NEAR_C = 3.0
RECENT_S = 3600.0


class Verdict(StrEnum):
    """What QA said of a reading in quarantine."""

    AS_SENT = "as sent"
    AS_FAHRENHEIT = "as fahrenheit"
    DISCARDED = "discarded"


@dataclass(frozen=True, slots=True)
class Neighbour:
    """A reading before: when, and what the air was by it, °F that waits in quarantine read as °F. [s, °C]"""

    at_s: float
    temp_c: float


def looks_like_fahrenheit(at_s: float, temp_c: float, before: Neighbour | None) -> bool:
    """
    Tell whether a reading sent as °C can only have been meant as °F.

    Parameters
    ----------
    at_s, temp_c
        The reading, as understood. [s since 1970, °C]
    before
        The sensor's reading before it, held or in quarantine (then with the °C its °F would be); None if
        there is none.

    Returns
    -------
    bool
        True if the reading before is less than an hour old, the value is more than 15 °C away from it, and
        read as °F it is within 3 °C of it. A logger that sends °F from its very first reading on cannot be
        told: there is nothing to hold it against.

    Examples
    --------
    >>> looks_like_fahrenheit(600, 38.0, Neighbour(0, 2.0))
    True
    >>> looks_like_fahrenheit(600, 12.0, Neighbour(0, 2.0))
    False
    """
    if before is None or not 0 < at_s - before.at_s < RECENT_S:
        return False
    return abs(temp_c - before.temp_c) > LEAP_C and abs(f_to_c(temp_c) - before.temp_c) <= NEAR_C


def suspects(
    at_s: FloatArray, temp_c: FloatArray, before_s: FloatArray, before_c: FloatArray
) -> NDArray[np.bool_]:
    """Mark as :func:`looks_like_fahrenheit` does, for arrays of one shape; a NaN neighbour is none."""
    age_s = at_s - before_s
    return np.asarray(
        (age_s > 0)
        & (age_s < RECENT_S)
        & (np.abs(temp_c - before_c) > LEAP_C)
        & (np.abs((temp_c - 32) / 1.8 - before_c) <= NEAR_C)
    )


@dataclass(frozen=True, slots=True)
class Candidate:
    """A new reading of one sensor, the one held before it, and whether it was sent as °C at all. [s, °C]"""

    at_s: float
    temp_c: float
    held: Neighbour | None
    is_celsius: bool = True


def quarantined(readings: Sequence[Candidate], waiting: Sequence[Neighbour]) -> dict[int, Neighbour]:
    """
    Return which new readings of one sensor belong in quarantine, each with the reading it cannot follow.

    Parameters
    ----------
    readings
        In order of time.
    waiting
        What waits in quarantine already, in order of time, as the °C its °F would be.

    Returns
    -------
    dict
        By place. A logger stays under suspicion for as long as its readings follow, as °F, the one before
        that waits; the first that fits as °C again is taken.
    """
    found: dict[int, Neighbour] = {}
    aside = list(waiting)
    taken: Neighbour | None = None
    for place, one in enumerate(readings):
        earlier = [near for near in (one.held, taken, _last_before(aside, one.at_s)) if near is not None]
        before = max(earlier, key=lambda near: near.at_s, default=None)
        if before is not None and one.is_celsius and looks_like_fahrenheit(one.at_s, one.temp_c, before):
            found[place] = before
            aside.append(Neighbour(one.at_s, f_to_c(one.temp_c)))
            aside.sort(key=lambda near: near.at_s)
        else:
            taken = Neighbour(one.at_s, one.temp_c)
    return found


def _last_before(ordered: Sequence[Neighbour], at_s: float) -> Neighbour | None:
    place = bisect_left(ordered, at_s, key=lambda near: near.at_s)
    return ordered[place - 1] if place else None
