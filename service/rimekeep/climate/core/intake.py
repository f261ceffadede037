"""A batch of readings against what is known of its sensors: which can be meant, which are new or suspect."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import repeat

import numpy as np
from numpy.typing import NDArray

from rimekeep.climate.core.batch import REPEATED, Batch, IntArray, Outcome, Word, at_of
from rimekeep.climate.core.quarantine import LEAP_C, suspects
from rimekeep.climate.core.readings import PLAUSIBLE_C, FloatArray

NEVER_MS = -1


@dataclass(frozen=True, slots=True)
class Heard:
    """A sensor as it is known before the batch; ``last`` is its newest reading held. [ms, °C as sent]"""

    id: int
    code: str
    zone_id: int
    stands_since_ms: int
    is_active: bool
    last_at_ms: int | None
    last_c: float | None
    heard_ms: int | None
    has_quarantined: bool
    # Up to when the site's readings are thinned, 0 for never. [ms since 1970]
    closed_ms: int


@dataclass(frozen=True, slots=True)
class Bounds:
    """Between which instants a reading can be taken; what lies before ``closed_ms`` has been thinned."""

    now: datetime
    clock_skew_s: int
    earliest_ms: int
    latest_ms: int
    closed_ms: int


@dataclass(frozen=True, slots=True)
class Rows:
    """
    Readings that can be meant, by sensor and time, in arrays of one shape (n,).

    ``slot`` is the place of the sensor among those heard, ``place`` that of the reading in what was sent,
    ``row`` that among the rows of the batch. [ms since 1970, °C as sent]
    """

    slot: IntArray
    at_ms: IntArray
    temp_c: FloatArray
    place: IntArray
    row: IntArray

    def where(self, kept: NDArray[np.bool_]) -> "Rows":
        """Return the rows marked."""
        return Rows(self.slot[kept], self.at_ms[kept], self.temp_c[kept], self.place[kept], self.row[kept])

    @property
    def starts(self) -> IntArray:
        """Return where each sensor's rows begin."""
        is_start = np.ones(self.slot.size, dtype=bool)
        np.not_equal(self.slot[1:], self.slot[:-1], out=is_start[1:])
        return np.flatnonzero(is_start)

    @property
    def ends(self) -> IntArray:
        """Return where the last row of each sensor is."""
        return np.append(self.starts[1:], self.slot.size) - 1 if self.slot.size else self.starts


def sift(batch: Batch, sensors: Sequence[Heard], bounds: Bounds, faults: dict[int, Outcome]) -> Rows:
    """Return the readings that can be meant, by sensor and time; say in ``faults`` why others cannot."""
    slots = {heard.code: slot for slot, heard in enumerate(sensors) if heard.is_active}
    slot = np.fromiter(map(slots.get, batch.codes, repeat(-1)), np.int64, len(batch.codes))
    at_ms, temp_c = batch.at_ms, batch.temp_c
    low_c, high_c = PLAUSIBLE_C
    # A NaN fails both comparisons, and so is not kept.
    kept = (slot >= 0) & (temp_c >= low_c) & (temp_c <= high_c)
    kept &= (at_ms >= max(bounds.earliest_ms, bounds.closed_ms)) & (at_ms <= bounds.latest_ms)
    if not kept.all():
        off = {heard.code for heard in sensors if not heard.is_active}
        for row in np.flatnonzero(~kept).tolist():
            faults[int(batch.places[row])] = _why(batch, row, bounds, slot[row] < 0, off)
    rows = np.flatnonzero(kept)
    # Instants kept are far below 2**48. Stable: of readings of one sensor for one instant, the first sent
    # stays first.
    order = rows[np.argsort((slot[rows] << 48) | at_ms[rows], kind="stable")]
    return Rows(slot[order], at_ms[order], temp_c[order], batch.places[order], order)


def _why(batch: Batch, row: int, bounds: Bounds, is_unknown: bool, off: set[str]) -> Outcome:
    if is_unknown:
        return _unknown(batch.codes[row], is_off=batch.codes[row] in off)
    temp_c, at_ms = float(batch.temp_c[row]), int(batch.at_ms[row])
    low_c, high_c = PLAUSIBLE_C
    if not low_c <= temp_c <= high_c:
        return implausible(temp_c)
    return wrong_time(at_ms, bounds)


def wrong_time(at_ms: int, bounds: Bounds) -> Outcome:
    """Return why an instant outside the bounds is not taken."""
    at = at_of(at_ms)
    if at_ms > bounds.latest_ms:
        present = bounds.now.isoformat(timespec="seconds")
        return Outcome(
            Word.IN_THE_FUTURE,
            "at",
            f"{at.isoformat()} is more than {bounds.clock_skew_s} s after {present}.",
            "Set the logger's clock and time zone.",
        )
    if at_ms < bounds.earliest_ms:
        return Outcome(
            Word.NOT_AN_INSTANT,
            "at",
            f"{at.isoformat()} is before {at_of(bounds.earliest_ms).date()}.",
            "The logger has lost its clock: set it, and send the true time.",
        )
    return Outcome(
        Word.BOOKS_CLOSED,
        "at",
        f"Readings before {at_of(bounds.closed_ms).isoformat()} have been thinned; the books are closed.",
        "Keep the reading in the gateway's own files; it can change nothing here any more.",
    )


