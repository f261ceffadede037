"""A truck with a sensor, loaded with a day's pallets of a beer that ages; all of it invented."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from scipy.integrate import solve_ivp
from sqlalchemy import select

from builders.api import Api
from builders.cold import Said, make_sensor, say, series
from builders.grounds import Clock
from builders.loads import DAY, Day, few, instance, make_day, register_fleet
from rimekeep.excursions import usecases as excursions
from rimekeep.platform.database import Database
from rimekeep.platform.journal import OutboxMessage
from rimekeep.shelflife import usecases as shelflife
from rimekeep.stock import queries as stock
from rimekeep.stock.tables import Product, Unit, UnitContent, Zone

DECK = few(instance("deck_s1_basic"))
TAU_H = 15.0
# What a room nobody measured is planned at, and so the core of all that stood there from the start. [°C]
STORE_C = 4.0
# Kvasný průmysl 24(2) 30-32 (1978): E = 101.8 kJ/mol for furfural; lives and the second route are invented.
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


@dataclass
class Journey:
    """A confirmed trip of two drops of two pallets in the vehicle T1, whose sensor is `truck`."""

    api: Api
    database: Database
    clock: Any
    day: Day
    trip: dict[str, Any]
    zone_id: int
    said: list[Said] = field(default_factory=list)

    @property
    def path(self) -> str:
        return f"/v1/trips/{self.trip['id']}"

    @property
    def site_id(self) -> int:
        return self.api.callers["lead"].site_id

    def drop(self, number: int) -> list[str]:
        """The SSCCs of a drop."""
        return [place["sscc"] for place in self.trip["places"] if place["drop"] == number]

    def load(self) -> None:
        due = self.api.ok("GET", f"{self.path}/next")["next"]
        while due:
            due = self.api.as_("picker").made(f"{self.path}/load", {"scan": due[0]["sscc"]})["next"]

    def leave(self) -> None:
        """Load all of it and depart, at once."""
        self.load()
        self.api.as_("dispatcher").made(f"{self.path}/depart")

    def pass_(self, **span: float) -> datetime:
        self.clock.now += timedelta(**span)
        now: datetime = self.clock.now
        return now

    def air(self, from_at: datetime, until_at: datetime, temp_c: float | Callable[[float], float]) -> None:
        """The truck's sensor speaks every ten minutes from one instant to before another."""
        said = [one for one in series("truck", from_at, until_at, temp_c) if one[1] < until_at]
        with self.database.transaction() as session:
            say(session, max(self.clock.now, until_at), self.site_id, said)
        self.said = sorted({*self.said, *said}, key=lambda one: one[1])

    def check(self) -> None:
        with self.database.transaction() as session:
            excursions.check_site(session, self.clock.now, self.site_id)

    def refresh(self) -> None:
        with self.database.transaction() as session:
            shelflife.refresh_life(session, self.clock.now, self.site_id)

    def add_rule(self, **overrides: Any) -> int:
        """At 8 °C or above for half an hour on the truck, unless told otherwise."""
        facts = {
            "zone_id": self.zone_id,
            "side": "above",
            "limit_c": 8.0,
            "kind": "single",
            "allowed_s": 1800,
        }
        with self.database.transaction() as session:
            qa = self.api.callers["qa"]
            return excursions.add_rule(session, self.clock.now, qa, **{**facts, **overrides}).id

    def unit(self, sscc: str) -> dict[str, Any]:
        shown: dict[str, Any] = self.api.ok("GET", f"/v1/units/{sscc}")
        return shown

    def content_id(self, sscc: str) -> int:
        with self.database.transaction(readonly=True) as session:
            return session.scalars(
                select(UnitContent.id).join(Unit, Unit.id == UnitContent.unit_id).where(Unit.sscc == sscc)
            ).one()

    def zone(self, kind: str) -> int:
        with self.database.transaction(readonly=True) as session:
            return session.scalars(select(Zone.id).where(Zone.kind == kind).order_by(Zone.id)).first() or 0

    def told(self, kind: str) -> list[dict[str, Any]]:
        """What people were told of one kind, in order."""
        with self.database.transaction(readonly=True) as session:
            return list(
                session.scalars(
                    select(OutboxMessage.data).where(OutboxMessage.kind == kind).order_by(OutboxMessage.seq)
                )
            )

    def disagreements(self) -> list[str]:
        with self.database.transaction(readonly=True) as session:
            return list(stock.stays_that_disagree(session, self.site_id))


def confirmed_trip(api: Api, database: Database, clock: Clock) -> tuple[Day, dict[str, Any], int]:
    """
    Pick a day's orders onto pallets, register T1 with its sensor and confirm a plan.

    Return the day, the trip and the vehicle's zone: what a journey is made of.
    """
    day = make_day(api, database, clock.now, DECK)
    register_fleet(api, DECK, 1)
    desk = api.as_("dispatcher")
    with database.transaction() as session:
        zone = session.scalars(select(Zone).where(Zone.code == "T1")).one()
        make_sensor(session, clock.now - timedelta(days=2), api.callers["lead"], zone, code="truck")
        for product in session.scalars(select(Product)).all():
            shelflife.add_profile(
                session,
                clock.now,
                api.callers["qa"],
                product_id=product.id,
                tau_h=TAU_H,
                planned_c=STORE_C,
                routes=ROUTES,
                reason="trial (invented)",
            )
    plan = desk.made("/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": day.drops})
    trip = desk.made(f"/v1/load-plans/{plan['id']}/confirm")["trips"][0]
    return day, trip, zone.id


Leg = tuple[list[Said] | float, datetime, datetime]


def integrate(legs: list[Leg], start_core_c: float) -> tuple[dict[str, float], float]:
    """
    Return life used and core by an ODE solver (DOP853), reading interval by reading interval.

    dT/dt = (air − T)/τ and dF/dt = exp(−E/R·(1/T − 1/T_ref))/L, air linear between readings; R = 8.314462618.
    A leg is what a sensor said, or the temperature of a room nobody measured.
    """
    origin = legs[0][1]

    def hours(at: datetime) -> float:
        return (at - origin).total_seconds() / 3600

    state = np.array([start_core_c] + [0.0] * len(ROUTES))
    for said, from_at, until_at in legs:
        if isinstance(said, float):
            at_h, temp_c = np.array([hours(from_at), hours(until_at)]), np.array([said, said])
        else:
            at_h = np.array([hours(at) for _, at, _ in said])
            temp_c = np.array([temp for _, _, temp in said])
        low, high = hours(from_at), hours(until_at)
        edges = np.unique(np.concatenate([[low, high], at_h[(at_h > low) & (at_h < high)]]))

        def slope(
            t: float, y: np.ndarray, at_h: np.ndarray = at_h, temp_c: np.ndarray = temp_c
        ) -> list[float]:
            rates = [
                np.exp(-route["activation_kj_mol"] * 1000 / 8.314462618 * (1 / (y[0] + 273.15) - 1 / 293.15))
                / (route["reference_life_days"] * 24)
                for route in ROUTES
            ]
            return [(np.interp(t, at_h, temp_c) - y[0]) / TAU_H, *rates]

        for start, end in itertools.pairwise(edges):
            state = solve_ivp(slope, (start, end), state, method="DOP853", rtol=1e-12, atol=1e-13).y[:, -1]
    return {route["name"]: float(share) for route, share in zip(ROUTES, state[1:], strict=True)}, float(
        state[0]
    )
