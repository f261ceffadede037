"""
A store as full as a large one, with pick lists that wait and a crowd of handhelds.

Products, lots and the room are registered as anybody would. What there is thousands of goes in by columns:
what is measured on it is the handing out of lists, not the scanning.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from sqlalchemy import text
from sqlalchemy.orm import Session
from sqlmodel import SQLModel

from rimekeep.access.core.roles import PrincipalKind, Role
from rimekeep.access.usecases import add_principal
from rimekeep.cli.bench.ground import Ground, bench_product
from rimekeep.orders.usecases import register_customer
from rimekeep.platform.journal import record
from rimekeep.platform.straight import Rows, ask
from rimekeep.stock.core.gs1 import sscc
from rimekeep.stock.usecases import register_lot, register_zone
from rimekeep.stock.usecases.units import unit_received

PRODUCTS, LOTS = 20, 200
PALLET, PER_LAYER = 96, 12
STOPS, CASES = 4, 2
# Units behind one another in a bay; bays along an aisle.
DEPTH, SLOTS = 10, 100
PREFIX = "9521234"
ROWS_AT_ONCE = 20_000
NUMBERED = (
    *("sales_order", "order_line", "pick_list", "planned_unit", "bay", "unit", "unit_content"),
    *("allocation", "pick"),
)


@dataclass(frozen=True, slots=True)
class Handheld:
    """A device that may pick, and its token."""

    id: int
    token: str


def fill(place: Ground, *, units: int, lists: int, handhelds: int, done: int = 0) -> list[Handheld]:
    """
    Put ``units`` into one room and ``lists`` of a few stops before the handhelds, which are returned.

    Of the ``done`` lists of the days before there are the heads only.
    """
    now, caller = place.now, place.caller
    with place.database.transaction() as session:
        zone = register_zone(
            session,
            now,
            caller,
            code="PICK",
            name="Picking",
            kind="store",
            planned_c=4.0,
            slot_pitch_m=1.4,
            aisle_pitch_m=4.2,
            cross_aisle_offset_m=2.0,
        )
        products = [bench_product(session, place, now, sku=f"P{number}") for number in range(PRODUCTS)]
        lots = [_lot(session, place, products[number % PRODUCTS], number) for number in range(LOTS)]
        customer = register_customer(session, now, caller, code="C", name="Customer")
        crowd = []
        for number in range(handhelds):
            added, token = add_principal(
                session,
                now,
                caller.site_id,
                kind=PrincipalKind.DEVICE,
                name=f"handheld {number}",
                roles=[Role.PICKER],
            )
            crowd.append(Handheld(added.id, token))
    with place.database.transaction() as session:
        reserved = _lists(session, place, products, (zone.id, customer.id), units, lists, done)
        _units(session, place, lots, zone.id, units, reserved)
        _stops(session, place, units, lists, done)
        _number_on(session, place)
    place.settle()
    return crowd


def _lot(session: Session, place: Ground, product_id: int, number: int) -> int:
    return register_lot(
        session,
        place.now,
        place.caller,
        product_id=product_id,
        code=f"L{number}",
        packaged_at=place.now - timedelta(days=1 + number % 30),
        best_before_on=(place.now + timedelta(days=170 + number % 30)).date(),
        released=True,
    ).id


def _unit_of(units: int, number: int, stop: int) -> int:
    """Return which unit a stop of a list goes to: of a product of its own, anywhere in the room."""
    product = (number + stop * PRODUCTS // STOPS) % PRODUCTS
    # A large prime, so that lists that follow each other lie far apart.
    return product + PRODUCTS * ((number * 7919 + stop * 104_729) % (units // PRODUCTS))


def _lists(
    session: Session,
    place: Ground,
    products: Sequence[int],
    owners: tuple[int, int],
    units: int,
    lists: int,
    done: int,
) -> Counter[int]:
    """Write the orders and the lists' heads; return the cases they ask of each unit."""
    now, site = place.now, place.caller.site_id
    zone_id, customer_id = owners
    day = now.date()
    orders, lines, pallets = [], [], []
    heads: list[tuple[Any, ...]] = [
        (key, site, None, zone_id, "done", 84.0, now - timedelta(days=1), now) for key in range(1, done + 1)
    ]
    reserved: Counter[int] = Counter()
    for number in range(lists):
        key = number + 1
        orders.append((key, site, customer_id, f"SO-{key}", "", day, day, 0, "allocated", now))
        heads.append((done + key, site, key, zone_id, "ready", 84.0, now, None))
        pallets.append((key, site, done + key, key, 1, sscc(6, PREFIX, number)))
        for stop in range(STOPS):
            unit = _unit_of(units, number, stop)
            reserved[unit] += CASES
            lines.append((number * STOPS + stop + 1, site, key, stop + 1, products[unit % PRODUCTS], CASES))
    put_rows(
        session,
        "sales_order",
        "id site_id customer_id code external_reference ship_on deliver_on priority state placed_at",
        orders,
    )
    put_rows(session, "order_line", "id site_id order_id line_no product_id cases", lines)
    put_rows(session, "pick_list", "id site_id order_id zone_id state walk_m made_at done_at", heads)
    put_rows(session, "planned_unit", "id site_id list_id order_id number sscc", pallets)
    return reserved


