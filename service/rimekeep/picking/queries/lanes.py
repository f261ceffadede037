"""Bays with what stands in them, deep ones above all."""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.platform.database import parts
from rimekeep.shelflife import queries as shelflife
from rimekeep.stock.core.lanes import Lane, Stored, buried
from rimekeep.stock.core.states import BayRole, UnitState, ZoneKind
from rimekeep.stock.tables import Bay, Lot, Unit, UnitContent, Zone

_STANDS = (UnitState.IN_STORE, UnitState.PICKED)


@dataclass(frozen=True, slots=True)
class Standing:
    """Cases in a bay, whatever QA says of them."""

    bay_id: int
    unit_id: int
    content_id: int
    product_id: int
    lot_id: int
    cases: int
    reserved_cases: int
    placed_at: datetime
    expires_on: date


def standing(session: Session, site_id: int, bay_ids: Collection[int]) -> dict[int, list[Standing]]:
    """Return what stands in bays, in the order it was put there, by bay."""
    statement: Select[*tuple[Any, ...]] = (
        select(
            col(Unit.bay_id),
            col(Unit.id),
            col(UnitContent.id),
            col(Lot.product_id),
            col(Lot.id),
            col(UnitContent.cases),
            col(UnitContent.reserved_cases),
            func.coalesce(col(Unit.placed_at), col(Unit.received_at)),
        )
        .join(UnitContent, col(UnitContent.unit_id) == col(Unit.id))
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .where(col(Unit.site_id) == site_id, col(Unit.state).in_(_STANDS), col(UnitContent.cases) > 0)
        .where(col(Unit.bay_id).is_not(None))
    )
    rows = [
        row for some in parts(bay_ids) for row in session.execute(statement.where(col(Unit.bay_id).in_(some)))
    ]
    ends = shelflife.expires_on_by_content(session, site_id, {row[2] for row in rows}) if rows else {}
    found: dict[int, list[Standing]] = defaultdict(list)
    for row in sorted(rows, key=lambda row: (row[7], row[1])):
        facts: list[Any] = [*row, ends[row[2]]]
        found[row[0]].append(Standing(*facts))
    return found


def lanes(
    session: Session, site_id: int, *, zone_id: int | None = None, product_id: int | None = None
) -> list[tuple[Bay, Lane]]:
    """
    Return the bulk bays of store rooms with what stands in each, in the order it was put there.

    With ``product_id`` only those that may have room for it: not full, nor deep with only others in it.
    """
    statement = (
        select(Bay)
        .join(Zone, col(Zone.id) == col(Bay.zone_id))
        .where(col(Bay.site_id) == site_id, col(Bay.role) == BayRole.BULK, col(Zone.kind) == ZoneKind.STORE)
        .order_by(col(Bay.id))
    )
    if zone_id is not None:
        statement = statement.where(col(Bay.zone_id) == zone_id)
    bays = list(session.scalars(statement))
    if product_id is not None:
        bays, filled = _with_room(session, site_id, bays, product_id)
    else:
        filled = {bay.id for bay in bays}
    stands = standing(session, site_id, filled)
    found = []
    for bay in bays:
        by_unit: dict[int, list[Standing]] = defaultdict(list)
        for one in stands.get(bay.id, []):
            by_unit[one.unit_id].append(one)
        stored = tuple(stored_unit(unit_id, some) for unit_id, some in by_unit.items())
        found.append((bay, Lane(bay.depth, bay.capacity_units, stored)))
    return found


def _with_room(
    session: Session, site_id: int, bays: Collection[Bay], product_id: int
) -> tuple[list[Bay], set[int]]:
    """Return the bays that may take a product, and those of them that something stands in."""
    units = dict(
        session.execute(
            select(col(Unit.bay_id), func.count())
            .where(col(Unit.site_id) == site_id, col(Unit.state).in_(_STANDS), col(Unit.bay_id).is_not(None))
            .group_by(col(Unit.bay_id))
        ).all()
    )
    holding = set(
        session.scalars(
            select(col(Unit.bay_id))
            .join(UnitContent, col(UnitContent.unit_id) == col(Unit.id))
            .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
            .where(col(Unit.site_id) == site_id, col(Unit.state).in_(_STANDS))
            .where(col(Lot.product_id) == product_id, col(UnitContent.cases) > 0)
        )
    )
    found = [
        bay
        for bay in bays
        if units.get(bay.id, 0) < (bay.capacity_units or bay.depth)
        and (bay.id not in units or bay.id in holding or bay.depth == 1)
    ]
    return found, {bay.id for bay in found if bay.id in units}


def stored_unit(unit_id: int, contents: Collection[Standing]) -> Stored:
    """Return what a unit in a lane holds."""
    products = {one.product_id for one in contents}
    return Stored(
        unit_id,
        products.pop() if len(products) == 1 else None,
        frozenset(one.lot_id for one in contents),
        min(one.expires_on for one in contents),
    )


@dataclass(frozen=True, slots=True)
class Buried:
    """A unit that stands behind one that expires later."""

    bay_id: int
    bay_code: str
    sscc: str
    expires_on: date
    in_front_sscc: str
    in_front_expires_on: date


def buried_units(session: Session, site_id: int) -> list[Buried]:
    """Return what stands behind newer stock in deep lanes, because a life moved or the rule was not kept."""
    found = [(bay, *pair) for bay, lane in lanes(session, site_id) for pair in buried(lane)]
    ids = {one.unit for _, *pair in found for one in pair}
    rows = session.execute(select(col(Unit.id), col(Unit.sscc)).where(col(Unit.id).in_(ids)))
    ssccs = {row[0]: row[1] for row in rows}
    return [
        Buried(bay.id, bay.code, ssccs[behind.unit], behind.expires_on, ssccs[front.unit], front.expires_on)
        for bay, behind, front in found
    ]
