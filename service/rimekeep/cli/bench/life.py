"""
Keeping the life of every unit up to date against integrating each unit's own history by itself.

Three figures: how much faster the refresh is that follows new readings in every room, how much faster the
first reckoning of a store nobody reckoned before, and how much longer one late reading takes to be worked in
with a hundred times the units.
"""

import time
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from sqlalchemy import text

from rimekeep.cli.bench.ground import Ground, bench_product
from rimekeep.climate.core.batch import Said
from rimekeep.climate.usecases import register_sensor, take_readings
from rimekeep.shelflife import queries as shelflife
from rimekeep.shelflife.core.exposure import Route, life_used
from rimekeep.shelflife.core.kinetics import FloatArray
from rimekeep.shelflife.usecases import add_profile, refresh_life
from rimekeep.stock.core.gs1 import sscc
from rimekeep.stock.usecases import register_lot, register_zone

ROOMS, DOCK = 11, 11
TAUS_H = (6.0, 12.0, 20.0, 30.0)
PROFILES = 6
SAMPLE = 60
# In whole seconds, as units are scanned: nobody comes in together.
STEP_S = 600


@dataclass(frozen=True, slots=True)
class Store:
    """A filled store: its rooms' air at every step, and each unit's stays and profile."""

    zone_ids: list[int]
    begin: datetime
    air: FloatArray
    stays: dict[int, list[tuple[int, float, float]]]
    profile: dict[int, int]
    core_c: dict[int, float]

    def by_itself(self, content_id: int) -> float:
        """Integrate one unit's own history, reading by reading."""
        times: list[FloatArray] = []
        temps: list[FloatArray] = []
        knots = np.arange(self.air.shape[1]) * float(STEP_S)
        for room, from_s, to_s in self.stays[content_id]:
            low, high = np.searchsorted(knots, [from_s, to_s], side="right")
            at = np.concatenate([[from_s], knots[low:high], [to_s]])
            times.append(at)
            temps.append(np.interp(at, knots, self.air[room]))
        at_h = np.concatenate(times) / 3600
        number = self.profile[content_id]
        return life_used(
            at_h - at_h[0],
            np.concatenate(temps),
            routes=[_route(number)],
            tau_h=TAUS_H[number % len(TAUS_H)],
            start_c=self.core_c[content_id],
        )["flavour"]


def _route(number: int) -> Route:
    # E of furfural from Kvasný průmysl 24(2) 30-32 (1978), and values around it; the lives are invented.
    return Route("flavour", 20.0, 300.0 + 20.0 * number, 101.8 - 4.0 * number)


@dataclass(frozen=True, slots=True)
class Late:
    """What one late reading took to be worked in [s], and how many units it had looked at one by one."""

    seconds: float
    looked_at: int


@dataclass(frozen=True, slots=True)
class Measured:
    """What keeping lives up to date took in one store. [s]"""

    units: int
    anew: float
    again: float
    hourly: float
    alone: float
    late: dict[int, Late]

    @property
    def refresh_ratio(self) -> float:
        """Return how much faster a refresh is than all units by themselves."""
        return self.alone * self.units / self.again

    @property
    def anew_ratio(self) -> float:
        """Return the same for a store nobody reckoned before."""
        return self.alone * self.units / self.anew


def measure(place: Ground, *, units: int, days: int) -> Measured:
    """Fill a store and keep it up to date; both ways must agree to 1e-9."""
    store = fill(place, units=units, days=days)
    anew = _refresh(place, place.now)
    again = []
    for minutes in (10, 20, 30):
        later = place.now + timedelta(minutes=minutes)
        _say(place, store, later)
        again.append(_refresh(place, later))
    # Once an hour the sums of the hour are written too.
    hour = place.now + timedelta(hours=1, minutes=5)
    _say(place, store, hour)
    hourly = _refresh(place, hour)
    alone = _agree(place, store, hour)
    late = {hours: _late(place, hour, hours) for hours in (2, 120)}
    return Measured(units, anew, sorted(again)[1], hourly, alone, late)


def told(found: Measured, *, days: int) -> str:
    """Say in words how it was measured."""
    return (
        f"{found.units} units, {ROOMS + 1} rooms, {days} days of ten-minute readings, {PROFILES} profiles, "
        f"{len(TAUS_H)} time constants: {found.again:.3f} s after new readings in every room "
        f"({found.hourly:.3f} s when an hour is full), {found.anew:.0f} s from nothing; a unit by itself "
        f"{found.alone * 1e3:.2f} ms; agree to 1e-9"
    )


