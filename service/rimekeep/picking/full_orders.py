"""An order as it is shown: its lines, what serves them, what is short of them."""

from collections.abc import Mapping

from sqlalchemy.orm import Session

from rimekeep.orders import queries as orders
from rimekeep.orders.schemas import LineOut, OrderOut
from rimekeep.picking import queries, schemas
from rimekeep.picking.core.records import ShortCases
from rimekeep.platform.conditions import etag_of


def full_order(
    session: Session, site_id: int, order_id: int, short: Mapping[int, ShortCases] | None = None
) -> schemas.FullOrderOut:
    """Return an order of the site with its lines, and what is ``short`` of them, by line."""
    order = orders.order(session, site_id, order_id)
    serving = queries.order_allocations(session, site_id, [order_id], states=queries.HOLDING)
    lines = [
        schemas.FullLineOut(
            **LineOut.model_validate(line).model_dump(),
            short=schemas.ShortOut.model_validate(short[line.id]) if short and line.id in short else None,
        )
        for line in orders.lines_of(session, order_id)
        if line.cases
    ]
    return schemas.FullOrderOut(
        **OrderOut.model_validate(order).model_dump(),
        lines=lines,
        allocations=[schemas.OrderAllocationOut.model_validate(one) for one in serving],
    )


def tag_of_order(shown: schemas.FullOrderOut) -> str:
    """Return the tag of what a change is thought up for: everything but the advice on what is short."""
    lines = [line.model_copy(update={"short": None}) for line in shown.lines]
    return etag_of(shown.model_copy(update={"lines": lines}))
