"""
A recall drill over years of deliveries: the complete list of customers, with whom to call.

Products, lots and the vehicle are registered as anybody would; pallets, orders, trips and the ledger are made
by the database itself, a statement each. The ledger's links are left empty: nothing here reads them.
"""

from dataclasses import dataclass
from datetime import timedelta
from time import perf_counter

from sqlalchemy import text
from sqlalchemy.orm import Session

from rimekeep.cli.bench.ground import Ground, bench_product
from rimekeep.orders.usecases import register_customer
from rimekeep.platform.columns import UtcDateTime
from rimekeep.stock.usecases import register_lot, register_zone
from rimekeep.tracing.recall import queries
from rimekeep.tracing.recall.core.states import ScopeKind
from rimekeep.tracing.recall.usecases import drill

CUSTOMERS, MOST_CALLED = 200, 25
# What happens to a pallet, each an event of the ledger.
STEPS = ("unit.received", "unit.moved", "unit.picked", "unit.loaded", "unit.departed", "unit.delivered")
PALLETS_A_LOT, PALLETS_AN_ORDER, PALLETS_A_TRIP = 200, 5, 30
CASES, MORE = 96, 12
TIMES = 5

_KINDS = " ".join(f"WHEN {number} THEN '{kind}'" for number, kind in enumerate(STEPS))
# Table, columns, what they hold in the row numbered i, and how many rows. One pallet in four also carries
# cases of the lot after its own, as mixed pallets do.
_MADE = (
    (
        "unit",
        "id, site_id, sscc, zone_id, state, qa_state, qa_reason, is_opened, received_at",
        "i, :site, CAST(100000000000000000 + i AS VARCHAR), :zone, 'departed', 'released', '', false, :at",
        "pallets",
    ),
    (
        "unit_content",
        "id, site_id, unit_id, lot_id, cases, reserved_cases",
        f"i, :site, i, :lot + (i - 1) / {PALLETS_A_LOT}, {CASES}, 0",
        "pallets",
    ),
    (
        "unit_content",
        "id, site_id, unit_id, lot_id, cases, reserved_cases",
        f":pallets + i, :site, 4 * i, :lot + (4 * i - 1) / {PALLETS_A_LOT} + 1, {MORE}, 0",
        "mixed",
    ),
    (
        "sales_order",
        "id, site_id, customer_id, code, external_reference, ship_on, deliver_on, priority, state, placed_at",
        f"i, :site, :customer + i % {CUSTOMERS}, 'SO-' || i, '', :day, :day, 0, 'departed', :at",
        "orders",
    ),
    (
        "load_plan",
        "id, site_id, ship_on, state, status, lower_bound, visits, request, reasons, made_at",
        "i, :site, :day, 'departed', 'optimal', 1, 1, '{}', '[]', :at",
        "trips",
    ),
    (
        "trip",
        "id, site_id, plan_id, vehicle_id, truck_no, setpoint_min_c, setpoint_max_c, axle_table, road, cold,"
        " departed_at, ended_at",
        "i, :site, i, :vehicle, 0, 1, 4, '[]', '{}', '{}', :at, :at",
        "trips",
    ),
    (
        "deck_place",
        "id, site_id, trip_id, unit_id, order_id, row_no, lane_no, part_no, tier_no, drop_no, mass_kg,"
        " is_pinned, is_turned, loaded_at, fate, off_at",
        f"i, :site, (i - 1) / {PALLETS_A_TRIP} + 1, i, (i - 1) / {PALLETS_AN_ORDER} + 1, 0, 0, 0, 0, 1, 800,"
        " false, false, :at, 'delivered', :at",
        "pallets",
    ),
    (
        "ledger_event",
        "site_id, seq, event_id, kind, at, lot_id, unit_id, cases, data, hash",
        f":site, :told + i, 'made-' || i, CASE (i - 1) % {len(STEPS)} {_KINDS} END, :at,"
        f" :lot + (i - 1) / {PALLETS_A_LOT * len(STEPS)}, (i - 1) / {len(STEPS)} + 1, {CASES}, '{{}}', ''",
        "events",
    ),
)


@dataclass(frozen=True, slots=True)
class Measured:
    """How long the drill took, and over how much."""

    seconds: float
    told: str


