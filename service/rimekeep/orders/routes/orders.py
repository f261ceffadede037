"""Endpoints of orders. What was allocated to an order is told by picking."""

from typing import Annotated

from fastapi import Query

from rimekeep.access.dependencies import DispatcherDep, ReaderDep
from rimekeep.orders import queries, schemas, usecases
from rimekeep.orders.core.records import NewLine, NewOrder
from rimekeep.orders.core.states import OrderState
from rimekeep.orders.routes.router import routes
from rimekeep.platform.http import Now, SessionDep
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id


@routes.post("/orders", status_code=201)
def place_order(
    body: schemas.OrderIn, session: SessionDep, now: Now, caller: DispatcherDep
) -> schemas.PlacedOrderOut:
    """Take an order in."""
    order = usecases.take_order(session, now, caller, new_order(body))
    placed = schemas.OrderOut.model_validate(order)
    stored = [schemas.LineOut.model_validate(line) for line in queries.lines_of(session, order.id)]
    return schemas.PlacedOrderOut(**placed.model_dump(), lines=stored)


@routes.get("/orders")
def list_orders(
    session: SessionDep,
    caller: ReaderDep,
    asked: PageDep,
    ship_on: Annotated[schemas.Day | None, Query(description="Only those that ship on this day.")] = None,
    state: Annotated[OrderState | None, Query(description="Only those in this state.")] = None,
    customer_id: Annotated[Id | None, Query(description="Only those of this customer.")] = None,
) -> Page[schemas.OrderOut]:
    """List orders, first placed first."""
    found = queries.orders(caller.site_id, ship_on=ship_on, state=state, customer_id=customer_id)
    return asked.show(session, found, schemas.OrderOut)


def new_order(body: schemas.OrderIn) -> NewOrder:
    """Return an order as it was sent."""
    lines = [
        NewLine(
            line.line_no or place, line.product_id, line.cases, line.min_life_days, line.min_life_fraction
        )
        for place, line in enumerate(body.lines, 1)
    ]
    return NewOrder(**body.model_dump(exclude={"lines"}), lines=lines)
