"""Life refreshed from readings, held against integrations that share no code with it."""

from __future__ import annotations

import itertools
import random
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from builders.api import Api
from builders.cold import make_sensor, say, series
from builders.stock import make_lot, make_product, make_unit, make_zone
from rimekeep.access.core.roles import Caller
from rimekeep.access.tables import Site
from rimekeep.platform.database import Database
from rimekeep.platform.journal import LedgerEvent, OutboxMessage
from rimekeep.shelflife import jobs, queries, usecases
from rimekeep.shelflife.tables import Life
from rimekeep.stock import usecases as stock
from rimekeep.stock.tables import Product, Unit, UnitContent, Zone

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
START = NOW - timedelta(days=6)
TAU_H = 15.0
# Kvasný průmysl 24(2) 30-32 (1978): E = 101.8 kJ/mol for furfural; the second route is invented.
ROUTES = [
    {
        "name": "staling",
        "reference_c": 20.0,
        "reference_life_days": 120.0,
        "activation_kj_mol": 101.8,
        "source": "invented",
    },
    {
        "name": "haze",
        "reference_c": 20.0,
        "reference_life_days": 150.0,
        "activation_kj_mol": 60.0,
        "source": "invented",
    },
]


def ripple(base_c: float, swing_c: float) -> Any:
    """Air that goes up and down, with a bump."""
    return lambda hours: round(base_c + swing_c * np.sin(hours / 3.7) + (4 if 30 < hours < 33 else 0), 2)


@dataclass
class Store:
    """Three rooms that were watched, a product with a profile, and readings."""

    caller: Caller
    zones: list[Zone]
    product: Product
    said: list[list[tuple[str, datetime, float]]] = field(default_factory=list)

    @property
    def site_id(self) -> int:
        return self.caller.site_id


@pytest.fixture
def store(api: Api, database: Database) -> Store:
    with database.transaction() as session:
        caller = api.callers["qa"]
        zones = [make_zone(session, START, caller, planned_c=planned) for planned in (12.0, 4.0, 2.0)]
        built = Store(caller, zones, make_product(session, START, caller))
        for number, (zone, base_c) in enumerate(zip(zones, (12.0, 4.0, 2.0), strict=True)):
            sensor = make_sensor(session, START, caller, zone, code=f"s{number}")
            built.said.append(series(sensor.code, START - timedelta(days=1), NOW, ripple(base_c, 0.8)))
        add_profile(session, built)
    return built


def add_profile(session: Session, store: Store, **overrides: Any) -> None:
    facts = {"tau_h": TAU_H, "planned_c": 4.0, "routes": ROUTES, "reason": "trial of the invented lager"}
    usecases.add_profile(session, START, store.caller, product_id=store.product.id, **{**facts, **overrides})


def travelled(session: Session, store: Store, *, start_core_c: float | None = 22.0, **lot: Any) -> Unit:
    """A pallet that came in warm, stood in the first room for ten hours, in the second for two days, then in the third."""
    made = make_lot(
        session, START, store.caller, store.product, packaged_at=START - timedelta(hours=2), **lot
    )
    unit = make_unit(
        session, START, store.caller, made, store.zones[0], received_at=START, start_core_c=start_core_c
    )
    for zone, hours in ((store.zones[1], 10.13), (store.zones[2], 58.0)):
        stock.move_unit(
            session, NOW, store.caller, unit_id=unit.id, zone_id=zone.id, at=START + timedelta(hours=hours)
        )
    return unit


def content_of(session: Session, unit: Unit) -> int:
    return session.scalars(select(UnitContent.id).where(UnitContent.unit_id == unit.id)).one()