def _refresh(place: Ground, now: datetime) -> float:
    return _worked_in(place, now).seconds


def _worked_in(place: Ground, now: datetime) -> Late:
    started = time.perf_counter()
    with place.database.transaction() as session:
        done = refresh_life(session, now, place.caller.site_id)
    return Late(time.perf_counter() - started, done.looked_at)


def _say(place: Ground, store: Store, now: datetime) -> None:
    step = (now - store.begin) // timedelta(seconds=STEP_S)
    said: list[Said] = [
        (f"z{room}", store.begin + timedelta(seconds=STEP_S * at), float(_air(room, at)))
        for room in range(ROOMS + 1)
        for at in range(store.air.shape[1], step + 1)
    ]
    with place.database.transaction() as session:
        take_readings(session, now, place.caller.site_id, said)


def _late(place: Ground, now: datetime, hours: int) -> Late:
    """Return what one reading that late takes to be worked in; the median of three."""
    spent = []
    for minute in (1, 4, 7):
        at = now - timedelta(hours=hours) + timedelta(minutes=minute, seconds=11)
        with place.database.transaction() as session:
            take_readings(session, now, place.caller.site_id, [("z3", at, 6.5)])
        spent.append(_worked_in(place, now))
    return sorted(spent, key=lambda one: one.seconds)[1]


