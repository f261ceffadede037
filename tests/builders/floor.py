"""A small store a picker works in: one released lot on a full pallet and an opened one; all of it invented."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy import text

from builders.api import Api
from builders.databases import NOW
from builders.orders import make_order
from builders.stock import make_bay, make_lot, make_product, make_unit, make_zone
from rimekeep.access.core.roles import Caller, PrincipalKind, Role
from rimekeep.access.usecases import add_principal
from rimekeep.picking.queries import reservations_that_disagree
from rimekeep.platform.database import Database
from rimekeep.platform.journal import broken_links
from rimekeep.stock.queries import stays_that_disagree


@dataclass
class Floor:
    """A store with one released lot: a full pallet and an opened one, and a dock to bring them to."""

    api: Api
    database: Database
    gtin: str
    product_id: int
    lot_code: str
    ssccs: list[str]
    codes: dict[str, str]  # bay code → check code
    staging_id: int

    @property
    def picker(self) -> Api:
        return self.api.as_("picker")

    def order(self, cases: int, **facts: Any) -> int:
        with self.database.transaction() as session:
            return make_order(session, NOW, self.api.callers["lead"], {self.product_id: cases}, **facts).id

    def lists(self, *order_ids: int) -> list[dict[str, Any]]:
        """Allocate the orders and make their lists."""
        office = self.api.as_("dispatcher")
        office.made("/v1/allocations", {"order_ids": list(order_ids)})
        return office.made("/v1/pick-lists", {"order_ids": list(order_ids)})  # type: ignore[no-any-return]

    def taken(self, cases: int) -> dict[str, Any]:
        """Return a taken list of one order."""
        self.lists(self.order(cases))
        return self.picker.made("/v1/pick-lists/next")  # type: ignore[no-any-return]

    def right(self, pick: dict[str, Any], **changed: Any) -> dict[str, Any]:
        """Return the confirmation that is right for a pick, with changes."""
        return {
            "scan": "00" + pick["sscc"],
            "bay_check_code": self.codes.get(pick["bay_code"]),
            "cases": pick["cases"],
            **changed,
        }

    def device(self, name: str) -> Api:
        with self.database.transaction() as session:
            holder, token = add_principal(
                session,
                NOW,
                self.api.callers["lead"].site_id,
                kind=PrincipalKind.DEVICE,
                name=name,
                roles=[Role.PICKER],
            )
            self.api.callers[name] = Caller(holder.id, holder.site_id, name, frozenset([Role.PICKER]))
        self.api.tokens[name] = token
        return self.api.as_(name)

    def total(self) -> int:
        """Return all cases, having checked that reservations and ledger hold."""
        with self.database.transaction() as session:
            site_id = self.api.callers["lead"].site_id
            assert list(broken_links(session, site_id)) == []
            assert list(reservations_that_disagree(session, site_id)) == []
            assert list(stays_that_disagree(session, site_id)) == []
            reserved = session.scalar(text("SELECT COALESCE(SUM(reserved_cases), 0) FROM unit_content"))
            live = session.scalar(
                text("SELECT COALESCE(SUM(cases), 0) FROM allocation WHERE state IN ('reserved', 'picked')")
            )
            assert reserved == live
            return int(session.scalar(text("SELECT SUM(cases) FROM unit_content")) or 0)


def make_floor(api: Api, database: Database) -> Floor:
    """A full pallet and an opened one of one lot in two aisles, and a staging area to bring them to."""
    caller = api.callers["lead"]
    with database.transaction() as session:
        product = make_product(session, NOW, caller)
        zone = make_zone(session, NOW, caller)
        staging = make_zone(session, NOW, caller, kind="staging", planned_c=12.0, code="STAGE")
        lot = make_lot(session, NOW, caller, product)
        bays = [
            make_bay(session, NOW, caller, zone, aisle=aisle, slot=slot) for aisle, slot in ((2, 9), (1, 4))
        ]
        units = [
            make_unit(session, NOW, caller, lot, bay=bay, cases=cases)
            for bay, cases in zip(bays, (48, 30), strict=True)
        ]
    return Floor(
        api, database, str(product.gtin), product.id, lot.code, [unit.sscc for unit in units],
        {bay.code: bay.check_code for bay in bays}, staging.id,
    )  # fmt: skip
