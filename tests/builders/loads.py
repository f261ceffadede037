"""A day's orders, picked and waiting at the dock, as a deck instance of the checks describes it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy.orm import Session

from builders.api import Api
from builders.checks import CHECKS
from builders.orders import make_customer, make_order
from builders.stock import make_lot, make_product, make_unit, make_zone
from rimekeep.access.core.roles import Caller
from rimekeep.picking import usecases as picking
from rimekeep.platform.database import Database

DAY = date(2026, 3, 17)


@dataclass(frozen=True)
class Day:
    """What was made: orders by stop, in drop order, and the SSCCs of their pallets."""

    orders: dict[str, int]
    ssccs: dict[str, list[str]]
    zones: dict[str, int]

    @property
    def drops(self) -> list[int]:
        """Return the orders in drop order."""
        return list(self.orders.values())


def instance(name: str) -> dict[str, Any]:
    """Return a deck instance."""
    found: dict[str, Any] = json.loads((CHECKS / "loads" / f"{name}.json").read_text(encoding="utf-8"))
    return found


def few(deck: dict[str, Any], stops: int = 2, each: int = 2) -> dict[str, Any]:
    """Return the instance with only the first stops, and few pallets for each."""
    kept = sorted(deck["stops"], key=lambda stop: stop["seq"])[:stops]
    pallets = [[one for one in deck["pallets"] if one["stop"] == stop["id"]][:each] for stop in kept]
    return {**deck, "stops": kept, "pallets": [one for some in pallets for one in some]}


def truck_of(deck: dict[str, Any]) -> dict[str, Any]:
    """Return the instance's truck as a vehicle is registered."""
    return {key: value for key, value in deck["truck"].items() if key not in ("name", "available")}


def make_day(
    api: Api, database: Database, now: datetime, deck: dict[str, Any], *, is_picked: bool = True
) -> Day:
    """Make one order per stop whose whole pallets weigh what the instance says; pick them."""
    desk, device = api.callers["lead"], api.callers["picker"]
    orders, ssccs = {}, {}
    with database.transaction() as session:
        store = make_zone(session, now, desk)
        staging = make_zone(session, now, desk, kind="staging")
        products = {}
        for stop in sorted(deck["stops"], key=lambda stop: stop["seq"]):
            here = [pallet for pallet in deck["pallets"] if pallet["stop"] == stop["id"]]
            wanted: dict[int, int] = {}
            for pallet in here:
                kind = (
                    pallet["class"],
                    pallet["weight_kg"],
                    pallet.get("footprint", deck["truck"]["pallet"]),
                    pallet.get("case_height_mm"),
                    pallet.get("crush_limit_kg"),
                )
                if kind not in products:
                    products[kind] = _product(session, now, desk, deck, *kind)
                product, lot = products[kind]
                make_unit(session, now, desk, lot, store, cases=1)
                wanted[product.id] = wanted.get(product.id, 0) + 1
            customer = make_customer(
                session, now, desk, code=stop["id"], address=f"Invented street {stop['seq']}"
            )
            orders[stop["id"]] = make_order(
                session, now, desk, wanted, customer, ship_on=DAY, deliver_on=DAY
            ).id
        picking.allocate_orders(session, now, desk, picking.Chosen(order_ids=list(orders.values())))
        if is_picked:
            pick_orders(session, now, desk, device, list(orders.values()))
    for stop, order_id in orders.items():
        shown = api.ok("GET", f"/v1/orders/{order_id}")
        ssccs[stop] = [one["sscc"] for one in shown["allocations"]]
    return Day(orders, ssccs, {"store": store.id, "staging": staging.id})


def _product(
    session: Session,
    now: datetime,
    desk: Caller,
    deck: dict[str, Any],
    name: str,
    weight_kg: float,
    footprint: str,
    case_height_mm: float | None,
    crush_limit_kg: float | None,
) -> Any:
    carried = deck["temperature_classes"][name]
    product = make_product(
        session, now, desk, case_mass_kg=weight_kg, pallet_tare_kg=0, cases_per_layer=1, layers_per_pallet=1,
        footprint=footprint, case_height_mm=case_height_mm, crush_limit_kg=crush_limit_kg,
        carry_min_c=carried["min_c"], carry_max_c=carried["max_c"],
    )  # fmt: skip
    return product, make_lot(session, now, desk, product)


def pick_orders(session: Session, now: datetime, desk: Caller, device: Caller, order_ids: list[int]) -> None:
    """Pick everything that is reserved for the orders."""
    picking.make_pick_lists(session, now, desk, order_ids=order_ids)
    while (work := picking.take_next_list(session, now, device, lease_s=300)) is not None:
        for pick in work.picks:
            picking.confirm_pick(
                session,
                now,
                device,
                pick_id=pick.id,
                scan=pick.sscc,
                bay_check_code=None,
                cases=pick.cases,
                lease_s=300,
            )


def register_fleet(api: Api, deck: dict[str, Any], count: int) -> list[int]:
    """Register vehicles of the instance's build; return their ids."""
    return [
        api.made("/v1/vehicles", {"code": f"T{k}", "name": f"Truck {k} (invented)", "truck": truck_of(deck)})[
            "id"
        ]
        for k in range(1, count + 1)
    ]


def five_stops() -> dict[str, Any]:
    """Return the truck of eight places with five stops of three light pallets each: two fill it but for two."""
    deck = instance("deck_s1_basic")
    one = deck["pallets"][0]
    stops = [{"id": name, "seq": seq} for seq, name in enumerate("ABCDE", 1)]
    pallets = [
        {**one, "id": f"{stop['id']}-{k}", "stop": stop["id"], "weight_kg": 500}
        for stop in stops
        for k in range(3)
    ]
    return {**deck, "stops": stops, "pallets": pallets}


@dataclass(frozen=True)
class TwoTrips:
    """A confirmed plan for the first three of five orders, on two trucks: two drops on one, one on the other."""

    plan: dict[str, Any]
    day: Day
    vehicles: list[int]

    @property
    def fuller(self) -> dict[str, Any]:
        """Return the trip of two drops."""
        found: dict[str, Any] = max(self.plan["trips"], key=lambda trip: len(trip["places"]))
        return found

    @property
    def other(self) -> dict[str, Any]:
        """Return the trip of one drop."""
        found: dict[str, Any] = min(self.plan["trips"], key=lambda trip: len(trip["places"]))
        return found


def two_trips(api: Api, database: Database, clock: Any) -> TwoTrips:
    """Pick the day and confirm the plan."""
    day = make_day(api, database, clock.now, five_stops())
    vehicles = register_fleet(api, five_stops(), 2)
    desk = api.as_("dispatcher")
    plan = desk.made("/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": day.drops[:3]})
    return TwoTrips(desk.made(f"/v1/load-plans/{plan['id']}/confirm"), day, vehicles)


def load_all(api: Api, trip_id: int) -> None:
    """Load all of a trip, in the order the door asks for."""
    due = api.ok("GET", f"/v1/trips/{trip_id}/next")["next"]
    while due:
        due = api.as_("picker").made(f"/v1/trips/{trip_id}/load", {"scan": due[0]["sscc"]})["next"]


def leave(api: Api, trip_id: int) -> None:
    """Load all of a trip and let it depart."""
    load_all(api, trip_id)
    api.as_("dispatcher").made(f"/v1/trips/{trip_id}/depart")
