"""
When air was outside a limit for longer than a rule allows.

The alarm clock lets a reading hold until the next one: it counts what was seen, not what a line between
readings would suggest. The interpolated crossing times are given beside it.

Time in which nothing was heard for longer than ``max_gap_s`` is unknown: it adds nothing and breaks an
unbroken run. What the last reading before it is worth is a matter of policy: ``"hold_to_max_gap"`` (the
default, the more watchful of the two) lets it count for ``max_gap_s``, ``"drop_interval"`` lets it count for
nothing.

``max_gap_s`` may differ from reading to reading, where sensors of different intervals speak for one room.
Silence between two readings is then what is longer than either may stand alone, and the one before it holds
for its own time. These conventions are our own; there is no outside source for them.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rimekeep.climate.core.readings import FloatArray, in_time_order
from rimekeep.errors import invalid
from rimekeep.wording import say

GapPolicy = Literal["hold_to_max_gap", "drop_interval"]
BoolArray = NDArray[np.bool_]
# Seconds since 1970 with a fraction are doubles 2.4e-7 apart, and their differences are off by as much:
# lengths of time that differ by less than this are the same.
SAME_S = 1e-6
# One for all readings, one each, or None: a reading stands until the next, however late. [s]
GapLimit = float | ArrayLike | None


@dataclass(frozen=True, slots=True)
class Rule:
    """
    A limit of air temperature, and how long it may be broken.

    ``single`` resets as soon as a reading is back inside; ``cumulative`` adds up and does not reset. The
    limit itself counts as outside. ``guard_c`` moves the limit inwards by the sensor's stated error. With a
    ``hysteresis_c`` an excursion ends only once the air is back inside by more than that.
    """

    side: Literal["above", "below"]
    limit_c: float
    kind: Literal["single", "cumulative"]
    allowed_s: float
    hysteresis_c: float = 0.0
    guard_c: float = 0.0

    def __post_init__(self) -> None:
        """Refuse a rule nobody can mean."""
        if self.side not in ("above", "below"):
            raise invalid("side", say("{side!r} is not known.", side=self.side), say("Give above or below."))
        if self.kind not in ("single", "cumulative"):
            raise invalid(
                "kind", say("{kind!r} is not known.", kind=self.kind), say("Give single or cumulative.")
            )
        if not math.isfinite(self.limit_c):
            raise invalid(
                "limit_c", say("{limit_c} is not a temperature.", limit_c=self.limit_c), say("Give °C.")
            )
        for field in ("allowed_s", "hysteresis_c", "guard_c"):
            value = float(getattr(self, field))
            if not (math.isfinite(value) and value >= 0):
                raise invalid(
                    field,
                    say("{value} is not zero or above.", value=value),
                    say("Give a finite number, zero or above."),
                )

    @property
    def acts_at_c(self) -> float:
        """Return the limit after the guard band. [°C]"""
        return self.limit_c - self.guard_c if self.side == "above" else self.limit_c + self.guard_c


@dataclass(frozen=True, slots=True)
class Breach:
    """A rule broken, and the instant its allowed time was first used up. [s since 1970]"""

    rule: Rule
    alarm_at_s: float


@dataclass(frozen=True, slots=True)
class Span:
    """
    One unbroken stretch outside.

    From the first reading outside to the first one inside again, or to where the silence after it begins.
    While ``is_open``, the last reading of all is outside and ``end_s`` is its time.
    """

    start_s: float
    end_s: float
    peak_c: float
    is_open: bool


@dataclass(frozen=True, slots=True)
class Crossing:
    """Where the line between two readings meets the limit, and whether it leaves the allowed side."""

    at_s: float
    is_outward: bool


@dataclass(frozen=True, slots=True)
class Extremes:
    """Coldest and warmest reading, and when each was first seen. [°C], [s since 1970]"""

    min_c: float
    min_at_s: float
    max_c: float
    max_at_s: float


@dataclass(frozen=True, slots=True)
class _Series:
    """Readings in order of time; ``limit_s`` is how long each may stand alone, None for ever."""

    at_s: FloatArray
    temps_c: FloatArray
    limit_s: FloatArray | None


@dataclass(frozen=True, slots=True)
class _Watch:
    """A sorted series under one rule: each reading's state, how long it counts, if silence follows."""

    at_s: FloatArray
    temps_c: FloatArray
    outside: BoolArray
    counts_s: FloatArray
    silence: BoolArray

    @property
    def run_starts(self) -> BoolArray:
        """Mark the readings with which an unbroken stretch outside begins."""
        joined = np.zeros(self.outside.size, dtype=bool)
        joined[1:] = self.outside[:-1] & ~self.silence[:-1]
        return self.outside & ~joined


