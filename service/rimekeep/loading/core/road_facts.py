"""
What is known of the road ahead: as said for the trip, else for the site, else invented and marked so.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from rimekeep.loading.core.reefer import BODY_J_M2K
from rimekeep.loading.core.road import Leg, Road, halts

# Invented, so that a first answer can be had; common practice, no source. Beer itself has 4.05 kJ/(kg K) (a
# public page on cooling in breweries, read); a little less for the packages around it.
INVENTED: dict[str, Any] = {
    "departs_at_time": "06:00",
    "drive_minutes": 60.0,
    "stop_minutes": 20.0,
    "door_open_s": 600.0,
    "ambient_by_hour_c": [25.0] * 24,
    "humidity_pct": 60.0,
    "flow_factor": 0.8,
    "curtain_share": 0.8,
    "goods_j_kgk": 4000.0,
    "body_j_m2k": BODY_J_M2K,
    "tau_h": 20.0,
}
# The site's hours reach so far beyond the last drop's. [h]
_HOURS_AHEAD = 2


@dataclass(frozen=True, slots=True)
class Assumed:
    """A value nobody gave for this trip; ``basis`` is "site" or "invented"."""

    name: str
    value: Any
    basis: str


@dataclass(frozen=True, slots=True)
class PlannedLeg:
    """The way to one drop as the plan chose it; goods are taken in there from ``opens_at`` on. [s]"""

    drive_s: float
    stop_s: float
    opens_at: datetime | None


@dataclass(frozen=True, slots=True)
class PlannedWay:
    """What the plan says of a trip's road, by drop; ``is_estimated``: driving times are reckoned."""

    leaves_at: datetime
    legs: Mapping[int, PlannedLeg]
    is_estimated: bool


@dataclass(frozen=True, slots=True)
class RoadFacts:
    """All a forecast takes as given. ``start_air_c`` None: pre-cooled. [J/(kg K), J/(m² K), h, °C]"""

    departs_at: datetime
    road: Road
    body_start_c: float
    start_air_c: float | None
    goods_j_kgk: float
    body_j_m2k: float
    tau_h: float
    assumed: tuple[Assumed, ...]


def defaults(site: Mapping[str, Any]) -> tuple[Assumed, ...]:
    """Return every value that is taken where nobody said otherwise."""
    known = _Known(site)
    for name in INVENTED:
        known.value(name)
    return tuple(known.assumed.values())


class _Known:
    """Takes values where they are said first, and notes those that nobody said for the trip."""

    def __init__(self, site: Mapping[str, Any]) -> None:
        self._site = site
        self.assumed: dict[str, Assumed] = {}

    def value(self, name: str, given: Any = None) -> Any:
        """Return what is given, else what the site takes, else what is invented."""
        if given is not None:
            return given
        basis = "invented" if self._site.get(name) is None else "site"
        value = INVENTED[name] if basis == "invented" else self._site[name]
        self.assumed.setdefault(name, Assumed(name, value, basis))
        return value


def road_facts(
    trip: Mapping[str, Any],
    site: Mapping[str, Any],
    *,
    drops: Sequence[int],
    ship_on: date,
    zone: ZoneInfo,
    planned: PlannedWay | None = None,
    leaves_at: datetime | None = None,
) -> RoadFacts:
    """
    Return what is known of a trip's road.

    Parameters
    ----------
    trip
        What was said of it: ``departs_at``, ``legs`` (by ``drop``), ``ambient`` (``at``, ``temp_c``),
        ``humidity_pct``, ``body_start_c``, ``is_precooled``; any of it may be missing.
    site
        What the site takes where nobody said otherwise, by the names of `INVENTED`.
    drops
        Numbers of the trip's drops, in order.
    ship_on, zone
        The day of the trip, and the site's clock.
    planned
        What the plan says of the road; it goes before the site, and what was said of the trip before it.
    leaves_at
        When it leaves, whatever was said; None: as said.
    """
    known = _Known(site)
    departs_at = leaves_at or _departure(known, trip, ship_on, zone, planned)
    said = {leg["drop"]: leg for leg in trip.get("legs") or ()}
    legs = _legs(
        known,
        [(said.get(drop, {}), planned.legs.get(drop) if planned else None) for drop in drops],
        departs_at,
    )
    if planned is not None:
        _note_planned(known, said, planned, drops)
    length_s = halts(legs)[-1].opens_s + legs[-1].stop_s if legs else 0.0
    ambient = _ambient(known, trip.get("ambient") or (), departs_at, length_s, zone)
    road = Road(
        legs,
        ambient,
        known.value("humidity_pct", trip.get("humidity_pct")),
        known.value("flow_factor"),
        known.value("curtain_share"),
    )
    body_start_c = trip.get("body_start_c")
    if body_start_c is None:
        body_start_c = road.outside_c(0.0)
        known.assumed["body_start_c"] = Assumed("body_start_c", body_start_c, "as outside at departure")
    is_precooled = trip.get("is_precooled", True)
    return RoadFacts(
        departs_at,
        road,
        body_start_c,
        None if is_precooled else body_start_c,
        known.value("goods_j_kgk"),
        known.value("body_j_m2k"),
        known.value("tau_h"),
        tuple(known.assumed.values()),
    )


