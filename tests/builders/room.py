"""A room with one sensor, stock in it, and air that fails it; invented."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from builders.cold import say, series
from builders.stock import make_lot, make_product, make_unit
from rimekeep.access.core.roles import Caller
from rimekeep.excursions import usecases
from rimekeep.platform.database import Database
from rimekeep.platform.journal import OutboxMessage
from rimekeep.shelflife import usecases as shelflife
from rimekeep.stock.tables import Lot, Product, Unit, Zone

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
START = NOW - timedelta(hours=40)
TAU_H = 10.0
PLANNED_C = 4.0
ROUTE = {
    "name": "staling",
    "reference_c": 20.0,
    "reference_life_days": 120.0,
    "activation_kj_mol": 101.8,
    "source": "invented",
}


@dataclass
class Room:
    """A room with one sensor."""

    caller: Caller
    zone: Zone

    @property
    def site_id(self) -> int:
        return self.caller.site_id


def add_rule(session: Session, room: Room, **overrides: Any) -> int:
    """At 8 °C or above for half an hour, unless told otherwise."""
    facts = {"zone_id": room.zone.id, "side": "above", "limit_c": 8.0, "kind": "single", "allowed_s": 1800}
    return usecases.add_rule(session, NOW, room.caller, **{**facts, **overrides}).id


def profiled(session: Session, room: Room, *, tau_h: float = TAU_H, **overrides: Any) -> Product:
    """A product with an ageing profile."""
    product = make_product(session, START, room.caller, **overrides)
    shelflife.add_profile(
        session,
        START,
        room.caller,
        product_id=product.id,
        tau_h=tau_h,
        planned_c=PLANNED_C,
        routes=[ROUTE],
        reason="trial",
    )
    return product


def lot_of(session: Session, room: Room, product: Product | None = None, **overrides: Any) -> Lot:
    """A released lot of a product with a profile."""
    packaged_at = START - timedelta(days=1)
    return make_lot(
        session, START, room.caller, product or profiled(session, room), packaged_at=packaged_at, **overrides
    )


def pallet(session: Session, room: Room, lot: Lot | None = None, **overrides: Any) -> Unit:
    """A pallet that stood in the room from the start, as cold as the room is planned."""
    facts = {"received_at": START, "start_core_c": PLANNED_C, **overrides}
    return make_unit(session, NOW, room.caller, lot or lot_of(session, room), room.zone, **facts)


def warm(
    session: Session,
    room: Room,
    *,
    hours: float,
    at_c: float = 15.0,
    until: datetime = NOW,
    code: str = "s",
) -> datetime:
    """Air as planned, then warm for some hours from ten hours after the start, then as planned; return when it began."""
    began = START + timedelta(hours=10)
    over = began + timedelta(hours=hours)
    said = [
        (key, at, at_c if began <= at < over else temp)
        for key, at, temp in series(code, START, until, PLANNED_C)
    ]
    say(session, until, room.site_id, said)
    return began


def outbox(database: Database) -> list[tuple[str, dict[str, Any]]]:
    """What people were told, in order."""
    with database.transaction(readonly=True) as session:
        rows = session.execute(select(OutboxMessage.kind, OutboxMessage.data).order_by(OutboxMessage.seq))
        return [(row[0], row[1]) for row in rows]