def integrate(
    store: Store, legs: list[tuple[int, datetime, datetime]], start_core_c: float, tau_h: float = TAU_H
) -> tuple[dict[str, float], float]:
    """
    Return life used and core by an ODE solver (DOP853), reading interval by reading interval.

    dT/dt = (air − T)/τ and dF/dt = exp(−E/R·(1/T − 1/T_ref))/L, air linear between readings; R = 8.314462618.
    """
    state = np.array([start_core_c] + [0.0] * len(ROUTES))
    for room, from_at, until_at in legs:
        at_h = np.array([(at - START).total_seconds() / 3600 for _, at, _ in store.said[room]])
        temp_c = np.array([temp for _, _, temp in store.said[room]])
        low, high = ((at - START).total_seconds() / 3600 for at in (from_at, until_at))
        edges = np.unique(np.concatenate([[low, high], at_h[(at_h > low) & (at_h < high)]]))

        def slope(
            t: float, y: np.ndarray, at_h: np.ndarray = at_h, temp_c: np.ndarray = temp_c
        ) -> list[float]:
            rates = [
                np.exp(-route["activation_kj_mol"] * 1000 / 8.314462618 * (1 / (y[0] + 273.15) - 1 / 293.15))
                / (route["reference_life_days"] * 24)
                for route in ROUTES
            ]
            return [(np.interp(t, at_h, temp_c) - y[0]) / tau_h, *rates]

        for start, end in itertools.pairwise(edges):
            state = solve_ivp(slope, (start, end), state, method="DOP853", rtol=1e-12, atol=1e-13).y[:, -1]
    return {route["name"]: float(share) for route, share in zip(ROUTES, state[1:], strict=True)}, float(
        state[0]
    )


def legs_of_travelled(until_at: datetime = NOW) -> list[tuple[int, datetime, datetime]]:
    first, second = START + timedelta(hours=10.13), START + timedelta(hours=58)
    return [(0, START, first), (1, first, second), (2, second, until_at)]


def hours_to_end(store: Store, used: dict[str, float], core_c: float, planned_c: float) -> float:
    """Return when the first route reaches 1 with the core on its way to the planned temperature, by the same solver."""

    def slope(t: float, y: np.ndarray) -> list[float]:
        return [(planned_c - y[0]) / TAU_H] + [
            np.exp(-route["activation_kj_mol"] * 1000 / 8.314462618 * (1 / (y[0] + 273.15) - 1 / 293.15))
            / (route["reference_life_days"] * 24)
            for route in ROUTES
        ]

    def spent(t: float, y: np.ndarray) -> float:
        return max(y[1:]) - 1

    spent.terminal = True  # type: ignore[attr-defined]
    state = [core_c, *used.values()]
    run = solve_ivp(slope, (0, 1e6), state, method="DOP853", rtol=1e-11, atol=1e-12, events=spent)
    return float(run.t_events[0][0])


def test_life_of_a_pallet_through_three_rooms_agrees_with_an_ode_solver(
    store: Store, database: Database
) -> None:
    with database.transaction() as session:
        unit = travelled(session, store, best_before_on=date(2030, 1, 1))
        for said in store.said:
            say(session, NOW, store.site_id, said)
        assert usecases.refresh_life(session, NOW, store.site_id) == usecases.Refreshed(
            looked_at=1, changed=1, frozen=0
        )
        row = queries.life(session, store.site_id, [content_of(session, unit)])[content_of(session, unit)]
        lived = queries.reckoned(session, store.site_id, NOW)[content_of(session, unit)]
    used, core_c = integrate(store, legs_of_travelled(), 22.0)
    assert lived.used == pytest.approx(used, rel=1e-9)
    assert lived.core_c == pytest.approx(core_c, abs=1e-8)
    assert lived.bridged_s == 0
    hours = hours_to_end(store, used, core_c, 4.0)
    assert (row.expires_at - NOW).total_seconds() / 3600 == pytest.approx(hours, rel=1e-7)
    ends = {}
    for route in ROUTES:
        rate = (
            np.exp(-route["activation_kj_mol"] * 1000 / 8.314462618 * (1 / 277.15 - 1 / 293.15))
            / route["reference_life_days"]
        )
        ends[route["name"]] = (1 - used[route["name"]]) / rate
    assert row.limited_by == min(ends, key=lambda name: ends[name])