def _departure(
    known: _Known, trip: Mapping[str, Any], ship_on: date, zone: ZoneInfo, planned: PlannedWay | None
) -> datetime:
    if trip.get("departs_at"):
        return datetime.fromisoformat(trip["departs_at"])
    if planned is not None:
        return planned.leaves_at.astimezone(UTC)
    at = time.fromisoformat(known.value("departs_at_time"))
    return datetime.combine(ship_on, at, tzinfo=zone).astimezone(UTC)


def _legs(
    known: _Known, ways: Sequence[tuple[Mapping[str, Any], PlannedLeg | None]], departs_at: datetime
) -> tuple[Leg, ...]:
    found = []
    for said, planned in ways:
        drive, stop = said.get("drive_minutes"), said.get("stop_minutes")
        opens_s = None
        if planned is not None:
            drive = planned.drive_s / 60.0 if drive is None else drive
            stop = planned.stop_s / 60.0 if stop is None else stop
            if planned.opens_at is not None:
                opens_s = (planned.opens_at - departs_at).total_seconds()
        found.append(
            Leg(
                known.value("drive_minutes", drive) * 60.0,
                known.value("stop_minutes", stop) * 60.0,
                known.value("door_open_s", said.get("door_open_s")),
                opens_s,
            )
        )
    return tuple(found)


def _note_planned(
    known: _Known, said: Mapping[int, Mapping[str, Any]], planned: PlannedWay, drops: Sequence[int]
) -> None:
    """Note what was taken from the plan."""
    basis = "as the plan drives, estimated from positions" if planned.is_estimated else "as the plan drives"
    for name in ("drive_minutes", "stop_minutes"):
        taken = [
            (leg.drive_s if name == "drive_minutes" else leg.stop_s) / 60.0
            for drop in drops
            if (leg := planned.legs.get(drop)) is not None and said.get(drop, {}).get(name) is None
        ]
        if taken:
            known.assumed[name] = Assumed(name, taken, basis)


def _ambient(
    known: _Known,
    points: Sequence[Mapping[str, Any]],
    departs_at: datetime,
    length_s: float,
    zone: ZoneInfo,
) -> tuple[tuple[float, float], ...]:
    """Return the forecast in seconds from departure; where it says nothing, its nearest point stands."""
    if points:
        found = sorted(
            ((datetime.fromisoformat(one["at"]) - departs_at).total_seconds(), one["temp_c"])
            for one in points
        )
        if found[0][0] > 0:
            known.assumed["ambient"] = Assumed("ambient", found[0][1], "first point, for the time before it")
        if found[-1][0] < length_s - 3600:
            known.assumed["ambient_end"] = Assumed(
                "ambient", found[-1][1], "last point, for what is after it"
            )
        return tuple(found)
    by_hour = known.value("ambient_by_hour_c")
    first = departs_at.replace(minute=0, second=0, microsecond=0)
    hours = int(length_s // 3600) + 1 + _HOURS_AHEAD
    # Earlier hours too, for what an earlier departure would meet; it is the same clock.
    return tuple(
        ((at - departs_at).total_seconds(), float(by_hour[at.astimezone(zone).hour]))
        for at in (first + timedelta(hours=k) for k in range(-24, hours))
    )
