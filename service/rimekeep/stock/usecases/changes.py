"""Tell those who reckon the life of stock which units to look at again."""

from collections.abc import Collection

from sqlalchemy import delete, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.platform.database import parts
from rimekeep.platform.straight import Rows, ask
from rimekeep.stock.core.states import UnitState
from rimekeep.stock.tables import Lot, Unit, UnitChange, UnitContent

_ADD = Rows(UnitChange.__table__, ("site_id", "unit_id"))  # type: ignore[attr-defined]


def note_changed(session: Session, site_id: int, unit_ids: Collection[int]) -> None:
    """Note that stays, contents or dates of units changed, in the transaction that changes them."""
    rows = [(site_id, unit_id) for unit_id in sorted(set(unit_ids))]
    if rows:
        ask(session, _ADD, rows)


def note_lot_changed(session: Session, site_id: int, *, lot_id: int) -> None:
    """Note that a lot's date or oxygen changed: all units that hold some of it are looked at again."""
    _note_units_of(session, site_id, lot_id=lot_id)


def note_product_changed(session: Session, site_id: int, *, product_id: int) -> None:
    """Note that the way a product ages changed: all units that hold some of it are looked at again."""
    _note_units_of(session, site_id, product_id=product_id)


def _note_units_of(
    session: Session, site_id: int, *, lot_id: int | None = None, product_id: int | None = None
) -> None:
    statement = (
        select(col(UnitContent.unit_id))
        .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .where(col(UnitContent.site_id) == site_id, col(Unit.state) != UnitState.EMPTY)
    )
    if lot_id is not None:
        statement = statement.where(col(Lot.id) == lot_id)
    if product_id is not None:
        statement = statement.where(col(Lot.product_id) == product_id)
    note_changed(session, site_id, set(session.scalars(statement)))


def forget_changes(session: Session, change_ids: Collection[int]) -> None:
    """Take away changes that have been worked through."""
    for some in parts(change_ids):
        session.execute(
            delete(UnitChange)
            .where(col(UnitChange.id).in_(some))
            .execution_options(synchronize_session=False)
        )
