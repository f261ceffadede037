"""Pick bays with what stands in them, bulk stock they could be filled from, lanes, and forklift tasks."""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any

from sqlalchemy import Select, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from rimekeep.errors import missing
from rimekeep.picking.core.refill import Face, RefillState, Source
from rimekeep.picking.queries.lanes import standing
from rimekeep.picking.tables import Replenishment
from rimekeep.platform.database import Listing
from rimekeep.shelflife import queries as shelflife
from rimekeep.stock import queries as stock
from rimekeep.stock.core.states import BayRole, QaState, UnitState, ZoneKind
from rimekeep.stock.tables import Bay, Lot, PickFace, Product, Unit, UnitContent, Zone

_OPEN = (RefillState.OPEN, RefillState.TAKEN)


@dataclass(frozen=True, slots=True)
class RefillTask:
    """A task for a forklift driver."""

    id: int
    state: str
    sku: str
    lot_code: str
    sscc: str
    cases: int
    is_whole_unit: bool
    from_zone_code: str
    from_bay_code: str | None
    to_zone_code: str
    to_bay_code: str
    note: str
    made_at: datetime
    done_at: datetime | None
    to_sscc: str | None


@dataclass(frozen=True, slots=True)
class PickFaceView:
    """What a pick bay shall always hold of a product, and what it holds."""

    id: int
    bay_id: int
    bay_code: str
    product_id: int
    sku: str
    min_cases: int
    max_cases: int
    cases: int
    reserved_cases: int
    coming_cases: int
    is_low: bool


def replenishments(site_id: int, *, state: RefillState | None = None) -> Listing:
    """Return the statement for the site's forklift tasks, and its order."""
    statement = select(Replenishment).where(col(Replenishment.site_id) == site_id)
    if state is not None:
        statement = statement.where(col(Replenishment.state) == state)
    return statement, [col(Replenishment.id)]


def replenishment(session: Session, site_id: int, task_id: int, *, is_locked: bool = False) -> Replenishment:
    """Return a forklift task of the site."""
    lock = is_locked or None
    found = session.get(Replenishment, task_id, with_for_update=lock, populate_existing=is_locked)
    if found is None or found.site_id != site_id:
        raise missing("replenishment", task_id)
    return found


def refill_tasks(session: Session, task_ids: Collection[int]) -> list[RefillTask]:
    """Return forklift tasks as drivers see them."""
    to_bay, to_zone, to_unit = aliased(Bay), aliased(Zone), aliased(Unit)
    statement: Select[*tuple[Any, ...]] = (
        select(
            col(Replenishment.id),
            col(Replenishment.state),
            col(Product.sku),
            col(Lot.code),
            col(Unit.sscc),
            col(Replenishment.cases),
            col(Replenishment.is_whole_unit),
            col(Zone.code),
            col(Bay.code),
            col(to_zone.code),
            col(to_bay.code),
            col(Replenishment.note),
            col(Replenishment.made_at),
            col(Replenishment.done_at),
            col(to_unit.sscc),
        )
        .join(PickFace, col(PickFace.id) == col(Replenishment.pick_face_id))
        .join(to_bay, col(to_bay.id) == col(PickFace.bay_id))
        .join(to_zone, col(to_zone.id) == col(to_bay.zone_id))
        .join(UnitContent, col(UnitContent.id) == col(Replenishment.content_id))
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .join(Product, col(Product.id) == col(Lot.product_id))
        .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
        .join(Zone, col(Zone.id) == col(Unit.zone_id))
        .outerjoin(Bay, col(Bay.id) == col(Unit.bay_id))
        .outerjoin(to_unit, col(to_unit.id) == col(Replenishment.to_unit_id))
        .where(col(Replenishment.id).in_(sorted(task_ids)))
        .order_by(col(Replenishment.id))
    )
    return [RefillTask(*row) for row in session.execute(statement)]


def pick_faces(site_id: int) -> Listing:
    """Return the statement for what the site's pick bays shall hold, and its order."""
    return select(PickFace).where(col(PickFace.site_id) == site_id), [col(PickFace.id)]


def pick_face_views(session: Session, site_id: int, rows: Collection[PickFace]) -> list[PickFaceView]:
    """Return what pick bays shall hold and do hold, in the same order."""
    known = {face.key: face for face in faces(session, site_id, face_ids=[row.id for row in rows])}
    names = session.execute(
        select(col(Product.id), col(Product.sku)).where(col(Product.id).in_({row.product_id for row in rows}))
    )
    skus = {row[0]: row[1] for row in names}
    return [
        PickFaceView(
            row.id,
            row.bay_id,
            known[row.id].code,
            row.product_id,
            skus[row.product_id],
            row.min_cases,
            row.max_cases,
            known[row.id].cases,
            known[row.id].reserved_cases,
            known[row.id].coming_cases,
            known[row.id].is_low,
        )
        for row in rows
    ]


