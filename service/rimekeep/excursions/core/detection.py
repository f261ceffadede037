"""From a room's readings to the excursions they make, with a beginning, an alarm and an end."""

from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np

from rimekeep.climate.core.air import Joined
from rimekeep.climate.core.readings import PLAUSIBLE_C, FloatArray
from rimekeep.excursions.core.rules import SAME_S, Rule, Span, breaches, spans

# Older readings open no new excursion: what a gateway brings after a longer cut is looked at by people.
LOOK_BACK = timedelta(days=14)


@dataclass(frozen=True, slots=True)
class Detected:
    """
    Air outside a rule for longer than the rule allows. [s since 1970, °C]

    ``end_s`` None: it still is, as far as the last reading tells.
    """

    start_s: float
    alarm_s: float
    end_s: float | None
    peak_c: float

    def meets(self, start_s: float, end_s: float | None) -> bool:
        """Tell whether this is the same failure as one known from before: they share time."""
        return (self.end_s is None or start_s <= self.end_s) and (end_s is None or end_s >= self.start_s)

    def overlaps(self, start_s: float, end_s: float | None) -> bool:
        """Tell whether they share more than an instant."""
        return (self.end_s is None or start_s < self.end_s) and (end_s is None or end_s > self.start_s)


def within(readings: Joined, from_s: float, until_s: float) -> Joined:
    """Return the readings between two instants, both included."""
    first = int(np.searchsorted(readings.at_s, from_s))
    last = int(np.searchsorted(readings.at_s, until_s, side="right"))
    return replace(
        readings,
        at_s=readings.at_s[first:last],
        temp_c=readings.temp_c[first:last],
        limit_s=readings.limit_s[first:last],
        sensor_id=readings.sensor_id[first:last],
    )


def judged_c(temp_c: FloatArray, rule: Rule, error_c: FloatArray | None) -> FloatArray:
    """
    Return the readings as a rule with a guard band of each sensor's own error sees them. [°C]

    Each is moved by its sensor's error towards the limit, which comes to the same as moving the limit.
    """
    if error_c is None:
        return temp_c
    towards = error_c if rule.side == "above" else -error_c
    return np.clip(temp_c + towards, *PLAUSIBLE_C)


def detect(readings: Joined, rule: Rule, *, error_c: FloatArray | None = None) -> list[Detected]:
    """
    Return the excursions of one rule in a room's readings, in order of time.

    Parameters
    ----------
    readings
        What the room's air is made of.
    rule
        A ``single`` rule makes one excursion per unbroken stretch that lasted too long. A ``cumulative`` one
        makes at most one: it begins with the first reading outside and does not end by itself, because its
        count does not.
    error_c
        The stated error of each reading's sensor, to be kept off the limit beside ``rule.guard_c``; same
        shape as the readings. None: nothing more than that. [K]

    Returns
    -------
    list of Detected
        The alarm is the instant the allowed time was used up. Peaks are as read.
    """
    if not readings.at_s.size:
        return []
    seen_c = judged_c(readings.temp_c, rule, error_c)
    found = spans(readings.at_s, seen_c, rule, max_gap_s=readings.limit_s)
    if rule.kind == "single":
        return [
            Detected(
                span.start_s,
                span.start_s + rule.allowed_s,
                None if span.is_open else span.end_s,
                _peak_c(readings, span, rule),
            )
            for span in found
            if span.end_s - span.start_s >= rule.allowed_s - SAME_S
        ]
    broken = breaches(readings.at_s, seen_c, [rule], max_gap_s=readings.limit_s)
    worst = max if rule.side == "above" else min
    return [
        Detected(
            found[0].start_s, breach.alarm_at_s, None, worst(_peak_c(readings, one, rule) for one in found)
        )
        for breach in broken
    ]


def _peak_c(readings: Joined, span: Span, rule: Rule) -> float:
    first = int(np.searchsorted(readings.at_s, span.start_s))
    last = int(np.searchsorted(readings.at_s, span.end_s, side="right" if span.is_open else "left"))
    inside = readings.temp_c[first:last]
    return float(inside.max() if rule.side == "above" else inside.min())
