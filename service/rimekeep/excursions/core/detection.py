"""From a room's readings to the excursions they make, with a beginning, an alarm and an end."""

from dataclasses import dataclass

from rimekeep.climate.core.air import Joined
from rimekeep.excursions.core.rules import Rule, breaches, spans


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


def detect(readings: Joined, rule: Rule) -> list[Detected]:
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

    Returns
    -------
    list of Detected
        The alarm is the instant the allowed time was used up.
    """
    if not readings.at_s.size:
        return []
    max_gap_s = readings.max_gap_s
    found = spans(readings.at_s, readings.temp_c, rule, max_gap_s=max_gap_s)
    if rule.kind == "single":
        return [
            Detected(
                span.start_s, span.start_s + rule.allowed_s, None if span.is_open else span.end_s, span.peak_c
            )
            for span in found
            if span.end_s - span.start_s >= rule.allowed_s
        ]
    broken = breaches(readings.at_s, readings.temp_c, [rule], max_gap_s=max_gap_s)
    worst = max if rule.side == "above" else min
    return [
        Detected(found[0].start_s, breach.alarm_at_s, None, worst(span.peak_c for span in found))
        for breach in broken
    ]