def breaches(
    at_s: ArrayLike,
    temps_c: ArrayLike,
    rules: list[Rule] | tuple[Rule, ...],
    *,
    max_gap_s: GapLimit = None,
    gap_policy: GapPolicy = "hold_to_max_gap",
) -> list[Breach]:
    """
    Return the first breach of each rule that is broken, in the order of the rules.

    Parameters
    ----------
    at_s
        Times of the readings in any order, shape (n,). An identical repeat counts once; of two different
        values at one time the later given stands. [s since 1970]
    temps_c
        Air temperatures, −60…80, same shape. [°C]
    rules
        Any number.
    max_gap_s
        Longest time a reading stands for, one for all or shape (n,); None: until the next, however late. [s]
    gap_policy
        What a reading before a longer silence counts for, see the module.

    Returns
    -------
    list of Breach
        ``alarm_at_s`` is the instant at which the time outside first equals the allowed time. It may lie
        between two readings; see `detected_at_s` for when it could be known.

    Raises
    ------
    Invalid
        A reading is not finite or not plausible, shapes differ, or a ``max_gap_s`` is not above zero.

    Examples
    --------
    >>> rule = Rule("above", 8.0, "single", allowed_s=1800)
    >>> breaches([0, 600, 1200, 3000], [4, 9, 9, 4], [rule])[0].alarm_at_s
    2400.0
    """
    series = _ordered(at_s, temps_c, max_gap_s)
    known = [(rule, _watch(series, rule, gap_policy)) for rule in rules]
    alarms = [
        (rule, (_single if rule.kind == "single" else _cumulative)(watch, rule)) for rule, watch in known
    ]
    return [Breach(rule, alarm) for rule, alarm in alarms if alarm is not None]


def _single(watch: _Watch, rule: Rule) -> float | None:
    run_start = np.maximum.accumulate(np.where(watch.run_starts, np.arange(watch.at_s.size), 0))
    in_run_s = watch.at_s - watch.at_s[run_start] + watch.counts_s
    broken = np.flatnonzero(watch.outside & (in_run_s >= rule.allowed_s - SAME_S))
    return float(watch.at_s[run_start[broken[0]]] + rule.allowed_s) if broken.size else None


def _cumulative(watch: _Watch, rule: Rule) -> float | None:
    total_s = np.cumsum(np.where(watch.outside, watch.counts_s, 0.0))
    broken = np.flatnonzero(watch.outside & (total_s >= rule.allowed_s - SAME_S))
    if not broken.size:
        return None
    first = int(broken[0])
    before_s = float(total_s[first - 1]) if first else 0.0
    return float(watch.at_s[first]) + rule.allowed_s - before_s


def detected_at_s(at_s: ArrayLike, breach: Breach) -> float | None:
    """Return the first reading at or after the alarm, when it could be known; None if none has come yet."""
    at = np.asarray(at_s, dtype=np.float64)
    later = at[at >= breach.alarm_at_s]
    return float(later.min()) if later.size else None


def spans(
    at_s: ArrayLike,
    temps_c: ArrayLike,
    rule: Rule,
    *,
    max_gap_s: GapLimit = None,
    gap_policy: GapPolicy = "hold_to_max_gap",
) -> list[Span]:
    """Return every unbroken stretch outside a limit, whether or not it lasted too long; as `breaches`."""
    watch = _watch(_ordered(at_s, temps_c, max_gap_s), rule, gap_policy)
    at, temps = watch.at_s, watch.temps_c
    starts = np.flatnonzero(watch.run_starts)
    if not starts.size:
        return []
    ends_run = watch.outside.copy()
    ends_run[:-1] &= ~watch.outside[1:] | watch.silence[:-1]
    lasts = np.flatnonzero(ends_run)
    extreme = np.maximum if rule.side == "above" else np.minimum
    worst = -math.inf if rule.side == "above" else math.inf
    peaks = extreme.reduceat(np.where(watch.outside, temps, worst), starts)
    return [
        Span(float(at[first]), float(at[last] + watch.counts_s[last]), float(peak), bool(last == at.size - 1))
        for first, last, peak in zip(starts, lasts, peaks, strict=True)
    ]


def outside_s(
    at_s: ArrayLike,
    temps_c: ArrayLike,
    rule: Rule,
    *,
    max_gap_s: GapLimit = None,
    gap_policy: GapPolicy = "hold_to_max_gap",
) -> float:
    """Return all the time seen outside a rule's limit, broken or not; parameters as `breaches`. [s]"""
    watch = _watch(_ordered(at_s, temps_c, max_gap_s), rule, gap_policy)
    return float(np.sum(watch.counts_s[watch.outside]))


def crossings(
    at_s: ArrayLike, temps_c: ArrayLike, rule: Rule, *, max_gap_s: GapLimit = None
) -> list[Crossing]:
    """
    Return where the lines between readings cross a rule's limit (after the guard band, without hysteresis).

    No line is drawn across a silence longer than ``max_gap_s``. These are estimates for the reader; the alarm
    clock does not use them.

    Examples
    --------
    >>> crossings([0, 600], [7.0, 9.0], Rule("above", 8.0, "single", 0))
    [Crossing(at_s=300.0, is_outward=True)]
    """
    series = _ordered(at_s, temps_c, max_gap_s)
    at, temps = series.at_s, series.temps_c
    beyond = _beyond(temps, rule)
    drawn = ~_silence(series)
    where = np.flatnonzero((beyond[1:] != beyond[:-1]) & drawn[:-1])
    share = (rule.acts_at_c - temps[where]) / (temps[where + 1] - temps[where])
    times = at[where] + share * (at[where + 1] - at[where])
    return [
        Crossing(float(time), bool(outward)) for time, outward in zip(times, beyond[where + 1], strict=True)
    ]


