"""Taking the next pick list: the service's own transaction against the same one in hand-written SQL."""

import time
from datetime import timedelta
from typing import Any

from sqlalchemy import Connection, text
from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller, PrincipalKind, Role
from rimekeep.access.usecases import add_principal
from rimekeep.cli.bench.ground import Ground, bench_product
from rimekeep.orders.core.records import NewLine
from rimekeep.orders.usecases import place_order, register_customer
from rimekeep.picking.usecases import Chosen, allocate_orders, make_pick_lists, take_next_list
from rimekeep.stock.core.gs1 import sscc
from rimekeep.stock.usecases import receive_unit, register_bay, register_lot, register_zone

LISTS = 240
LINES = 4
LEASE_S = 300

TAKE = text("""
    UPDATE pick_list SET state = 'taken', device_id = :device, leased_until = :until
    WHERE id = (SELECT id FROM pick_list WHERE site_id = :site AND state = 'ready' ORDER BY id LIMIT 1)
    RETURNING id
""")
SHOW = text("""
    SELECT l.id, l.order_id, o.code, c.name, l.zone_id, z.code, l.state, l.walk_m, l.made_at, l.device_id,
           l.leased_until, l.done_at, p.id, p.stop, p.state, pr.sku, pr.name, lt.code, lt.best_before_on,
           u.sscc, b.code, b.aisle, b.slot, b.level, a.cases, pr.cases_per_layer, a.how,
           p.picked_cases, p.reason, lo.id, lo.code, pu.number, pu.sscc, p.tier
    FROM pick_list l
    LEFT JOIN sales_order o ON o.id = l.order_id LEFT JOIN customer c ON c.id = o.customer_id
    JOIN zone z ON z.id = l.zone_id
    JOIN pick p ON p.list_id = l.id JOIN allocation a ON a.id = p.allocation_id
    JOIN unit_content uc ON uc.id = a.content_id JOIN unit u ON u.id = uc.unit_id
    JOIN lot lt ON lt.id = uc.lot_id
    JOIN product pr ON pr.id = lt.product_id LEFT JOIN bay b ON b.id = p.bay_id
    JOIN order_line ol ON ol.id = a.line_id JOIN sales_order lo ON lo.id = ol.order_id
    LEFT JOIN planned_unit pu ON pu.id = p.planned_unit_id
    WHERE l.id = :list ORDER BY p.walk_no, p.stop
""")
RESET = text("UPDATE pick_list SET state = 'ready', device_id = NULL, leased_until = NULL")


def measure(place: Ground) -> tuple[float, str]:
    """Return the ratio of lists a second, and how it came about; best of three turns each, in turn."""
    devices = fill(place)
    own, sql = [], []
    for _ in range(3):
        own.append(_timed(place, devices, _take_own))
        sql.append(_timed(place, devices, _take_sql))
    ratio = min(sql) / min(own)
    return ratio, (
        f"{LISTS} lists of {LINES} stops to {len(devices)} devices, one after another: "
        f"{min(own) / LISTS * 1e3:.2f} ms each, {min(sql) / LISTS * 1e3:.2f} ms in SQL; best of 3"
    )


def _timed(place: Ground, devices: list[Caller], take: Any) -> float:
    with place.database.transaction() as session:
        session.execute(RESET)
    begun = time.perf_counter()
    for device in devices:
        with place.database.transaction() as session:
            stops = take(session, place, device)
        if stops != LINES:
            raise RuntimeError(f"a list of {LINES} stops was expected, {stops} came")
    return time.perf_counter() - begun


def _take_own(session: Session, place: Ground, device: Caller) -> int:
    task = take_next_list(session, place.now, device, lease_s=LEASE_S)
    return 0 if task is None else len(task.picks)


def _take_sql(session: Session, place: Ground, device: Caller) -> int:
    connection: Connection = session.connection()
    until = (place.now + timedelta(seconds=LEASE_S)).strftime("%Y-%m-%d %H:%M:%S.%f")
    until += "" if place.database.settings.is_sqlite else "+00"
    taken = connection.execute(
        TAKE, {"device": device.id, "until": until, "site": device.site_id}
    ).scalar_one()
    return len(connection.execute(SHOW, {"list": taken}).all())


def fill(place: Ground) -> list[Caller]:
    """Place orders for lists of a few stops, allocate them; return one device a list."""
    now, caller = place.now, place.caller
    site_id = caller.site_id
    devices = []
    with place.database.transaction() as session:
        for number in range(LISTS):
            added, _ = add_principal(
                session,
                now,
                site_id,
                kind=PrincipalKind.DEVICE,
                name=f"handheld {number}",
                roles=[Role.PICKER],
            )
            devices.append(Caller(added.id, site_id, added.name, frozenset([Role.PICKER])))
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
        products = []
        for number in range(LINES):
            product_id = bench_product(session, place, now, sku=f"P{number}")
            products.append(product_id)
            lot = register_lot(
                session,
                now,
                caller,
                product_id=product_id,
                code=f"L{number}",
                packaged_at=now - timedelta(days=1),
                best_before_on=(now + timedelta(days=200)).date(),
                released=True,
            )
            for pallet in range(10):
                bay = register_bay(
                    session,
                    now,
                    caller,
                    zone_id=zone.id,
                    code=f"P{number}-{pallet}",
                    aisle=number + 1,
                    slot=pallet + 1,
                    level=0,
                    check_code="7",
                )
                receive_unit(
                    session,
                    now,
                    caller,
                    sscc=sscc(5, "9521234", number * 100 + pallet),
                    zone_id=zone.id,
                    bay_id=bay.id,
                    contents=[(lot.id, 96)],
                )
        customer = register_customer(session, now, caller, code="C", name="Customer")
        day = now.date()
        orders = [
            place_order(
                session,
                now,
                caller,
                code=f"SO-{number}",
                customer_id=customer.id,
                ship_on=day,
                deliver_on=day,
                lines=[NewLine(number, product_id, 2) for number, product_id in enumerate(products, start=1)],
            ).id
            for number in range(LISTS)
        ]
    with place.database.transaction() as session:
        allocate_orders(session, now, caller, Chosen(order_ids=orders))
        make_pick_lists(session, now, caller, order_ids=orders)
    return devices
