"""What the readings of an excursion come to: extremes, mean kinetic temperature, time outside."""

from dataclasses import dataclass

import numpy as np

from rimekeep.climate.core.air import Air, Joined
from rimekeep.climate.core.readings import FloatArray
from rimekeep.excursions.core.detection import judged_c, within
from rimekeep.excursions.core.rules import Rule, extremes, outside_s, spans
from rimekeep.shelflife.core.kinetics import mean_kinetic_temperature


@dataclass(frozen=True, slots=True)
class Summary:
    """
    Figures of the time from an excursion's start to its end. [°C, s since 1970, s]

    What was not measured is counted in ``bridged_s`` and never in ``outside_s``, beyond the time a reading
    stands for. The mean kinetic temperature is taken over the bridged air too; None without any readings.
    """

    readings: int
    min_c: float | None
    min_at_s: float | None
    max_c: float | None
    max_at_s: float | None
    kinetic_mean_c: float | None
    outside_s: float | None
    longest_outside_s: float | None
    bridged_s: float


def summary(
    joined: Joined, air: Air, rule: Rule | None, *, error_c: FloatArray | None, from_s: float, until_s: float
) -> Summary:
    """
    Return the figures of an excursion.

    Parameters
    ----------
    joined
        The room's readings, at least those between the two instants.
    air
        The room's air from ``from_s`` to ``until_s``.
    rule
        The rule broken; None for trouble with sensors, which has no outside.
    error_c
        Each reading's guard, see `detection.judged_c`; shape of ``joined``. [K]

    Returns
    -------
    Summary
        The mean kinetic temperature follows USP <1160>: ΔH/R = 10,000 K, each interval the mean of the rates
        at its ends. The last reading outside holds up to ``until_s``, or as long as it may stand alone.
    """
    inside = within(joined, from_s, until_s)
    span_s = float(air.at_s[-1] - air.at_s[0])
    is_known = not air.is_assumed and span_s > 0
    mean = mean_kinetic_temperature((air.at_s - air.at_s[0]) / 3600, air.temp_c) if is_known else None
    out_s = longest_s = None
    if rule is not None:
        out_s, longest_s = _outside(joined, rule, error_c, from_s, until_s)
    if not inside.at_s.size:
        return Summary(0, None, None, None, None, mean, out_s, longest_s, air.bridged_total_s)
    most = extremes(inside.at_s, inside.temp_c)
    return Summary(
        int(inside.at_s.size),
        most.min_c,
        most.min_at_s,
        most.max_c,
        most.max_at_s,
        mean,
        out_s,
        longest_s,
        air.bridged_total_s,
    )


def _outside(
    joined: Joined, rule: Rule, error_c: FloatArray | None, from_s: float, until_s: float
) -> tuple[float, float]:
    here = (joined.at_s >= from_s) & (joined.at_s <= until_s)
    guard = None if error_c is None else error_c[here]
    readings = within(joined, from_s, until_s)
    if not readings.at_s.size:
        return 0.0, 0.0
    seen = judged_c(readings.temp_c, rule, guard)
    # The last reading holds to the end of the window: closed by a copy of itself where nothing is said then.
    at, limit = readings.at_s, readings.limit_s
    end_s = min(until_s, float(at[-1] + limit[-1]))
    if end_s > at[-1]:
        at, limit = np.append(at, end_s), np.append(limit, limit[-1])
        seen = np.append(seen, seen[-1])
    found = spans(at, seen, rule, max_gap_s=limit)
    longest = max((one.end_s - one.start_s for one in found), default=0.0)
    return outside_s(at, seen, rule, max_gap_s=limit), longest