def extremes(at_s: ArrayLike, temps_c: ArrayLike) -> Extremes:
    """Return the coldest and the warmest reading; at least one is needed."""
    at, temps = in_time_order(at_s, temps_c)
    if not at.size:
        raise invalid("temps_c", say("There are no readings."), say("Ask for a stretch with at least one."))
    low, high = int(np.argmin(temps)), int(np.argmax(temps))
    return Extremes(float(temps[low]), float(at[low]), float(temps[high]), float(at[high]))


def _beyond(temps: FloatArray, rule: Rule) -> BoolArray:
    return np.asarray(temps >= rule.acts_at_c if rule.side == "above" else temps <= rule.acts_at_c)


def _ordered(at_s: ArrayLike, temps_c: ArrayLike, max_gap_s: GapLimit) -> _Series:
    """Return the series sorted, repeats once, and how long each reading may stand alone."""
    at, temps = in_time_order(at_s, temps_c)
    if max_gap_s is None:
        return _Series(at, temps, None)
    limit = np.asarray(max_gap_s, dtype=np.float64)
    if not bool(np.all(limit > 0)):
        raise invalid(
            "max_gap_s",
            say("{max_gap_s} is not a length of time.", max_gap_s=max_gap_s),
            say("Give seconds above zero."),
        )
    if limit.ndim == 0:
        return _Series(at, temps, np.full(at.size, float(limit)))
    given = np.asarray(at_s, dtype=np.float64)
    if limit.shape != given.shape:
        raise invalid(
            "max_gap_s",
            say("{shape} limits for {given_shape} times.", shape=limit.shape, given_shape=given.shape),
            say("Give one for each."),
        )
    if at.size != given.size or not np.array_equal(at, given):
        # Sorted as the readings were; of readings that are the same the first given has the word.
        said = np.asarray(temps_c, dtype=np.float64)
        by_pair = np.lexsort((said, given))
        kept = np.ones(given.size, dtype=bool)
        kept[by_pair[1:]] = (np.diff(given[by_pair]) != 0) | (np.diff(said[by_pair]) != 0)
        limit = limit[kept][np.argsort(given[kept], kind="stable")]
    return _Series(at, temps, limit)


def _silence(series: _Series) -> BoolArray:
    """Mark the readings after which nothing was heard for too long; never the last."""
    silence = np.zeros(series.at_s.size, dtype=bool)
    if series.limit_s is not None:
        silence[:-1] = np.diff(series.at_s) > np.maximum(series.limit_s[:-1], series.limit_s[1:])
    return silence


def _standing(series: _Series) -> _Series:
    """Leave out what is overruled at its own instant: it stood for no time, so it begins and ends nothing."""
    stands = np.ones(series.at_s.size, dtype=bool)
    stands[:-1] = series.at_s[1:] != series.at_s[:-1]
    limit_s = None if series.limit_s is None else series.limit_s[stands]
    return _Series(series.at_s[stands], series.temps_c[stands], limit_s)


def _watch(series: _Series, rule: Rule, gap_policy: GapPolicy) -> _Watch:
    if gap_policy not in ("hold_to_max_gap", "drop_interval"):
        raise invalid(
            "gap_policy",
            say("{gap_policy!r} is not known.", gap_policy=gap_policy),
            say("Give hold_to_max_gap or drop_interval."),
        )
    series = _standing(series)
    at, temps = series.at_s, series.temps_c
    silence = _silence(series)
    counts_s = np.zeros(at.size)
    counts_s[:-1] = np.diff(at)
    if series.limit_s is not None:
        counts_s[silence] = series.limit_s[silence] if gap_policy == "hold_to_max_gap" else 0.0
    outside = _beyond(temps, rule)
    if rule.hysteresis_c > 0 and at.size:
        outside = _with_hysteresis(temps, outside, silence, rule)
    return _Watch(at, temps, outside, counts_s, silence)


def _with_hysteresis(temps: FloatArray, outside: BoolArray, silence: BoolArray, rule: Rule) -> BoolArray:
    """Let a reading inside by no more than the hysteresis keep the state of the one heard just before it."""
    if rule.side == "above":
        decided = outside | (temps <= rule.acts_at_c - rule.hysteresis_c)
    else:
        decided = outside | (temps >= rule.acts_at_c + rule.hysteresis_c)
    decided[0] = True
    decided[1:] |= silence[:-1]  # nothing is known from before a silence
    return outside[np.maximum.accumulate(np.where(decided, np.arange(temps.size), 0))]
