"""A small invented store on either database."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy.orm import Session

from builders import stock as make
from rimekeep.access.core.roles import Caller, Role
from rimekeep.access.usecases import open_new_site
from rimekeep.platform.database import Database
from rimekeep.platform.journal import broken_links
from rimekeep.stock import queries, usecases


@dataclass
class Store:
    """Two cold rooms, staging and a truck, with one product in one released lot."""

    database: Database
    now: datetime
    caller: Caller
    zones: dict[str, int] = field(default_factory=dict)
    product_id: int = 0
    lot_id: int = 0

    def act(self, verb: str, *args: Any, **facts: Any) -> Any:
        """Do one use case in a transaction of its own."""
        with self.database.transaction() as session:
            return getattr(usecases, verb)(session, self.now, self.caller, *args, **facts)

    def bare(self, verb: str, *args: Any) -> Any:
        """Do one use case that needs no caller."""
        with self.database.transaction() as session:
            return getattr(usecases, verb)(session, *args)

    def read(self, query: Callable[..., Any], *args: Any, **facts: Any) -> Any:
        """Ask one query of this site."""
        with self.database.transaction(readonly=True) as session:
            return query(session, self.caller.site_id, *args, **facts)

    def pallet(
        self, cases: int = 48, *, zone: str = "cold", lot_id: int | None = None, **facts: Any
    ) -> tuple[int, int]:
        """Receive a pallet a day ago; return its unit id and its content's."""
        facts.setdefault("received_at", self.now - timedelta(days=1))
        unit = self.act(
            "receive_unit",
            sscc=make.new_sscc(),
            zone_id=self.zones[zone],
            contents=[(lot_id or self.lot_id, cases)],
            **facts,
        )
        return unit.id, self.contents(unit.id)[0].id

    def contents(self, unit_id: int) -> Any:
        """Return what is on a unit."""
        return self.read(queries.contents, unit_ids=[unit_id])

    def unit(self, unit_id: int) -> Any:
        """Return a unit as people see it."""
        with self.database.transaction(readonly=True) as session:
            return queries.unit_view(session, queries.unit(session, self.caller.site_id, unit_id))

    def disagreements(self) -> list[str]:
        """Return whatever does not hold together: ledger, stays, units, cases."""
        with self.database.transaction(readonly=True) as session:
            return [
                *broken_links(session, self.caller.site_id),
                *queries.stays_that_disagree(session, self.caller.site_id),
            ]


def furnish(session: Session, store: Store) -> None:
    """Give the store its rooms, its product and its lot."""
    now, caller = store.now, store.caller
    for name, kind in (("cold", "store"), ("other", "store"), ("staging", "staging"), ("truck", "vehicle")):
        store.zones[name] = make.make_zone(session, now, caller, code=name, kind=kind).id
    lot = make.make_lot(session, now, caller)
    store.product_id, store.lot_id = lot.product_id, lot.id


@pytest.fixture
def store(database: Database) -> Store:
    """A furnished store."""
    now = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
    with database.transaction() as session:
        site, _ = open_new_site(
            session, now, code="NORTH", name="North store (invented)", company_prefix="9521234"
        )
        opened = Store(database, now, Caller(1, site.id, "first admin", frozenset(Role)))
        furnish(session, opened)
    return opened
