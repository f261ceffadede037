"""A trip's forecast: what the road ahead does to air, goods and the life the customers are owed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy.orm import Session

from rimekeep.access.core.promises import PromisesBy
from rimekeep.access.queries import site_of
from rimekeep.errors import Refused
from rimekeep.loading.core.aboard import Load
from rimekeep.loading.core.day_roads import planned_way
from rimekeep.loading.core.decays import FloatArray
from rimekeep.loading.core.divided import room_of
from rimekeep.loading.core.plan import Compartment
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.road import halts
from rimekeep.loading.core.road_facts import PlannedWay, RoadFacts, road_facts
from rimekeep.loading.core.road_life import LifeAhead, after_wait_c, core_after_c, life_ahead
from rimekeep.loading.core.road_told import Carried, Expected, Judged, told
from rimekeep.loading.core.states import Measured
from rimekeep.loading.queries.compartments import rooms_of
from rimekeep.loading.queries.plans import plan, trips_of
from rimekeep.loading.queries.road_airs import judged_airs
from rimekeep.loading.queries.road_cargo import carried, least_days
from rimekeep.loading.queries.temperatures import newest_temperatures
from rimekeep.loading.queries.turns import clock_at, turns
from rimekeep.loading.queries.views import places
from rimekeep.loading.tables import LoadPlanRow, LoadTemperature, RoadDefaults, Trip
from rimekeep.shelflife.core.label import label_end
from rimekeep.shelflife.queries import Aged, aged
from rimekeep.shelflife.queries.life import BEST_BEFORE
from rimekeep.wording import say


def road_defaults(session: Session, site_id: int) -> dict[str, Any]:
    """Return what a site takes for its trips where nobody said otherwise."""
    found = session.get(RoadDefaults, site_id)
    return {} if found is None else dict(found.facts)


def planned_departure(session: Session, whole: LoadPlanRow, trip: Trip, zone: ZoneInfo) -> dict[str, str]:
    """Return when a trip is planned to leave, as `road_facts` takes it; empty where no shift was said."""
    given = whole.request.get("trucks") or [whole.request.get("truck", {})]
    if not any("shift_starts_s" in truck for truck in given):
        return {}
    trips = trips_of(session, whole.id)
    found = turns(load_request(whole.request), trips, places(session, [one.id for one in trips]))
    own = next(turn for turn, one in zip(found, trips, strict=True) if one.id == trip.id)
    leaves_at = clock_at(own.leaves_s, whole.ship_on, zone)
    return {} if leaves_at is None else {"departs_at": leaves_at.astimezone(UTC).isoformat()}


def forecast_of(session: Session, now: datetime, trip: Trip) -> dict[str, Any]:
    """Return a trip's forecast as things stand now; of a trip that departed, as it was reckoned last."""
    if trip.departed_at is None:
        return trip_forecast(session, now, trip)
    if not trip.cold:
        raise Refused(
            "no-forecast", say("Trip {id} departed without a forecast.", id=trip.id), data={"id": trip.id}
        )
    return trip.cold


def trip_forecast(
    session: Session, now: datetime, trip: Trip, *, leaves_at: datetime | None = None
) -> dict[str, Any]:
    """
    Return a trip's forecast as plain data, as things stand now; see `core.road_told`.

    The road is as it was said, else as the plan chose it, else as the site takes it; cores are those measured
    at loading where they were. ``leaves_at`` None: it leaves as said.
    """
    zone = ZoneInfo(site_of(session, trip.site_id).time_zone)
    goods = carried(session, trip.id)
    planned = plan(session, trip.site_id, trip.plan_id)
    facts = road_facts(
        planned_departure(session, planned, trip, zone) | trip.road,
        road_defaults(session, trip.site_id),
        drops=sorted({one.drop for one in goods}),
        ship_on=planned.ship_on,
        zone=zone,
        planned=_planned(planned, goods, zone),
        leaves_at=leaves_at,
    )
    ids = [one.content_id for one in goods]
    packs = {one.pack.content_id: one for one in aged(session, trip.site_id, now, content_ids=ids)}
    starts = _starts(now, goods, packs, facts, newest_temperatures(session, trip.id))
    wait_h = max(0.0, (facts.departs_at - now).total_seconds() / 3600)
    truck, rooms = rooms_of(session, planned, trip)
    loads = _loads(goods, starts, facts, wait_h, rooms)
    airs = judged_airs(session, now, trip, facts, loads, truck, rooms)
    expected = _expected(session, trip.site_id, goods, packs, starts, facts, airs, zone, wait_h)
    return told(now, facts, airs, expected)


def _planned(row: LoadPlanRow, goods: Sequence[Carried], zone: ZoneInfo) -> PlannedWay | None:
    """Return what the plan says of the road; None where it says nothing."""
    if "depot" not in row.request:
        return None
    roads = load_request(row.request).roads
    if roads is None:
        return None
    return planned_way(roads, {one.customer: one.drop for one in goods}, ship_on=row.ship_on, zone=zone)


@dataclass(frozen=True, slots=True)
class _Start:
    """A content's time constant, its core now, whether that was measured, and what it may arrive at."""

    tau_h: float
    core_c: float
    is_measured: bool
    limit_c: float


