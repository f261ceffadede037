"""Reads of temperatures taken at loading."""

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.errors import missing
from rimekeep.loading.tables import LoadTemperature
from rimekeep.platform.database import Listing
from rimekeep.stock.tables import Lot, Product, UnitContent


def load_temperatures(site_id: int, trip_id: int) -> Listing:
    """Return the statement for what was measured at loading a trip, and its order."""
    statement = select(LoadTemperature).where(
        col(LoadTemperature.site_id) == site_id, col(LoadTemperature.trip_id) == trip_id
    )
    return statement, [col(LoadTemperature.id)]


def load_temperature(
    session: Session, site_id: int, trip_id: int, key: int, *, is_locked: bool = False
) -> LoadTemperature:
    """Return one measurement of a trip; locked, nobody else accepts it until this transaction ends."""
    statement = select(LoadTemperature).where(
        col(LoadTemperature.site_id) == site_id,
        col(LoadTemperature.trip_id) == trip_id,
        col(LoadTemperature.id) == key,
    )
    if is_locked:
        statement = statement.with_for_update().execution_options(populate_existing=True)
    found: LoadTemperature | None = session.scalar(statement)
    if found is None:
        raise missing("temperature", key)
    return found


def newest_temperatures(session: Session, trip_id: int) -> dict[int, LoadTemperature]:
    """Return the newest measurement of each unit of a trip, by unit; a unit never measured is not in it."""
    newest = (
        select(func.max(col(LoadTemperature.id)))
        .where(col(LoadTemperature.trip_id) == trip_id)
        .group_by(col(LoadTemperature.unit_id))
    )
    rows = session.scalars(select(LoadTemperature).where(col(LoadTemperature.id).in_(newest)))
    return {row.unit_id: row for row in rows}


def carry_range_c(session: Session, unit_id: int) -> tuple[float, float]:
    """Return the range everything on a unit may be carried at; the first is higher where there is none."""
    low_c, high_c = session.execute(
        select(func.max(col(Product.carry_min_c)), func.min(col(Product.carry_max_c)))
        .join(Lot, col(Lot.product_id) == col(Product.id))
        .join(UnitContent, col(UnitContent.lot_id) == col(Lot.id))
        .where(col(UnitContent.unit_id) == unit_id, col(UnitContent.cases) > 0)
    ).one()
    return low_c, high_c
