"""Reads of rules and excursions."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.errors import missing
from rimekeep.excursions.tables import Excursion, ExcursionContent, ExcursionRule
from rimekeep.platform.database import Listing
from rimekeep.stock.tables import Lot, Product, Unit, UnitContent, Zone


@dataclass(frozen=True, slots=True)
class Touched:
    """Cases that were in the room meanwhile, and what it cost them."""

    content_id: int
    unit_id: int
    sscc: str
    unit_state: str
    unit_qa_state: str
    lot_id: int
    lot_code: str
    lot_qa_state: str
    product_id: int
    sku: str
    cases: int
    from_at: datetime
    until_at: datetime
    life_lost_days: float | None


def rule(session: Session, site_id: int, rule_id: int) -> ExcursionRule:
    """Return a rule of the site."""
    found = session.get(ExcursionRule, rule_id)
    if found is None or found.site_id != site_id:
        raise missing("excursion rule", rule_id)
    return found


def rules(site_id: int, *, zone_id: int | None = None) -> Listing:
    """Return the statement for the site's rules, and its order."""
    statement = select(ExcursionRule).where(col(ExcursionRule.site_id) == site_id)
    if zone_id is not None:
        statement = statement.where(col(ExcursionRule.zone_id) == zone_id)
    return statement, [col(ExcursionRule.id)]


def active_rules(
    session: Session, site_id: int, *, zone_ids: Collection[int] | None = None
) -> list[ExcursionRule]:
    """Return the rules that are watched, of some rooms or all."""
    statement = select(ExcursionRule).where(
        col(ExcursionRule.site_id) == site_id, col(ExcursionRule.is_active)
    )
    if zone_ids is not None:
        statement = statement.where(col(ExcursionRule.zone_id).in_(sorted(zone_ids)))
    return list(session.scalars(statement.order_by(col(ExcursionRule.id))))


def excursion(session: Session, site_id: int, excursion_id: int, *, is_locked: bool = False) -> Excursion:
    """Return an excursion of the site; locked, nobody else changes it until this transaction ends."""
    found = session.get(
        Excursion, excursion_id, with_for_update=is_locked or None, populate_existing=is_locked
    )
    if found is None or found.site_id != site_id:
        raise missing("excursion", excursion_id)
    return found


def excursions(site_id: int, *, zone_id: int | None = None, is_open: bool | None = None) -> Listing:
    """Return the statement for the site's excursions, each with its room's code, and its order."""
    statement = (
        select(
            *Excursion.__table__.columns,  # type: ignore[attr-defined]
            col(Zone.code).label("zone_code"),
            col(ExcursionRule.name).label("rule_name"),
        )
        .join(Zone, col(Zone.id) == col(Excursion.zone_id))
        .outerjoin(ExcursionRule, col(ExcursionRule.id) == col(Excursion.rule_id))
        .where(col(Excursion.site_id) == site_id)
    )
    if zone_id is not None:
        statement = statement.where(col(Excursion.zone_id) == zone_id)
    if is_open is not None:
        ended = col(Excursion.ended_at)
        statement = statement.where(ended.is_(None) if is_open else ended.is_not(None))
    return statement, [col(Excursion.id)]


def excursion_view(session: Session, site_id: int, excursion_id: int) -> Any:
    """Return one excursion with its room's code."""
    statement, _ = excursions(site_id)
    row = session.execute(statement.where(col(Excursion.id) == excursion_id)).one_or_none()
    if row is None:
        raise missing("excursion", excursion_id)
    return row


def open_excursions(session: Session, site_id: int) -> list[Any]:
    """Return what is wrong now, the newest first, each with its room's code."""
    statement, _ = excursions(site_id, is_open=True)
    newest = statement.order_by(col(Excursion.started_at).desc(), col(Excursion.id).desc())
    return list(session.execute(newest))


def touched_total(session: Session, excursion_id: int) -> tuple[int, int]:
    """Return how many contents an excursion touched, and how many cases they are."""
    contents, cases = session.execute(
        select(func.count(), func.coalesce(func.sum(col(ExcursionContent.cases)), 0)).where(
            col(ExcursionContent.excursion_id) == excursion_id
        )
    ).one()
    return int(contents), int(cases)


def touched(session: Session, site_id: int, excursion_id: int, *, most: int | None = None) -> list[Touched]:
    """Return the stock an excursion touched, what it cost most first."""
    statement, (content_id,) = touched_contents(site_id, excursion_id)
    lost = func.coalesce(col(ExcursionContent.life_lost_days), 0.0)
    rows = session.execute(statement.order_by(lost.desc(), content_id).limit(most))
    return [Touched(*tuple(row)) for row in rows]


def touched_contents(site_id: int, excursion_id: int) -> Listing:
    """Return the statement for the stock an excursion touched, and the order it is paged in."""
    statement: Select[*tuple[Any, ...]] = (
        select(
            col(ExcursionContent.content_id),
            col(Unit.id).label("unit_id"),
            col(Unit.sscc),
            col(Unit.state).label("unit_state"),
            col(Unit.qa_state).label("unit_qa_state"),
            col(Lot.id).label("lot_id"),
            col(Lot.code).label("lot_code"),
            col(Lot.qa_state).label("lot_qa_state"),
            col(Product.id).label("product_id"),
            col(Product.sku),
            col(ExcursionContent.cases),
            col(ExcursionContent.from_at),
            col(ExcursionContent.until_at),
            col(ExcursionContent.life_lost_days),
        )
        .join(Excursion, col(Excursion.id) == col(ExcursionContent.excursion_id))
        .join(UnitContent, col(UnitContent.id) == col(ExcursionContent.content_id))
        .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .join(Product, col(Product.id) == col(Lot.product_id))
        .where(col(Excursion.site_id) == site_id, col(Excursion.id) == excursion_id)
    )
    return statement, [col(ExcursionContent.content_id)]
