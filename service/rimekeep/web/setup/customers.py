"""Pages of customers."""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from rimekeep.access.core.roles import Role
from rimekeep.orders import queries as orders
from rimekeep.orders import schemas
from rimekeep.orders.schemas.customers import DropOut, RuleOut
from rimekeep.platform.conditions import etag_of
from rimekeep.platform.http import SessionDep
from rimekeep.platform.schemas import Id
from rimekeep.web.setup import queries
from rimekeep.web.setup.queries.choices import product_choice
from rimekeep.web.setup.showing import Text, asked_for, may, show
from rimekeep.web.signed import SignedIn

router = APIRouter()
EDITORS = (Role.DISPATCHER, Role.LEAD)


@router.get("/customers")
def list_customers(
    request: Request, session: SessionDep, caller: SignedIn, q: Text = "", after: Text = ""
) -> HTMLResponse:
    """List the customers."""
    found = queries.customer_page(session, caller.site_id, asked_for(q, after))
    return show(request, session, caller, "customers", found=found, may_edit=may(caller, *EDITORS))


@router.get("/customers/{customer_id}")
def show_customer(
    customer_id: Id, request: Request, session: SessionDep, caller: SignedIn, product: Text = ""
) -> HTMLResponse:
    """Show a customer: how fresh they want it, where they take it in, whom to call."""
    customer = orders.customer(session, caller.site_id, customer_id)
    may_edit = may(caller, *EDITORS)
    return show(
        request,
        session,
        caller,
        "customer",
        customer=customer,
        etag=etag_of(schemas.CustomerOut.model_validate(customer)),
        rules=[
            (rule, name, etag_of(RuleOut.model_validate(rule)))
            for rule, name in queries.rules_of(session, customer_id)
        ],
        drops=[
            (drop, etag_of(DropOut.model_validate(drop))) for drop in queries.drops_of(session, customer_id)
        ],
        products=product_choice(session, caller.site_id, product) if may_edit else None,
        may_edit=may_edit,
    )