def _agree(place: Ground, store: Store, now: datetime) -> float:
    """Hold a sample against integrations of their own; return the seconds one of those takes."""
    sample = list(store.stays)[:: max(1, len(store.stays) // SAMPLE)][:SAMPLE]
    with place.database.transaction(readonly=True) as session:
        found = shelflife.reckoned(session, place.caller.site_id, now, sample)
    steps = int((now - store.begin) / timedelta(seconds=STEP_S)) + 1
    known = Store(
        store.zone_ids,
        store.begin,
        np.array([[float(_air(room, at)) for at in range(steps)] for room in range(ROOMS + 1)]),
        {key: [*store.stays[key][:-1], (*store.stays[key][-1][:2], _seconds(store, now))] for key in sample},
        store.profile,
        store.core_c,
    )
    worst, started = 0.0, time.perf_counter()
    for content_id in sample:
        used = known.by_itself(content_id)
        worst = max(worst, abs(found[content_id].used["flavour"] - used) / used)
    spent = (time.perf_counter() - started) / len(sample)
    if worst > 1e-9:
        raise RuntimeError(f"the two ways disagree by {worst:.1e}")
    return spent


def _seconds(store: Store, at: datetime) -> float:
    return (at - store.begin).total_seconds()


def _air(room: int, at: Any) -> Any:
    hours = at * (STEP_S / 3600.0)
    return np.round((12.0 if room == DOCK else 3.0 + 0.3 * room) + np.sin(hours / 3.82 + room), 3)


def fill(place: Ground, *, units: int, days: int) -> Store:
    """Fill a store: units that came in one by one over the time, stood on the dock, then in a room or two."""
    now, caller = place.now, place.caller
    begin = now - timedelta(days=days)
    steps = np.arange(days * 86_400 // STEP_S + 1)
    air = np.array([_air(room, steps) for room in range(ROOMS + 1)])
    with place.database.transaction() as session:
        zones = [
            register_zone(session, begin, caller, code=f"Z{n}", name=f"Room {n}", kind="store", planned_c=4.0)
            for n in range(ROOMS + 1)
        ]
        zone_ids = [zone.id for zone in zones]
        for number, zone_id in enumerate(zone_ids):
            register_sensor(session, begin, caller, code=f"z{number}", zone_id=zone_id, interval_s=STEP_S)
        lots = [_lot(session, place, begin, number) for number in range(PROFILES)]
    for room in range(ROOMS + 1):
        said = [
            (f"z{room}", begin + timedelta(seconds=STEP_S * int(at)), float(temp))
            for at, temp in zip(steps, air[room], strict=True)
        ]
        for start in range(0, len(said), 10_000):
            with place.database.transaction() as session:
                take_readings(session, now, caller.site_id, said[start : start + 10_000])
    return _units(place, Store(zone_ids, begin, air, {}, {}, {}), lots, units)


def _lot(session: Any, place: Ground, begin: datetime, number: int) -> int:
    product_id = bench_product(session, place, begin, sku=f"BENCH-{number}")
    route = _route(number)
    add_profile(
        session,
        begin,
        place.caller,
        product_id=product_id,
        tau_h=TAUS_H[number % len(TAUS_H)],
        planned_c=4.0,
        freezing_minutes=60,
        routes=[
            {
                "name": route.name,
                "reference_c": route.reference_c,
                "reference_life_days": route.reference_life_days,
                "activation_kj_mol": route.activation_kj_mol,
                "source": "invented",
            }
        ],
        reason="bench",
    )
    lot = register_lot(
        session,
        place.now,
        place.caller,
        product_id=product_id,
        code="L",
        packaged_at=begin - timedelta(hours=1),
        best_before_on=(place.now + timedelta(days=3000)).date(),
        released=True,
    )
    return lot.id


def _units(place: Ground, store: Store, lots: list[int], units: int) -> Store:
    """Put units in by plain statements: what is measured is the reckoning, not the scanning."""
    rng = np.random.default_rng(20260316)
    span = (store.air.shape[1] - 1) * STEP_S
    came = np.sort(rng.integers(0, span - 10_800, units))
    rooms = rng.integers(0, ROOMS, (units, 2))
    on_dock = rng.integers(1_800, 10_800, units)
    moves = rng.random(units) < 0.3
    cores = np.round(rng.uniform(2.0, 18.0, units), 1)
    site_id, begin_s = place.caller.site_id, store.begin.timestamp()
    unit_rows, content_rows, stay_rows, change_rows = [], [], [], []
    for number in range(units):
        unit_id, first = number + 1, int(came[number])
        legs = [(DOCK, first, first + int(on_dock[number]))]
        room, other = (int(one) for one in rooms[number])
        left = legs[0][2]
        if moves[number] and other != room and span - left > 7_200:
            turn = int(rng.integers(left + 3_600, span))
            legs += [(room, left, turn), (other, turn, span)]
        else:
            legs.append((room, left, span))
        store.stays[unit_id] = [(room, float(from_s), float(to_s)) for room, from_s, to_s in legs]
        store.profile[unit_id] = number % PROFILES
        store.core_c[unit_id] = float(cores[number])
        received = datetime.fromtimestamp(begin_s + first, place.now.tzinfo)
        unit_rows.append(
            {
                "id": unit_id,
                "site": site_id,
                "sscc": sscc(4, "9521234", number),
                "zone": store.zone_ids[legs[-1][0]],
                "core": float(cores[number]),
                "at": received,
            }
        )
        content_rows.append({"id": unit_id, "site": site_id, "lot": lots[number % PROFILES]})
        change_rows.append({"site": site_id, "unit": unit_id})
        for room, from_s, to_s in legs:
            stay_rows.append(
                {
                    "site": site_id,
                    "unit": unit_id,
                    "zone": store.zone_ids[room],
                    "entered": datetime.fromtimestamp(begin_s + from_s, place.now.tzinfo),
                    "left": None
                    if to_s == span
                    else datetime.fromtimestamp(begin_s + to_s, place.now.tzinfo),
                }
            )
    _insert(place, unit_rows, content_rows, stay_rows, change_rows)
    return store


def _insert(place: Ground, *rows: list[dict[str, Any]]) -> None:
    statements = (
        "INSERT INTO unit (id, site_id, sscc, zone_id, state, qa_state, qa_reason, is_opened, received_at, "
        "start_core_c) VALUES (:id, :site, :sscc, :zone, 'in_store', 'released', '', false, :at, :core)",
        "INSERT INTO unit_content (id, site_id, unit_id, lot_id, cases, reserved_cases) "
        "VALUES (:id, :site, :id, :lot, 96, 0)",
        "INSERT INTO stay (site_id, unit_id, zone_id, entered_at, left_at) "
        "VALUES (:site, :unit, :zone, :entered, :left)",
        "INSERT INTO unit_change (site_id, unit_id) VALUES (:site, :unit)",
    )
    with place.database.transaction() as session:
        is_sqlite = place.database.settings.is_sqlite
        for statement, own in zip(statements, rows, strict=True):
            if is_sqlite:
                # As the service's own columns store instants there.
                own = [
                    {
                        key: value.strftime("%Y-%m-%d %H:%M:%S.%f") if isinstance(value, datetime) else value
                        for key, value in row.items()
                    }
                    for row in own
                ]
            for start in range(0, len(own), 10_000):
                session.execute(text(statement), own[start : start + 10_000])
    with place.database.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.execute(text("ANALYZE"))