def test_order_and_repeats_of_readings_do_not_change_life(store: Store, database: Database) -> None:
    with database.transaction() as session:
        unit = travelled(session, store, best_before_on=date(2030, 1, 1))
        content_id = content_of(session, unit)
        for said in store.said:
            say(session, NOW, store.site_id, said[: len(said) // 2])
        usecases.refresh_life(session, NOW, store.site_id)
        early = queries.reckoned(session, store.site_id, NOW)[content_id]
    rest = [reading for said in store.said for reading in said] * 2
    random.Random(11).shuffle(rest)
    for start in range(0, len(rest), 700):
        with database.transaction() as session:
            say(session, NOW, store.site_id, rest[start : start + 700])
    with database.transaction() as session:
        usecases.refresh_life(session, NOW, store.site_id)
        whole = queries.aged(session, store.site_id, NOW)[0]
        late = queries.reckoned(session, store.site_id, NOW)[content_id]
        row = queries.life(session, store.site_id, [content_id])[content_id]
    used, core_c = integrate(store, legs_of_travelled(), 22.0)
    assert early.bridged_s > 2 * 86400
    assert late.used == pytest.approx(used, rel=1e-9)
    assert late.core_c == pytest.approx(core_c, abs=1e-8)
    assert whole.used == pytest.approx(used, rel=1e-9)
    assert abs(row.expires_at - whole.expires_at) <= timedelta(hours=1)


def test_pallets_that_came_in_together_share_one_history(store: Store, database: Database) -> None:
    with database.transaction() as session:
        units = [travelled(session, store) for _ in range(5)]
        other = travelled(session, store, start_core_c=8.0)
        for said in store.said:
            say(session, NOW, store.site_id, said)
        assert usecases.refresh_life(session, NOW, store.site_id).changed == 6
        rows = queries.reckoned(session, store.site_id, NOW)
        used = {rows[content_of(session, unit)].used["staling"] for unit in units}
        assert len(used) == 1
        assert rows[content_of(session, other)].used["staling"] < used.pop()


def test_cases_picked_onto_another_unit_keep_their_parents_history(store: Store, database: Database) -> None:
    with database.transaction() as session:
        unit = travelled(session, store, best_before_on=date(2030, 1, 1))
        for said in store.said:
            say(session, NOW, store.site_id, said)
        usecases.refresh_life(session, NOW, store.site_id)
        source = content_of(session, unit)
        before = queries.life(session, store.site_id, [source])[source]
    with database.transaction() as session:
        built = stock.build_unit(session, NOW, store.caller, zone_id=store.zones[0].id)
        stock.reserve_cases(session, source, 7)
        taken = stock.take_cases(session, NOW, store.caller, content_id=source, cases=7, to_unit_id=built.id)
        not_yet = queries.life(session, store.site_id, [taken.id])[taken.id]
        assert (not_yet.as_of_at, not_yet.expires_at) == (None, before.expires_at)
        later = NOW + timedelta(hours=20)
        usecases.refresh_life(session, later, store.site_id)
        found = {one.pack.content_id: one for one in queries.aged(session, store.site_id, later)}
    # From NOW on the new unit stands in the first room, whose last reading holds; the old one stays in the third.
    for room in (0, 2):
        store.said[room].append((f"s{room}", later, store.said[room][-1][2]))
    moved, _ = integrate(store, [*legs_of_travelled(), (0, NOW, later)], 22.0)
    stayed, _ = integrate(store, legs_of_travelled(later), 22.0)
    assert found[taken.id].used == pytest.approx(moved, rel=1e-9)
    assert found[source].used == pytest.approx(stayed, rel=1e-9)
    assert found[taken.id].bridged_s > 0


def test_only_what_moved_is_written(store: Store, database: Database) -> None:
    with database.transaction() as session:
        travelled(session, store, best_before_on=date(2030, 1, 1))
        for said in store.said:
            say(session, NOW, store.site_id, said)
        assert usecases.refresh_life(session, NOW, store.site_id).changed == 1
        assert usecases.refresh_life(session, NOW + timedelta(minutes=5), store.site_id).changed == 0
        assert session.scalars(select(Life.as_of_at)).one() == NOW
        hot = NOW + timedelta(hours=6)
        say(session, hot, store.site_id, [("s2", NOW + timedelta(hours=1), 25.0), ("s2", hot, 25.0)])
        assert usecases.refresh_life(session, hot, store.site_id).changed == 1


def test_label_ends_life_at_midnight_of_the_site_after_its_day(store: Store, database: Database) -> None:
    with database.transaction() as session:
        site = session.get(Site, store.site_id)
        assert site is not None
        site.time_zone = "Europe/Prague"
        session.flush()
        unit = travelled(session, store, best_before_on=date(2026, 4, 1))
        content_id = content_of(session, unit)
        unrefreshed = queries.life(session, store.site_id, [content_id])[content_id]
        usecases.refresh_life(session, NOW, store.site_id)
        row = queries.life(session, store.site_id, [content_id])[content_id]
        # Prague keeps summer time on 1 April (UTC+2), so its midnight is 22:00 UTC.
        assert row.expires_at == unrefreshed.expires_at == datetime(2026, 4, 1, 22, 0, tzinfo=UTC)
        assert row.limited_by == unrefreshed.limited_by == "best before"
        assert queries.expires_by_content(session, store.site_id, [content_id]) == {
            content_id: row.expires_at
        }
        assert queries.expires_on_by_content(session, store.site_id, None) == {content_id: date(2026, 4, 1)}


def test_product_without_a_profile_goes_by_its_label(store: Store, database: Database) -> None:
    with database.transaction() as session:
        unit = make_unit(session, NOW, store.caller, zone=store.zones[1])
        assert usecases.refresh_life(session, NOW, store.site_id).changed == 1
        row = queries.life(session, store.site_id, [content_of(session, unit)])[content_of(session, unit)]
        assert (row.limited_by, row.profile_id, row.cautious_at) == ("best before", None, row.expires_at)
        assert queries.reckoned(session, store.site_id, NOW) == {}


def test_first_profile_of_a_product_ages_the_stock_that_is_there(store: Store, database: Database) -> None:
    with database.transaction() as session:
        product = make_product(session, NOW, store.caller)
        lot = make_lot(session, NOW, store.caller, product, best_before_on=date(2030, 1, 1))
        content_id = content_of(session, make_unit(session, NOW, store.caller, lot, store.zones[1]))
        usecases.refresh_life(session, NOW, store.site_id)
        assert queries.life(session, store.site_id, [content_id])[content_id].limited_by == "best before"
        usecases.add_profile(
            session,
            NOW,
            store.caller,
            product_id=product.id,
            tau_h=TAU_H,
            planned_c=4.0,
            routes=ROUTES,
            reason="trial",
        )
        usecases.refresh_life(session, NOW, store.site_id)
        assert queries.life(session, store.site_id, [content_id])[content_id].limited_by != "best before"


def test_room_nobody_measured_is_bridged_at_its_planned_temperature(store: Store, database: Database) -> None:
    with database.transaction() as session:
        travelled(session, store, best_before_on=date(2030, 1, 1))
        usecases.refresh_life(session, NOW, store.site_id)
        one = queries.aged(session, store.site_id, NOW)[0]
    assert one.bridged_s == (NOW - START).total_seconds()
    store.said = [[("", START, planned), ("", NOW, planned)] for planned in (12.0, 4.0, 2.0)]
    assert one.used == pytest.approx(integrate(store, legs_of_travelled(), 22.0)[0], rel=1e-9)


def test_packs_keep_the_profile_that_aged_them_until_asked(store: Store, database: Database) -> None:
    with database.transaction() as session:
        old = travelled(session, store, best_before_on=date(2030, 1, 1))
        for said in store.said:
            say(session, NOW, store.site_id, said)
        usecases.refresh_life(session, NOW, store.site_id)
        add_profile(session, store, tau_h=1.0)
        new = travelled(session, store, best_before_on=date(2030, 1, 1))
        assert usecases.refresh_life(session, NOW, store.site_id).changed == 1
        rows = queries.life(session, store.site_id, None)
        before = rows[content_of(session, old)]
        assert before.profile_id != rows[content_of(session, new)].profile_id
        asked = {"product_id": store.product.id, "reason": "the old trial had a fault"}
        told = usecases.re_age(session, NOW, store.caller, is_preview=True, **asked)
        assert (told.version, told.looked_at, told.moved) == (2, 2, 1)
        assert queries.life(session, store.site_id, None)[content_of(session, old)] == before
        assert usecases.re_age(session, NOW, store.caller, is_preview=False, **asked) == told
        after = queries.life(session, store.site_id, None)[content_of(session, old)]
        assert after.profile_id == rows[content_of(session, new)].profile_id
        moved_days = (after.expires_at - before.expires_at) / timedelta(days=1)
        assert told.soonest_days == told.latest_days == told.mean_days == pytest.approx(moved_days)
        lived = queries.reckoned(session, store.site_id, NOW)[content_of(session, old)]
    assert lived.used == pytest.approx(integrate(store, legs_of_travelled(), 22.0, tau_h=1.0)[0], rel=1e-9)
    with database.transaction() as session:
        assert session.scalar(select(func.count()).where(LedgerEvent.kind == "life.re-aged")) == 1


def test_frozen_core_puts_the_unit_on_hold_once(store: Store, database: Database) -> None:
    with database.transaction() as session:
        unit = travelled(session, store, start_core_c=4.0)
        say(session, NOW, store.site_id, series("s2", START, NOW, -6.0))
        done = usecases.refresh_life(session, NOW, store.site_id)
        assert (done.frozen, done.changed) == (1, 1)
        session.refresh(unit)
        assert unit.qa_state == "held"
        assert "freezing" in unit.qa_reason
        row = next(iter(queries.life(session, store.site_id, None).values()))
        # The last room is entered with a core near 4 °C; the trade formula gives −(0.04·11.8 + 0.42·4 + 0.2) = −2.352 °C.
        assert row.frozen_at is not None
        assert START + timedelta(hours=58) < row.frozen_at < NOW
        stock.release_unit(session, NOW, store.caller, unit_id=unit.id, reason="tasted, fine")
        assert usecases.refresh_life(session, NOW + timedelta(hours=5), store.site_id).frozen == 0
        assert unit.qa_state == "released"
    with database.transaction() as session:
        assert session.scalar(select(func.count()).where(OutboxMessage.kind == "unit.frozen")) == 1


def test_spent_stock_keeps_the_day_it_ended_and_is_not_written_again(
    store: Store, database: Database
) -> None:
    with database.transaction() as session:
        # Own arithmetic: nobody watched the room, so it counts as 20 °C, where three days are all it has.
        room = make_zone(session, START, store.caller, planned_c=20.0)
        short = [{**ROUTES[0], "reference_life_days": 3.0}, ROUTES[1]]
        add_profile(session, store, routes=short)
        lot = make_lot(session, START, store.caller, store.product, packaged_at=START - timedelta(hours=2))
        unit = make_unit(session, START, store.caller, lot, room, received_at=START, start_core_c=20.0)
        content_id = content_of(session, unit)
        usecases.refresh_life(session, NOW, store.site_id)
        found = queries.life(session, store.site_id, [content_id])[content_id]
        assert abs(found.expires_at - (START + timedelta(days=3))) < timedelta(seconds=1)
        assert found.limited_by == "staling"
        assert usecases.refresh_life(session, NOW + timedelta(days=2), store.site_id).changed == 0


def test_departed_and_empty_stock_is_left_alone(store: Store, database: Database) -> None:
    with database.transaction() as session:
        unit = travelled(session, store)
        stock.adjust_cases(
            session,
            NOW,
            store.caller,
            content_id=content_of(session, unit),
            cases=0,
            reason="dropped by the dock",
        )
        assert usecases.refresh_life(session, NOW, store.site_id).looked_at == 0


def test_job_refreshes_a_site(store: Store, database: Database) -> None:
    with database.transaction() as session:
        travelled(session, store)
        jobs.refresh(session, NOW, store.site_id)
        assert session.scalar(select(func.count()).select_from(Life)) == 1
