"""Endpoints of customers, their rules for single products, and their places."""

from typing import Annotated

from fastapi import Query, Response

from rimekeep.access.dependencies import DispatcherDep, ReaderDep
from rimekeep.orders import queries, schemas, usecases
from rimekeep.orders.routes.router import routes
from rimekeep.orders.schemas.customers import (
    CustomerChangeIn,
    DropChangeIn,
    DropIn,
    DropOut,
    RuleChangeIn,
    RuleIn,
    RuleOut,
)
from rimekeep.platform.conditions import CONDITIONAL, ConditionDep, tagged
from rimekeep.platform.http import Now, SessionDep
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id, Reason

WhyDep = Annotated[Reason, Query()]


@routes.post("/customers", status_code=201)
def register_customer(
    body: schemas.CustomerIn, session: SessionDep, now: Now, caller: DispatcherDep, response: Response
) -> schemas.CustomerOut:
    """Register a customer with their rules."""
    added = usecases.register_customer(session, now, caller, **body.model_dump())
    return tagged(response, schemas.CustomerOut, added)


@routes.get("/customers")
def list_customers(session: SessionDep, caller: ReaderDep, asked: PageDep) -> Page[schemas.CustomerOut]:
    """List the customers of the site."""
    return asked.show(session, queries.customers(caller.site_id), schemas.CustomerOut)


@routes.get("/customers/{customer_id}")
def show_customer(
    customer_id: Id, session: SessionDep, caller: ReaderDep, response: Response
) -> schemas.CustomerOut:
    """Show one customer."""
    return tagged(response, schemas.CustomerOut, queries.customer(session, caller.site_id, customer_id))


@routes.patch("/customers/{customer_id}", responses=CONDITIONAL)
def change_customer(
    customer_id: Id,
    body: CustomerChangeIn,
    session: SessionDep,
    now: Now,
    caller: DispatcherDep,
    condition: ConditionDep,
    response: Response,
) -> schemas.CustomerOut:
    """Change a customer or their rules; reserved stock too old by those is served anew within seconds."""
    found = queries.customer(session, caller.site_id, customer_id, is_locked=True)
    condition.require(schemas.CustomerOut, found)
    usecases.change(session, now, caller, found, **body.model_dump(exclude_unset=True))
    return tagged(response, schemas.CustomerOut, found)


@routes.delete("/customers/{customer_id}", status_code=204, responses=CONDITIONAL)
def remove_customer(
    customer_id: Id,
    session: SessionDep,
    now: Now,
    caller: DispatcherDep,
    condition: ConditionDep,
    reason: WhyDep,
) -> None:
    """Remove a customer no order was ever placed for, with their rules, places and forecasts."""
    found = queries.customer(session, caller.site_id, customer_id, is_locked=True)
    condition.require(schemas.CustomerOut, found)
    usecases.remove(session, now, caller, found, reason=reason)


@routes.post("/customers/{customer_id}/rules", status_code=201)
def add_rule(
    customer_id: Id, body: RuleIn, session: SessionDep, now: Now, caller: DispatcherDep, response: Response
) -> RuleOut:
    """Say what the customer wants of one product in particular."""
    added = usecases.add_rule(session, now, caller, customer_id=customer_id, **body.model_dump())
    return tagged(response, RuleOut, added)


@routes.get("/customers/{customer_id}/rules")
def list_rules(customer_id: Id, session: SessionDep, caller: ReaderDep, asked: PageDep) -> Page[RuleOut]:
    """List what the customer wants of single products."""
    return asked.show(session, queries.customer_rules(session, caller.site_id, customer_id), RuleOut)


@routes.get("/customer-rules/{customer_rule_id}")
def show_rule(customer_rule_id: Id, session: SessionDep, caller: ReaderDep, response: Response) -> RuleOut:
    """Show what a customer wants of one product."""
    return tagged(response, RuleOut, queries.customer_rule(session, caller.site_id, customer_rule_id))


@routes.patch("/customer-rules/{customer_rule_id}", responses=CONDITIONAL)
def change_rule(
    customer_rule_id: Id,
    body: RuleChangeIn,
    session: SessionDep,
    now: Now,
    caller: DispatcherDep,
    condition: ConditionDep,
    response: Response,
) -> RuleOut:
    """Change what a customer wants of one product; reserved stock too old for that is served anew."""
    found = queries.customer_rule(session, caller.site_id, customer_rule_id, is_locked=True)
    condition.require(RuleOut, found)
    usecases.change(session, now, caller, found, **body.model_dump(exclude_unset=True))
    return tagged(response, RuleOut, found)


@routes.delete("/customer-rules/{customer_rule_id}", status_code=204, responses=CONDITIONAL)
def remove_rule(
    customer_rule_id: Id,
    session: SessionDep,
    now: Now,
    caller: DispatcherDep,
    condition: ConditionDep,
    reason: WhyDep,
) -> None:
    """Remove a rule: of this product too the customer then wants what they want of all."""
    found = queries.customer_rule(session, caller.site_id, customer_rule_id, is_locked=True)
    condition.require(RuleOut, found)
    usecases.remove(session, now, caller, found, reason=reason)


@routes.post("/customers/{customer_id}/drops", status_code=201)
def add_drop(
    customer_id: Id, body: DropIn, session: SessionDep, now: Now, caller: DispatcherDep, response: Response
) -> DropOut:
    """Add a place the customer is delivered to."""
    added = usecases.add_drop(session, now, caller, customer_id=customer_id, **body.model_dump())
    return tagged(response, DropOut, added)


@routes.get("/customers/{customer_id}/drops")
def list_drops(customer_id: Id, session: SessionDep, caller: ReaderDep, asked: PageDep) -> Page[DropOut]:
    """List the places the customer is delivered to."""
    return asked.show(session, queries.drops_of(session, caller.site_id, customer_id), DropOut)


@routes.get("/drops/{drop_id}")
def show_drop(drop_id: Id, session: SessionDep, caller: ReaderDep, response: Response) -> DropOut:
    """Show a place."""
    return tagged(response, DropOut, queries.drop(session, caller.site_id, drop_id))


@routes.patch("/drops/{drop_id}", responses=CONDITIONAL)
def change_drop(
    drop_id: Id,
    body: DropChangeIn,
    session: SessionDep,
    now: Now,
    caller: DispatcherDep,
    condition: ConditionDep,
    response: Response,
) -> DropOut:
    """Change a place."""
    found = queries.drop(session, caller.site_id, drop_id, is_locked=True)
    condition.require(DropOut, found)
    usecases.change(session, now, caller, found, **body.model_dump(exclude_unset=True))
    return tagged(response, DropOut, found)


@routes.delete("/drops/{drop_id}", status_code=204, responses=CONDITIONAL)
def remove_drop(
    drop_id: Id,
    session: SessionDep,
    now: Now,
    caller: DispatcherDep,
    condition: ConditionDep,
    reason: WhyDep,
) -> None:
    """Remove a place no order ever went to."""
    found = queries.drop(session, caller.site_id, drop_id, is_locked=True)
    condition.require(DropOut, found)
    usecases.remove(session, now, caller, found, reason=reason)
