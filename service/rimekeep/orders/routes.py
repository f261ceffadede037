"""Customers and orders. What was allocated to an order is told by picking."""

from typing import Annotated

from fastapi import Query

from rimekeep.access.dependencies import DispatcherDep, ReaderDep
from rimekeep.orders import queries, schemas, usecases
from rimekeep.orders.core.records import NewLine
from rimekeep.orders.core.states import OrderState
from rimekeep.platform.http import Now, SessionDep, router
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id

routes = router("", "orders")


@routes.post("/customers", status_code=201)
def register_customer(
    body: schemas.CustomerIn, session: SessionDep, now: Now, caller: DispatcherDep
) -> schemas.CustomerOut:
    """Register a customer with their rules."""
    added = usecases.register_customer(session, now, caller, **body.model_dump())
    return schemas.CustomerOut.model_validate(added)


@routes.get("/customers")
def list_customers(session: SessionDep, caller: ReaderDep, asked: PageDep) -> Page[schemas.CustomerOut]:
    """List the customers of the site."""
    return asked.show(session, queries.customers(caller.site_id), schemas.CustomerOut)


@routes.get("/customers/{customer_id}")
def show_customer(customer_id: Id, session: SessionDep, caller: ReaderDep) -> schemas.CustomerOut:
    """Show one customer."""
    return schemas.CustomerOut.model_validate(queries.customer(session, caller.site_id, customer_id))


@routes.post("/orders", status_code=201)
def place_order(
    body: schemas.OrderIn, session: SessionDep, now: Now, caller: DispatcherDep
) -> schemas.PlacedOrderOut:
    """Take an order in."""
    lines = [
        NewLine(line.line_no or place, line.product_id, line.cases, line.min_life_days)
        for place, line in enumerate(body.lines, 1)
    ]
    order = usecases.place_order(session, now, caller, **body.model_dump(exclude={"lines"}), lines=lines)
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