def faces(session: Session, site_id: int, *, face_ids: Collection[int] | None = None) -> list[Face]:
    """Return what pick bays shall hold, with what stands there and what is on its way."""
    statement = (
        select(PickFace, Bay)
        .join(Bay, col(Bay.id) == col(PickFace.bay_id))
        .where(col(PickFace.site_id) == site_id)
        .order_by(col(PickFace.id))
    )
    if face_ids is not None:
        statement = statement.where(col(PickFace.id).in_(sorted(face_ids)))
    rows = session.execute(statement).all()
    coming: dict[int, list[int]] = defaultdict(list)
    for face_id, cases in session.execute(
        select(col(Replenishment.pick_face_id), col(Replenishment.cases)).where(
            col(Replenishment.site_id) == site_id, col(Replenishment.state).in_(_OPEN)
        )
    ):
        coming[face_id].append(cases)
    stands = standing(session, site_id, {bay.id for _, bay in rows})
    found = []
    for face, bay in rows:
        there = stands.get(bay.id, [])
        own = [one for one in there if one.product_id == face.product_id]
        room = bay.capacity_units if bay.capacity_units is not None else None
        units = len({one.unit_id for one in there}) + len(coming[face.id])
        found.append(
            Face(
                key=face.id,
                code=bay.code,
                product=face.product_id,
                min_cases=face.min_cases,
                max_cases=face.max_cases,
                cases=sum(one.cases for one in own),
                reserved_cases=sum(one.reserved_cases for one in own),
                coming_cases=sum(coming[face.id]),
                reserved_until=min((one.expires_on for one in own if one.reserved_cases), default=None),
                stored_until=min((one.expires_on for one in there), default=None) if bay.depth > 1 else None,
                # Where nobody said how many units fit, the most cases say it.
                free_units=1_000 if room is None else max(0, room - units),
            )
        )
    return found


def sources(session: Session, site_id: int, product_ids: Collection[int], *, today: date) -> list[Source]:
    """
    Return the released cases of products in bulk bays of store rooms, less what tasks fetch already.

    What is over by ``today`` goes to nobody, so it is not brought either.
    """
    others = aliased(UnitContent)
    beside = (
        select(col(others.id))
        .where(col(others.unit_id) == col(UnitContent.unit_id), col(others.id) != col(UnitContent.id))
        .where(col(others.cases) > 0)
        .exists()
    )
    statement: Select[*tuple[Any, ...]] = (
        select(
            col(UnitContent.id),
            col(Unit.id),
            col(Lot.product_id),
            col(Unit.received_at),
            col(UnitContent.cases),
            col(UnitContent.cases) - col(UnitContent.reserved_cases),
            col(Product.cases_per_layer),
            ~beside,
            col(Bay.id),
        )
        .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
        .join(Bay, col(Bay.id) == col(Unit.bay_id))
        .join(Zone, col(Zone.id) == col(Unit.zone_id))
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .join(Product, col(Product.id) == col(Lot.product_id))
        .where(col(UnitContent.site_id) == site_id, col(Lot.product_id).in_(sorted(product_ids)))
        .where(col(Unit.state) == UnitState.IN_STORE, col(Unit.qa_state) == QaState.RELEASED)
        .where(col(Lot.qa_state) == QaState.RELEASED, col(Bay.role) == BayRole.BULK)
        .where(col(Zone.kind) == ZoneKind.STORE, col(UnitContent.cases) > col(UnitContent.reserved_cases))
    )
    rows = session.execute(statement).all()
    if not rows:
        return []
    ends = shelflife.expires_on_by_content(session, site_id, {row[0] for row in rows})
    before = stock.in_front(session, site_id, {row[8] for row in rows})
    fetched: dict[int, int] = defaultdict(int)
    for content_id, cases in session.execute(
        select(col(Replenishment.content_id), col(Replenishment.cases)).where(
            col(Replenishment.site_id) == site_id, col(Replenishment.state).in_(_OPEN)
        )
    ):
        fetched[content_id] += cases
    found = [
        Source(
            content=row[0],
            unit=row[1],
            product=row[2],
            expires_on=ends[row[0]],
            received_at=row[3],
            cases=row[4],
            free_cases=row[5],
            cases_per_layer=row[6],
            is_alone=bool(row[7]),
            in_front=before.get(row[1], 0),
        )
        for row in rows
        if ends[row[0]] >= today
    ]
    return [
        replace(one, cases=one.cases - fetched[one.content], free_cases=one.free_cases - fetched[one.content])
        for one in found
        if one.free_cases > fetched[one.content]
    ]


def expires_on(session: Session, site_id: int, content_id: int) -> date:
    """Return the last day cases are good to the end of."""
    return shelflife.expires_on_by_content(session, site_id, [content_id])[content_id]
