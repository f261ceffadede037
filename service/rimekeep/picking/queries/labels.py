"""What units carry and whom they are for, as their labels say it: built ones and those still planned."""

from collections import defaultdict
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Select, or_, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.queries import site_of
from rimekeep.errors import missing
from rimekeep.orders.tables import Customer, OrderLine, SalesOrder
from rimekeep.picking.core.labels import Content, LogisticLabel
from rimekeep.picking.core.states import AllocationState, Handling, PickState
from rimekeep.picking.tables import Allocated, Pick, PlannedUnit
from rimekeep.stock.tables import Lot, Product, Unit, UnitContent


def label_of(session: Session, site_id: int, sscc: str) -> LogisticLabel:
    """Return the label of a unit of the site, or of one that is planned on a list."""
    found = _labels(session, site_id, [sscc])
    if sscc not in found:
        raise missing("unit", sscc)
    return found[sscc]


def list_labels(session: Session, site_id: int, list_id: int) -> list[LogisticLabel]:
    """Return the labels of every unit a list brings to the dock: those to be built, then the others."""
    built = session.scalars(
        select(col(PlannedUnit.sscc))
        .where(col(PlannedUnit.site_id) == site_id, col(PlannedUnit.list_id) == list_id)
        .order_by(col(PlannedUnit.number))
    ).all()
    whole = session.scalars(
        select(col(Unit.sscc))
        .join(UnitContent, col(UnitContent.unit_id) == col(Unit.id))
        .join(Allocated, col(Allocated.content_id) == col(UnitContent.id))
        .join(Pick, col(Pick.allocation_id) == col(Allocated.id))
        .where(col(Pick.site_id) == site_id, col(Pick.list_id) == list_id)
        .where(col(Allocated.how) == Handling.PALLET)
        .order_by(col(Pick.stop))
    ).all()
    ssccs = list(dict.fromkeys([*built, *whole]))
    found = _labels(session, site_id, ssccs)
    return [found[sscc] for sscc in ssccs if sscc in found]


def _labels(session: Session, site_id: int, ssccs: Sequence[str]) -> dict[str, LogisticLabel]:
    """Return the labels of units with anything on them, or planned onto them."""
    sender = site_of(session, site_id).name
    contents: dict[str, dict[tuple[str, str], list[Any]]] = defaultdict(dict)
    whose: dict[str, set[tuple[str, str, str]]] = defaultdict(set)
    tare_kg: dict[str, float] = defaultdict(float)
    waiting: set[str] = set()
    for row in session.execute(_on_units(site_id, ssccs)):
        _add(row, contents, whose, tare_kg)
    for row in session.execute(_planned(site_id, ssccs)):
        waiting.add(row[0])
        _add(row, contents, whose, tare_kg)
    labels = {}
    for sscc, lots in contents.items():
        order = next(iter(whose[sscc])) if len(whose[sscc]) == 1 else (None, None, "")
        labels[sscc] = LogisticLabel(
            sscc,
            tuple(Content(*facts) for _, facts in sorted(lots.items())),
            sender,
            tare_kg[sscc],
            is_complete=sscc not in waiting,
            order_code=order[0],
            customer_name=order[1],
            customer_address=order[2],
        )
    return labels


def _add(
    row: Any,
    contents: dict[str, dict[tuple[str, str], list[Any]]],
    whose: dict[str, set[tuple[str, str, str]]],
    tare_kg: dict[str, float],
) -> None:
    """Add the cases of one row of the statements below."""
    sscc, sku, name, gtin, lot, best_before_on, cases, case_kg, tare, code, customer, address = row
    known = contents[sscc].setdefault((sku, lot), [sku, name, gtin, lot, best_before_on, 0, 0.0])
    known[5] += cases
    known[6] += cases * case_kg
    tare_kg[sscc] = max(tare_kg[sscc], tare)
    if code is not None:
        whose[sscc].add((code, customer, address))


def _goods() -> tuple[Any, ...]:
    return (
        col(Product.sku),
        col(Product.name),
        col(Product.gtin),
        col(Lot.code),
        col(Lot.best_before_on),
    )


def _on_units(site_id: int, ssccs: Sequence[str]) -> Select[*tuple[Any, ...]]:
    """Return the statement for what is on units now; picked cases name their order."""
    return (
        select(
            col(Unit.sscc),
            *_goods(),
            col(UnitContent.cases),
            col(Product.case_mass_kg),
            col(Product.pallet_tare_kg),
            col(SalesOrder.code),
            col(Customer.name),
            col(Customer.address),
        )
        .join(UnitContent, col(UnitContent.unit_id) == col(Unit.id))
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .join(Product, col(Product.id) == col(Lot.product_id))
        .outerjoin(
            Allocated,
            (col(Allocated.content_id) == col(UnitContent.id))
            & or_(
                col(Allocated.state) == AllocationState.PICKED,
                (col(Allocated.state) == AllocationState.RESERVED) & (col(Allocated.how) == Handling.PALLET),
            ),
        )
        .outerjoin(OrderLine, col(OrderLine.id) == col(Allocated.line_id))
        .outerjoin(SalesOrder, col(SalesOrder.id) == col(OrderLine.order_id))
        .outerjoin(Customer, col(Customer.id) == col(SalesOrder.customer_id))
        .where(col(Unit.site_id) == site_id, col(Unit.sscc).in_(ssccs), col(UnitContent.cases) > 0)
        .order_by(col(UnitContent.id))
    )


def _planned(site_id: int, ssccs: Sequence[str]) -> Select[*tuple[Any, ...]]:
    """Return the statement for what is still to be picked onto planned units."""
    return (
        select(
            col(PlannedUnit.sscc),
            *_goods(),
            col(Allocated.cases),
            col(Product.case_mass_kg),
            col(Product.pallet_tare_kg),
            col(SalesOrder.code),
            col(Customer.name),
            col(Customer.address),
        )
        .join(Pick, col(Pick.planned_unit_id) == col(PlannedUnit.id))
        .join(Allocated, col(Allocated.id) == col(Pick.allocation_id))
        .join(UnitContent, col(UnitContent.id) == col(Allocated.content_id))
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .join(Product, col(Product.id) == col(Lot.product_id))
        .join(SalesOrder, col(SalesOrder.id) == col(PlannedUnit.order_id))
        .join(Customer, col(Customer.id) == col(SalesOrder.customer_id))
        .where(col(PlannedUnit.site_id) == site_id, col(PlannedUnit.sscc).in_(ssccs))
        .where(col(Pick.state) == PickState.OPEN)
        .order_by(col(Pick.id))
    )