def _starts(
    now: datetime,
    goods: Sequence[Carried],
    packs: Mapping[int, Aged],
    facts: RoadFacts,
    measured: Mapping[int, LoadTemperature],
) -> dict[int, _Start]:
    found = {}
    for one in goods:
        tau_h, core_c = _core(one, packs[one.content_id], facts)
        probe, limit_c, is_measured = measured.get(one.unit_id), one.carry_max_c, False
        if probe is not None:
            since_h = max(0.0, (now - probe.measured_at).total_seconds() / 3600)
            own_c = after_wait_c(probe.temp_c, one.zone_planned_c, since_h, tau_h)
            # A package is colder outside than within while it cools: only a warm surface tells of the core.
            is_measured = probe.kind == Measured.CORE or own_c > core_c
            core_c = own_c if is_measured else core_c
            limit_c = max(limit_c, probe.temp_c) if probe.accepted_at is not None else limit_c
        found[one.content_id] = _Start(tau_h, core_c, is_measured, limit_c)
    return found


def _loads(
    goods: Sequence[Carried],
    starts: Mapping[int, _Start],
    facts: RoadFacts,
    wait_h: float,
    rooms: Sequence[Compartment],
) -> tuple[Load, ...]:
    legs = {drop: k for k, drop in enumerate(sorted({one.drop for one in goods}), 1)}
    found = []
    for one in goods:
        tau_h, core_c = starts[one.content_id].tau_h, starts[one.content_id].core_c
        waited_c = after_wait_c(core_c, one.zone_planned_c, wait_h, tau_h)
        heat_j_k = one.mass_kg * facts.goods_j_kgk
        part = room_of(rooms, one.row)
        found.append(Load(one.content_id, legs[one.drop], heat_j_k, tau_h * 3600, waited_c, part))
    return tuple(found)


def _core(one: Carried, pack: Aged, facts: RoadFacts) -> tuple[float, float]:
    """Return time constant and core; without a profile, as the site takes it and as its room is planned."""
    if pack.profile is None or pack.core_c is None:
        return facts.tau_h, one.zone_planned_c
    return pack.profile.tau_h, pack.core_c


def _expected(
    session: Session,
    site_id: int,
    goods: Sequence[Carried],
    packs: Mapping[int, Aged],
    starts: Mapping[int, _Start],
    facts: RoadFacts,
    airs: Sequence[Judged],
    zone: ZoneInfo,
    wait_h: float,
) -> list[Expected]:
    wanted = least_days(session, site_id, goods, zone)
    is_cautious = site_of(session, site_id).promises_by == PromisesBy.CAUTIOUS
    reached = dict(zip(sorted({one.drop for one in goods}), halts(facts.road.legs), strict=True))
    rooms = [judged.room for judged in airs if judged.room is not None]
    air_at = {
        (k, drop): _air(judged, halt.opens_s)
        for k, judged in enumerate(airs)
        for drop, halt in reached.items()
    }
    # Packs of one history that go to one drop share what becomes of them.
    known: dict[tuple[Any, ...], LifeAhead] = {}
    found = []
    for one in goods:
        pack = packs[one.content_id]
        start = starts[one.content_id]
        tau_h, core_c = start.tau_h, start.core_c
        part = room_of(rooms, one.row)
        at_s, air_c = air_at[part, one.drop]
        arrives_at = facts.departs_at + timedelta(seconds=reached[one.drop].opens_s)
        label = label_end(one.printed_on, zone)
        if pack.profile is None or pack.core_c is None:
            waited_c = after_wait_c(core_c, one.zone_planned_c, wait_h, tau_h)
            core_until_c = core_after_c(waited_c, at_s, air_c, tau_h)
            used, days_used, end, careful, limited_by = None, None, label, label, BEST_BEFORE
        else:
            budget = pack.profile.budget(pack.pack.oxygen_ppb)
            key = (pack.profile.id, pack.sums.tobytes(), core_c, one.zone_planned_c, budget, one.drop, part)
            if key not in known:
                known[key] = life_ahead(
                    pack.sums,
                    core_c,
                    pack.profile,
                    budget=budget,
                    wait_h=wait_h,
                    wait_c=one.zone_planned_c,
                    at_s=at_s,
                    air_c=air_c,
                )
            life = known[key]
            core_until_c, used, days_used = life.core_c, life.used, life.days_used
            modelled = arrives_at + timedelta(days=life.end_days)
            end, limited_by = (label, BEST_BEFORE) if label <= modelled else (modelled, life.limited_by)
            careful = min(end, arrives_at + timedelta(days=life.cautious_days))
        last = min(label, careful if is_cautious else end)
        delivered_on = max(one.deliver_on, arrives_at.astimezone(zone).date())
        left = (last.astimezone(zone).date() - timedelta(days=1) - delivered_on).days
        least = wanted[one.content_id]
        found.append(
            Expected(
                one,
                core_c,
                core_until_c,
                used,
                days_used,
                end,
                limited_by,
                left,
                least,
                start.is_measured,
                start.limit_c,
                part + 1 if rooms else None,
            )
        )
    return found


def _air(judged: Judged, at_s: float) -> tuple[FloatArray, FloatArray]:
    """Return the air until a drop; without a balance, as if the unit held its set point."""
    if judged.cold is None:
        return np.array([0.0, at_s]), np.full(2, judged.setpoint_c)
    return judged.cold.knots(at_s)
