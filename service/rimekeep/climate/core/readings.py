"""Readings of a logger: their units, their plausible range, their order, and the holes between them."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rimekeep.errors import Fault, Invalid, invalid
from rimekeep.units import f_to_c, k_to_c
from rimekeep.wording import say

FloatArray = NDArray[np.float64]

# Colder than any beer store and warmer than any pasteuriser's outlet a pallet could stand beside. What lies
# outside is a fault of the instrument: open or shorted probes read -127, -200 or several hundred °C, and a
# common digital thermometer gives 85 °C until its first conversion is done (from memory).
PLAUSIBLE_C = (-60.0, 80.0)

# 0001-01-01 to 1970 has no loggers; the upper end is the year 10000. Milliseconds sent as seconds fall
# outside.
PLAUSIBLE_AT_S = (0.0, 253_402_300_800.0)

# A logger that missed one or two reports is late; one that missed three is not watching (our own convention).
GAP_INTERVALS = 3.0

# Enough to show what is wrong with a batch without echoing all of it.
MAX_FAULTS = 20


@dataclass(frozen=True, slots=True)
class Reading:
    """One air temperature at one instant (POSIX seconds, °C)."""

    at_s: float
    temp_c: float


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch with no reading, between the last one before it and the first one after it."""

    start_s: float
    end_s: float

    @property
    def length_s(self) -> float:
        """Return how long nothing was heard. [s]"""
        return self.end_s - self.start_s


def to_celsius(value: float, unit: str) -> float:
    """Return °C for a value in ``Cel``, ``C``, ``°C``, ``F``, ``°F`` or ``K``; anything else is refused."""
    match unit:
        case "Cel" | "C" | "°C":
            return value
        case "F" | "°F":
            return f_to_c(value)
        case "K":
            return k_to_c(value)
    raise invalid(
        "unit",
        say("{unit!r} is not a temperature unit known here.", unit=unit),
        say("Send Cel (or C, °C), F or K."),
        code="unknown-unit",
    )


def clean(readings: Sequence[Reading]) -> list[Reading]:
    """
    Return the readings in order of time, each identical repeat once.

    Parameters
    ----------
    readings
        In any order; loggers send late, twice and shuffled.

    Returns
    -------
    list of Reading
        Ascending in time. Two different values at one instant both stay, in the order given: the reader of
        the series takes them as a step.

    Raises
    ------
    Invalid
        A time or temperature is not finite or not plausible. Every fault names its place, as in
        ``readings[3].temp_c``, up to 20 of them.

    Examples
    --------
    >>> clean([Reading(600, 3.1), Reading(0, 3.0), Reading(600, 3.1)])
    [Reading(at_s=0, temp_c=3.0), Reading(at_s=600, temp_c=3.1)]
    """
    faults: list[Fault] = []
    for index, reading in enumerate(readings):
        faults += _faults(index, reading)
        if len(faults) >= MAX_FAULTS:
            break
    if faults:
        raise Invalid(
            "implausible-reading", say("Some readings cannot be meant."), tuple(faults[:MAX_FAULTS])
        )
    return sorted(dict.fromkeys(readings), key=lambda reading: reading.at_s)


def _faults(index: int, reading: Reading) -> list[Fault]:
    found = []
    low_s, high_s = PLAUSIBLE_AT_S
    if not (math.isfinite(reading.at_s) and low_s <= reading.at_s < high_s):
        found.append(
            Fault(
                f"readings[{index}].at_s",
                say("{at_s} is no instant between 1970 and 9999.", at_s=reading.at_s),
                say("Send seconds since 1970-01-01T00:00:00Z, not milliseconds."),
            )
        )
    low_c, high_c = PLAUSIBLE_C
    if not (math.isfinite(reading.temp_c) and low_c <= reading.temp_c <= high_c):
        found.append(
            Fault(
                f"readings[{index}].temp_c",
                say(
                    "{temp_c} °C is outside {low_c:g} to {high_c:g} °C.",
                    temp_c=reading.temp_c,
                    low_c=low_c,
                    high_c=high_c,
                ),
                say("Check the unit and the probe; leave readings of a faulty probe out."),
            )
        )
    return found


