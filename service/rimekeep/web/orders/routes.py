"""Orders: found, looked at with what serves them and what they lack, entered, changed, cancelled."""

from typing import Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse
from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller, Role
from rimekeep.access.queries import site_of
from rimekeep.orders import queries as orders
from rimekeep.orders.core.states import AMENDABLE, OrderState
from rimekeep.picking import queries as picking
from rimekeep.picking.full_orders import full_order, tag_of_order
from rimekeep.picking.schemas import OrderAllocationOut
from rimekeep.platform.http import Now, SessionDep
from rimekeep.platform.schemas import Id
from rimekeep.web.asked import day_of
from rimekeep.web.orders import queries
from rimekeep.web.rendering import render
from rimekeep.web.setup.queries.choices import product_choice
from rimekeep.web.setup.showing import Text, asked_for, may
from rimekeep.web.signed import SignedIn

router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
EDITORS = (Role.DISPATCHER, Role.LEAD)
# Lines of a new order on the page; more come by file.
NEW_LINES = 8


@router.get("/orders")
def list_orders(
    request: Request,
    session: SessionDep,
    caller: SignedIn,
    q: Text = "",
    after: Text = "",
    day: Text = "",
    state: Text = "",
) -> HTMLResponse:
    """List orders by their numbers: of one day, in one state, or all."""
    on, known = day_of(day), state if state in set(OrderState) else ""
    found = queries.order_page(session, caller.site_id, asked_for(q, after), on, known)
    told = {"found": found, "day": on, "state": known, "states": list(OrderState)}
    return _show(request, session, caller, "orders.html", **told)


@router.get("/orders/new")
def show_new_order(
    request: Request,
    session: SessionDep,
    now: Now,
    caller: SignedIn,
    customer: Text = "",
    product: Text = "",
) -> HTMLResponse:
    """Show the form of a new order, once its customer is named."""
    buyer = orders.customer_by_code(session, caller.site_id, customer.strip()) if customer.strip() else None
    today = now.astimezone(ZoneInfo(site_of(session, caller.site_id).time_zone)).date()
    return _show(
        request,
        session,
        caller,
        "order_new.html",
        asked=customer.strip(),
        customer=buyer,
        drops=queries.places_of(session, buyer.id) if buyer else [],
        products=product_choice(session, caller.site_id, product),
        today=today,
        lines=range(NEW_LINES),
    )


@router.get("/orders/{order_id}")
def show_order(
    order_id: Id, request: Request, session: SessionDep, now: Now, caller: SignedIn
) -> HTMLResponse:
    """Show an order: its lines, what serves each, what is short of it, why, and what would serve it."""
    order = full_order(
        session, caller.site_id, order_id, picking.order_shorts(session, now, caller.site_id, order_id)
    )
    serving: dict[int, list[OrderAllocationOut]] = {line.line_no: [] for line in order.lines}
    for one in order.allocations:
        serving.setdefault(one.line_no, []).append(one)
    return _show(
        request,
        session,
        caller,
        "order.html",
        order=order,
        etag=tag_of_order(order),
        customer=orders.customer(session, caller.site_id, order.customer_id),
        place=queries.place(session, order.drop_id),
        products=queries.products_of(session, order_id),
        serving=serving,
        is_changeable=order.state in AMENDABLE,
    )


def _show(request: Request, session: Session, caller: Caller, page: str, /, **told: Any) -> HTMLResponse:
    zone = ZoneInfo(site_of(session, caller.site_id).time_zone)
    return render(request, page, {"caller": caller, "zone": zone, "may_edit": may(caller, *EDITORS), **told})
