"""Units and what is on them."""

from collections import defaultdict
from collections.abc import Collection, Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.errors import missing
from rimekeep.platform.database import Listing, parts
from rimekeep.stock.core.records import ContentView, UnitView
from rimekeep.stock.core.states import UnitState
from rimekeep.stock.tables import Bay, Lot, Product, Unit, UnitContent, Zone

# Keys in one statement: well below what either database takes as bound values.


def unit(session: Session, site_id: int, unit_id: int) -> Unit:
    """Return a unit of the site."""
    found = session.get(Unit, unit_id)
    if found is None or found.site_id != site_id:
        raise missing("unit", unit_id)
    return found


def unit_by_sscc(session: Session, site_id: int, sscc: str) -> Unit:
    """Return the unit with this SSCC."""
    found = session.scalar(select(Unit).where(col(Unit.site_id) == site_id, col(Unit.sscc) == sscc))
    if found is None:
        raise missing("unit", sscc)
    return found


def content(session: Session, site_id: int, content_id: int) -> UnitContent:
    """Return the cases of one lot on one unit of the site."""
    found = session.get(UnitContent, content_id)
    if found is None or found.site_id != site_id:
        raise missing("content", content_id)
    return found


def units(
    site_id: int, *, zone_id: int | None = None, product_id: int | None = None, state: str | None = None
) -> Listing:
    """Return the statement for the site's units, and its order."""
    statement = select(Unit).where(col(Unit.site_id) == site_id)
    if zone_id is not None:
        statement = statement.where(col(Unit.zone_id) == zone_id)
    if state is not None:
        statement = statement.where(col(Unit.state) == state)
    if product_id is not None:
        holding = (
            select(col(UnitContent.unit_id))
            .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
            .where(col(Lot.product_id) == product_id, col(Lot.site_id) == site_id, col(UnitContent.cases) > 0)
        )
        statement = statement.where(col(Unit.id).in_(holding))
    return statement, [col(Unit.id)]


def contents(
    session: Session,
    site_id: int,
    *,
    unit_ids: Collection[int] | None = None,
    content_ids: Collection[int] | None = None,
    states: Collection[str] = tuple(UnitState),
) -> list[ContentView]:
    """Return the contents of the given units, or the given contents, or all; only where cases are left."""
    statement = (
        select(
            col(UnitContent.id),
            col(UnitContent.unit_id),
            col(UnitContent.lot_id),
            col(Lot.code),
            col(Lot.qa_state),
            col(Lot.best_before_on),
            col(Product.id),
            col(Product.sku),
            col(Product.name),
            col(UnitContent.cases),
            col(UnitContent.reserved_cases),
        )
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .join(Product, col(Product.id) == col(Lot.product_id))
        .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
        .where(col(UnitContent.site_id) == site_id, col(UnitContent.cases) > 0, col(Unit.state).in_(states))
        .order_by(col(UnitContent.id))
    )
    if unit_ids is None and content_ids is None:
        return [ContentView(*row) for row in session.execute(statement)]
    column = col(UnitContent.id) if unit_ids is None else col(UnitContent.unit_id)
    found: list[ContentView] = []
    for some in parts(content_ids if unit_ids is None else unit_ids):
        found += [ContentView(*row) for row in session.execute(statement.where(column.in_(some)))]
    return found


def unit_view(session: Session, shown: Unit) -> UnitView:
    """Return one unit as people see it."""
    return unit_views(session, shown.site_id, [shown])[0]


def unit_views(session: Session, site_id: int, shown: Sequence[Unit]) -> list[UnitView]:
    """Return units as people see them, in the same order."""
    on_unit: dict[int, list[ContentView]] = defaultdict(list)
    for found in contents(session, site_id, unit_ids=[row.id for row in shown]):
        on_unit[found.unit_id].append(found)
    zone_codes = _codes(session, Zone, {row.zone_id for row in shown})
    bay_codes = _codes(session, Bay, {row.bay_id for row in shown if row.bay_id is not None})
    return [
        UnitView(
            id=row.id,
            sscc=row.sscc,
            state=row.state,
            qa_state=row.qa_state,
            qa_reason=row.qa_reason,
            is_opened=row.is_opened,
            received_at=row.received_at,
            start_core_c=row.start_core_c,
            zone_id=row.zone_id,
            zone_code=zone_codes[row.zone_id],
            bay_id=row.bay_id,
            bay_code=None if row.bay_id is None else bay_codes[row.bay_id],
            contents=tuple(on_unit[row.id]),
        )
        for row in shown
    ]


def _codes(session: Session, table: type[Zone] | type[Bay], ids: Collection[int]) -> dict[int, str]:
    found: dict[int, str] = {}
    for some in parts(ids):
        rows = session.execute(select(col(table.id), col(table.code)).where(col(table.id).in_(some)))
        found |= {row[0]: row[1] for row in rows}
    return found
