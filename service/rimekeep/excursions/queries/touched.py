"""The stock an excursion touched, and what it cost."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from rimekeep.excursions.tables import Excursion, ExcursionContent
from rimekeep.platform.columns import UtcDateTime
from rimekeep.platform.database import Listing
from rimekeep.shelflife.tables import Life
from rimekeep.stock.tables import Lot, Product, Stay, Unit, UnitContent


@dataclass(frozen=True, slots=True)
class Touched:
    """
    Cases that were in the room meanwhile, and what it cost them.

    ``expires_at`` and ``cautious_at`` are as last refreshed, None before the first time.
    """

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
    expires_at: datetime | None
    cautious_at: datetime | None


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
    # Cases picked since the last refresh have the dates of the pallet they came from.
    own, parent = aliased(Life), aliased(Life)
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
            func.coalesce(col(own.expires_at), col(parent.expires_at), type_=UtcDateTime).label("expires_at"),
            func.coalesce(col(own.cautious_at), col(parent.cautious_at), type_=UtcDateTime).label(
                "cautious_at"
            ),
        )
        .join(Excursion, col(Excursion.id) == col(ExcursionContent.excursion_id))
        .join(UnitContent, col(UnitContent.id) == col(ExcursionContent.content_id))
        .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .join(Product, col(Product.id) == col(Lot.product_id))
        .outerjoin(own, col(own.content_id) == col(UnitContent.id))
        .outerjoin(parent, col(parent.content_id) == col(UnitContent.parent_id))
        .where(col(Excursion.site_id) == site_id, col(Excursion.id) == excursion_id)
    )
    return statement, [col(ExcursionContent.content_id)]


def presence_mark(session: Session, row: Excursion, now: datetime) -> str:
    """Return a mark that changes when stock comes to, leaves or is picked in a room that fails."""
    figures = session.execute(
        select(
            func.count(),
            func.count(col(Stay.left_at)),
            func.max(col(Stay.id)),
            func.max(col(UnitContent.id)),
            func.sum(col(UnitContent.cases)),
        )
        .join(UnitContent, col(UnitContent.unit_id) == col(Stay.unit_id))
        .where(col(Stay.site_id) == row.site_id, col(Stay.zone_id) == row.zone_id)
        .where(col(Stay.entered_at) < now)
        .where(col(Stay.left_at).is_(None) | (col(Stay.left_at) > row.started_at))
    ).one()
    return "-".join(str(figure or 0) for figure in figures)
