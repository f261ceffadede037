"""Over which stretch of time what a room's air was has changed."""

from collections.abc import Sequence
from dataclasses import dataclass

from rimekeep.climate.core.readings import GAP_INTERVALS


@dataclass(frozen=True, slots=True)
class AirStretch:
    """A stretch over which a room's air has changed, for whoever computes from it. [ms since 1970]"""

    id: int
    site_id: int
    zone_id: int
    from_ms: int
    until_ms: int


@dataclass(frozen=True, slots=True)
class Changed:
    """
    What has changed of one sensor: from its first changed instant to its last, both included. [ms since 1970]

    ``before_ms`` and ``after_ms`` are its own readings around them, None if there are none. ``is_moved``
    says that the sensor stood elsewhere in between, so that its own readings need not be its neighbours in
    the room.
    """

    sensor_id: int
    zone_id: int
    first_ms: int
    last_ms: int
    before_ms: int | None
    after_ms: int | None
    is_moved: bool = False


@dataclass(frozen=True, slots=True)
class Company:
    """Sensors that speak or spoke for a room together: longest interval, newest reading. [s, ms]"""

    interval_s: int
    last_at_ms: int | None


@dataclass(frozen=True, slots=True)
class Stretch:
    """
    The stretch over which a room's air has changed, as far as can be told without asking its readings.

    Where ``asks_before`` or ``asks_after`` is true, it begins ``reach_ms`` before the reading of any of the
    room's sensors that is nearest before ``first_ms``, and ends with the one nearest after ``last_ms``, if
    that is wider. [ms since 1970]
    """

    from_ms: int
    until_ms: int
    first_ms: int
    last_ms: int
    reach_ms: int = 0
    asks_before: bool = False
    asks_after: bool = False


def stretch_of(changed: Sequence[Changed], company: Company | None, now_ms: int) -> Stretch:
    """
    Return the stretch over which a room's air has changed.

    Parameters
    ----------
    changed
        What has changed of the room's sensors, one or more.
    company
        Who speaks or ever spoke for the room; None if there is and was but one sensor, which never moved.
    now_ms
        The present. [ms since 1970]

    Returns
    -------
    Stretch
        Between two of a sensor's own readings the air is a line, so a change reaches from the reading
        before it to the reading after it. Where sensors stand in for each other, whether one of them is
        silent decides about the other's readings too: the change reaches as far again as a reading may
        stand alone.

    Examples
    --------
    >>> one = Changed(7, 1, 1200_000, 1200_000, 600_000, None)
    >>> found = stretch_of([one], None, 1300_000)
    >>> found.from_ms, found.until_ms
    (600000, 1200000)
    """
    first, last = min(one.first_ms for one in changed), max(one.last_ms for one in changed)
    from_ms = min([first, *(one.before_ms for one in changed if one.before_ms is not None)])
    until_ms = max([last, *(one.after_ms for one in changed if one.after_ms is not None)])
    if company is None:
        # One that left the room has its neighbours there among its own readings, which nobody looked up.
        moved = any(one.is_moved for one in changed)
        return Stretch(from_ms, until_ms, first, last, asks_before=moved, asks_after=moved)
    reach_ms = round(1000 * GAP_INTERVALS * company.interval_s)
    newest = last if company.last_at_ms is None else company.last_at_ms
    return Stretch(
        from_ms - reach_ms,
        max(until_ms, min(until_ms + reach_ms, now_ms)),
        first,
        last,
        reach_ms,
        asks_before=any(one.before_ms is None or one.is_moved for one in changed),
        asks_after=newest > last and any(one.after_ms is None or one.is_moved for one in changed),
    )