def _units(
    session: Session,
    place: Ground,
    lots: Sequence[int],
    zone_id: int,
    units: int,
    reserved: Counter[int],
) -> None:
    now, site = place.now, place.caller.site_id
    bays = [
        (
            number + 1,
            site,
            zone_id,
            f"B{number}",
            number // SLOTS + 1,
            number % SLOTS + 1,
            0,
            "7",
            "bulk",
            DEPTH,
        )
        for number in range(-(-units // DEPTH))
    ]
    stock, contents, stays = [], [], []
    for number in range(units):
        key, code = number + 1, sscc(5, PREFIX, number)
        stock.append(
            (key, site, code, zone_id, number // DEPTH + 1, "in_store", "released", "", False, now, now)
        )
        contents.append((key, site, key, lots[number % LOTS], PALLET, reserved[number]))
        stays.append((site, key, zone_id, now))
    put_rows(session, "bay", "id site_id zone_id code aisle slot level check_code role depth", bays)
    put_rows(
        session,
        "unit",
        "id site_id sscc zone_id bay_id state qa_state qa_reason is_opened received_at placed_at",
        stock,
    )
    put_rows(session, "unit_content", "id site_id unit_id lot_id cases reserved_cases", contents)
    put_rows(session, "stay", "site_id unit_id zone_id entered_at", stays)
    for key, _, _, lot_id, cases, _ in contents:
        told = unit_received(
            place.caller, at=now, unit_id=key, lot_id=lot_id, cases=cases, sscc=stock[key - 1][2],
            content_id=key, is_new=True,
        )  # fmt: skip
        record(session, site, told)
    made = text("UPDATE lot SET cases_made = cases_made + :cases WHERE id = :id")
    session.execute(
        made,
        [{"id": one, "cases": n * PALLET} for one, n in Counter(row[3] for row in contents).items()],
    )


def _stops(session: Session, place: Ground, units: int, lists: int, done: int) -> None:
    now, site = place.now, place.caller.site_id
    allocations, picks = [], []
    for number in range(lists):
        # Aisle by aisle, as they lie.
        for stop, (unit, line) in enumerate(
            sorted((_unit_of(units, number, one), one) for one in range(STOPS))
        ):
            key = number * STOPS + line + 1
            allocations.append((key, site, key, unit + 1, CASES, "cases", "reserved", now))
            place_at = (stop + 1, stop + 1, key, unit // DEPTH + 1, number + 1, 1)
            picks.append((key, site, done + number + 1, *place_at, "open", 0, "", ""))
    put_rows(session, "allocation", "id site_id line_id content_id cases how state at", allocations)
    put_rows(
        session,
        "pick",
        "id site_id list_id stop walk_no allocation_id bay_id planned_unit_id tier "
        "state picked_cases reason note",
        picks,
    )


def put_rows(session: Session, name: str, columns: str, rows: Sequence[tuple[Any, ...]]) -> None:
    """Insert rows by columns, their values as SQLAlchemy would bind them."""
    table, names = SQLModel.metadata.tables[name], columns.split()
    dialect = session.get_bind().dialect
    processes = [table.c[one].type.dialect_impl(dialect).bind_processor(dialect) for one in names]
    # By columns: most of them are bound as they are.
    values = zip(*rows, strict=True)
    bound = list(
        zip(
            *(
                column if process is None else map(process, column)
                for column, process in zip(values, processes, strict=True)
            ),
            strict=True,
        )
    )
    for start in range(0, len(bound), ROWS_AT_ONCE):
        ask(session, Rows(table, names), bound[start : start + ROWS_AT_ONCE])


def _number_on(session: Session, place: Ground) -> None:
    """Let the service's own keys begin after those given here; SQLite's do by themselves."""
    if place.database.settings.is_sqlite:
        return
    for name in NUMBERED:
        # ruff: noqa: S608 - the names are our own
        session.execute(text(f"SELECT setval(pg_get_serial_sequence('{name}', 'id'), max(id)) FROM {name}"))