def in_time_order(times: ArrayLike, temps_c: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """
    Return times and temperatures sorted by time, identical (time, temperature) pairs once.

    The sort is stable: different values at one time keep the order given, so that they mean a step. The
    result does not depend on the order of arrival as long as no time carries two different values.

    Parameters
    ----------
    times
        Any unit, any order, finite, shape (n,).
    temps_c
        Same shape, −60…80. [°C]

    Returns
    -------
    tuple of arrays
        New arrays, ascending in time, shape (m,), m ≤ n.

    Raises
    ------
    Invalid
        Shapes differ, or a value is not finite or not plausible; the first offender is named.
    """
    at = np.array(times, dtype=np.float64)
    temps = np.array(temps_c, dtype=np.float64)
    if at.ndim != 1 or at.shape != temps.shape:
        raise invalid(
            "temps_c",
            say("{shape} temperatures for {at_shape} times.", shape=temps.shape, at_shape=at.shape),
            say("Give one temperature for each time."),
        )
    _all_finite("times", at)
    _all_finite("temps_c", temps)
    low_c, high_c = PLAUSIBLE_C
    outside = np.flatnonzero((temps < low_c) | (temps > high_c))
    if outside.size:
        first = int(outside[0])
        raise invalid(
            f"temps_c[{first}]",
            say(
                "{temps} °C is outside {low_c:g} to {high_c:g} °C.",
                temps=temps[first],
                low_c=low_c,
                high_c=high_c,
            ),
            say("Check the unit and the probe; leave readings of a faulty probe out."),
            code="implausible-reading",
        )
    if bool(np.all(np.diff(at) > 0)):
        return at, temps
    by_pair = np.lexsort((temps, at))  # stable, so the first of equal pairs is the first that was given
    repeat = np.zeros(at.size, dtype=bool)
    repeat[by_pair[1:]] = (np.diff(at[by_pair]) == 0) & (np.diff(temps[by_pair]) == 0)
    at, temps = at[~repeat], temps[~repeat]
    order = np.argsort(at, kind="stable")
    return at[order], temps[order]


def _all_finite(field: str, values: FloatArray) -> None:
    bad = np.flatnonzero(~np.isfinite(values))
    if bad.size:
        raise invalid(
            f"{field}[{int(bad[0])}]", say("The value is not a finite number."), say("Leave the reading out.")
        )


def gaps(at_s: ArrayLike, max_gap_s: float) -> list[Gap]:
    """Return every interval between neighbouring readings longer than ``max_gap_s``; times ascending. [s]"""
    at = _ascending(at_s)
    if not max_gap_s > 0:
        raise invalid(
            "max_gap_s",
            say("{max_gap_s} is not a length of time.", max_gap_s=max_gap_s),
            say("Give seconds above zero."),
        )
    where = np.flatnonzero(np.diff(at) > max_gap_s)
    return [Gap(float(at[i]), float(at[i + 1])) for i in where]


def bridge(at_s: ArrayLike, interval_s: float) -> NDArray[np.bool_]:
    """
    Mark the intervals in which nothing was measured and the air can only be bridged.

    Parameters
    ----------
    at_s
        Times of the readings, ascending, shape (n,). [s]
    interval_s
        How often the sensor says it reports, > 0. [s]

    Returns
    -------
    array of bool
        Shape (max(n − 1, 0),). True where two readings stand more than three stated intervals apart: the line
        between them is an estimate, not a measurement, and must be shown as such.

    Raises
    ------
    Invalid
        The interval is not above zero, or the times do not ascend.

    Examples
    --------
    >>> bridge([0, 600, 3000], interval_s=600).tolist()
    [False, True]
    """
    at = _ascending(at_s)
    if not interval_s > 0:
        raise invalid(
            "interval_s",
            say("{interval_s} is not a length of time.", interval_s=interval_s),
            say("Give seconds above zero."),
        )
    return np.asarray(np.diff(at) > GAP_INTERVALS * interval_s)


def _ascending(at_s: ArrayLike) -> FloatArray:
    at = np.asarray(at_s, dtype=np.float64)
    _all_finite("at_s", at)
    if bool(np.any(np.diff(at) < 0)):
        raise invalid("at_s", say("The times do not ascend."), say("Sort the readings by time first."))
    return at