def lots_called(events: int) -> int:
    """Return how many lots can be called back in a ledger of so many events."""
    return max(1, min(MOST_CALLED, events // len(STEPS) // PALLETS_A_LOT))


def measure(place: Ground, *, events: int, lots: int) -> Measured:
    """Fill the store with that many events, drill the recall of some lots, and return the median time."""
    pallets = events // len(STEPS)
    lot_ids = _fill(place, pallets)
    called = lot_ids[:lots]
    scope = {"lot_ids": called, "and_same_day": False}
    times = []
    for _ in range(TIMES):
        begun = perf_counter()
        with place.database.transaction() as session:
            row = drill(session, place.now, place.caller, kind=ScopeKind.LOTS, scope=scope)
            parts = queries.customer_parts(session, place.now, row)
        times.append(perf_counter() - begun)
    median_s = sorted(times)[TIMES // 2]
    listed = sum(len(part.deliveries) for part in parts)
    cases = sum(part.balance.delivered for part in parts)
    full = len(called) * PALLETS_A_LOT
    # A pallet in four of each lot carries cases of the next; the first lot has no lot before it.
    mixed = sum(1 for one in range(4, full + 1, 4) if (one - 1) // PALLETS_A_LOT + 1 < len(called))
    if cases != full * CASES + mixed * MORE:
        raise RuntimeError(f"the list holds {cases} cases, {full * CASES + mixed * MORE} were delivered")
    told = (
        f"{events} events, {pallets} pallets delivered, {len(lot_ids)} lots; {len(called)} lots called back: "
        f"{listed} deliveries to {len(parts)} customers in {median_s:.3f} s, kept and recorded"
    )
    return Measured(median_s, told)


def _fill(place: Ground, pallets: int) -> list[int]:
    now, caller = place.now, place.caller
    # One lot more, for the mixed pallets of the last one.
    lots = -(-pallets // PALLETS_A_LOT) + 1
    with place.database.transaction() as session:
        zone = register_zone(session, now, caller, code="T1", name="Truck", kind="vehicle", planned_c=4.0)
        product = bench_product(session, place, now, sku="P")
        customers = [
            register_customer(session, now, caller, code=f"C{number}", name=f"Customer {number}", phone="1")
            for number in range(CUSTOMERS)
        ]
        first = min(one.id for one in customers)
        made = [
            register_lot(
                session,
                now,
                caller,
                product_id=product,
                code=f"L{number}",
                packaged_at=now - timedelta(days=20),
                best_before_on=(now + timedelta(days=180)).date(),
                cases_made=PALLETS_A_LOT * CASES,
                released=True,
            ).id
            for number in range(lots)
        ]
    with place.database.transaction() as session:
        _vehicle(session, caller.site_id, zone.id)
        told = session.scalar(
            text("SELECT event_seq FROM site_head WHERE site_id = :site"), {"site": caller.site_id}
        )
        at = UtcDateTime().bind_processor(session.get_bind().dialect)
        moment = now - timedelta(days=1)
        values = {
            "site": caller.site_id,
            "zone": zone.id,
            "lot": min(made),
            "customer": first,
            "vehicle": 1,
            "told": told,
            "at": moment if at is None else at(moment),
            "day": moment.date() if not place.database.settings.is_sqlite else moment.date().isoformat(),
            "pallets": pallets,
            "mixed": pallets // 4,
            "orders": -(-pallets // PALLETS_AN_ORDER),
            "trips": -(-pallets // PALLETS_A_TRIP),
            "events": pallets * len(STEPS),
        }
        for table, columns, chosen, count in _MADE:
            _make(session, table, columns, chosen, count, values, is_sqlite=place.database.settings.is_sqlite)
        session.execute(
            text("UPDATE site_head SET event_seq = event_seq + :events WHERE site_id = :site"),
            {"events": values["events"], "site": caller.site_id},
        )
    place.settle()
    return made


def _vehicle(session: Session, site_id: int, zone_id: int) -> None:
    session.execute(
        text(
            "INSERT INTO vehicle (id, site_id, code, name, zone_id, truck, is_active) "
            "VALUES (1, :site, 'T1', 'Truck', :zone, '{}', true)"
        ),
        {"site": site_id, "zone": zone_id},
    )


def _make(
    session: Session,
    table: str,
    columns: str,
    chosen: str,
    count: str,
    values: dict[str, object],
    *,
    is_sqlite: bool,
) -> None:
    """Let the database make a table's rows, numbered ``i`` from 1."""
    if is_sqlite:
        numbers = f"SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < :{count}"
        series = f"(WITH RECURSIVE n(i) AS ({numbers}) SELECT i FROM n)"
    else:
        series = f"generate_series(1, CAST(:{count} AS BIGINT)) AS n(i)"
    # ruff: noqa: S608 - the words are our own
    statement = f"INSERT INTO {table} ({columns}) SELECT {chosen} FROM {series}"
    used = {key: value for key, value in values.items() if f":{key}" in statement}
    session.execute(text(statement), used)