def implausible(temp_c: float) -> Outcome:
    """Return why no air has this temperature."""
    low_c, high_c = PLAUSIBLE_C
    return Outcome(
        Word.NOT_A_TEMPERATURE,
        "temp",
        f"{temp_c} °C is not from {low_c:g} to {high_c:g} °C.",
        "Check the unit and the probe; leave readings of a faulty probe out.",
    )


def _unknown(code: str, *, is_off: bool) -> Outcome:
    shown = code if len(code) <= 40 else code[:40] + "…"
    if is_off:
        return Outcome(
            Word.UNKNOWN_SENSOR,
            "sensor",
            f"Sensor {shown} is switched off.",
            "Register its successor under a new code.",
        )
    return Outcome(
        Word.UNKNOWN_SENSOR,
        "sensor",
        f"There is no sensor {shown!r} at this site.",
        "Register it first, or mend the code.",
    )


@dataclass(slots=True)
class Known:
    """What is known about an instant of a sensor. ``said_c`` are values sent once and put aside since."""

    held_c: float | None = None
    waiting_c: float | None = None
    said_c: set[float] = field(default_factory=set)
    is_struck: bool = False

    @property
    def is_open(self) -> bool:
        """Tell whether a new value may be stored."""
        return self.held_c is None and self.waiting_c is None and not self.is_struck


def compare(known: Known, temp_c: float) -> Outcome | None:
    """Return what becomes of a value for an instant that is known already; None if it is to be stored."""
    if temp_c == known.held_c or temp_c in known.said_c:
        return REPEATED
    if temp_c == known.waiting_c:
        return waits(f"{temp_c:g} °C waits in quarantine.")
    if known.is_open:
        return None
    if known.held_c is not None:
        detail = f"{known.held_c:g} °C is held for this instant, {temp_c:g} °C was sent."
    elif known.waiting_c is not None:
        detail = f"{known.waiting_c:g} °C waits in quarantine for this instant, {temp_c:g} °C was sent."
    else:
        detail = f"The reading of this instant was struck out, {temp_c:g} °C was sent."
    return Outcome(
        Word.DIFFERS,
        "temp",
        detail,
        "A reading is never overwritten; QA may correct it, or give the second value its own time.",
    )


def waits(detail: str) -> Outcome:
    """Return the outcome of a reading that waits for QA's word."""
    return Outcome(
        Word.QUARANTINED,
        "temp",
        detail,
        "Check the logger's unit. The reading is kept; QA settles it as sent, as °F, or not at all.",
    )


def first_said(rows: Rows) -> NDArray[np.bool_]:
    """Mark the first reading of each sensor and instant; the others say something about it again."""
    first = np.ones(rows.slot.size, dtype=bool)
    first[1:] = (rows.slot[1:] != rows.slot[:-1]) | (rows.at_ms[1:] != rows.at_ms[:-1])
    return first


def heard_ms(sensors: Sequence[Heard]) -> IntArray:
    """Return the newest instant anything is known about, for each sensor."""
    return np.array([NEVER_MS if one.heard_ms is None else one.heard_ms for one in sensors], dtype=np.int64)


def last_at_ms(sensors: Sequence[Heard]) -> IntArray:
    """Return the instant of the newest reading held, for each sensor."""
    return np.array(
        [NEVER_MS if one.last_at_ms is None else one.last_at_ms for one in sensors], dtype=np.int64
    )


def last_held(rows: Rows, sensors: Sequence[Heard]) -> tuple[FloatArray, FloatArray]:
    """Return for each row when its sensor's newest reading held is from, and what; NaN if there is none."""
    at_ms = np.array(
        [np.nan if one.last_at_ms is None else one.last_at_ms for one in sensors], dtype=np.float64
    )
    temp_c = np.array([np.nan if one.last_c is None else one.last_c for one in sensors], dtype=np.float64)
    return at_ms[rows.slot], temp_c[rows.slot]


def suspicious(rows: Rows, held_ms: FloatArray, held_c: FloatArray) -> NDArray[np.bool_]:
    """Mark rows that look like °F against the nearer of the reading held before and the row before."""
    warmest_c = np.fmax(rows.temp_c.max(), np.fmax.reduce(held_c))
    coldest_c = np.fmin(rows.temp_c.min(), np.fmin.reduce(held_c))
    if warmest_c - coldest_c <= LEAP_C:
        return np.zeros(rows.slot.size, dtype=bool)
    before_ms, before_c = held_ms.copy(), held_c.copy()
    follows = np.flatnonzero(rows.slot[1:] == rows.slot[:-1]) + 1
    # A NaN is never the nearer one.
    nearer = follows[~(held_ms[follows] > rows.at_ms[follows - 1])]
    before_ms[nearer], before_c[nearer] = rows.at_ms[nearer - 1], rows.temp_c[nearer - 1]
    return suspects(rows.at_ms / 1000, rows.temp_c, before_ms / 1000, before_c)
