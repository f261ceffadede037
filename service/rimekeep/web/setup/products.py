"""Pages of products and how they age."""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from rimekeep.access.core.roles import Role
from rimekeep.platform.conditions import etag_of
from rimekeep.platform.http import SessionDep
from rimekeep.platform.schemas import Id
from rimekeep.shelflife import queries as shelflife
from rimekeep.stock import queries as stock
from rimekeep.stock import schemas
from rimekeep.stock.core.states import Footprint, Package
from rimekeep.web.setup import queries
from rimekeep.web.setup.showing import Text, asked_for, may, show
from rimekeep.web.signed import SignedIn

router = APIRouter()


@router.get("/products")
def list_products(
    request: Request, session: SessionDep, caller: SignedIn, q: Text = "", after: Text = ""
) -> HTMLResponse:
    """List the products."""
    return show(
        request,
        session,
        caller,
        "products",
        found=queries.product_page(session, caller.site_id, asked_for(q, after)),
        packages=list(Package),
        footprints=list(Footprint),
        may_edit=may(caller, Role.LEAD),
    )


@router.get("/products/{product_id}")
def show_product(product_id: Id, request: Request, session: SessionDep, caller: SignedIn) -> HTMLResponse:
    """Show a product, and how it may be changed."""
    product = stock.product(session, caller.site_id, product_id)
    return show(
        request,
        session,
        caller,
        "product",
        product=product,
        etag=etag_of(schemas.ProductOut.model_validate(product)),
        may_edit=may(caller, Role.LEAD),
    )


@router.get("/profiles")
def list_profiles(
    request: Request,
    session: SessionDep,
    caller: SignedIn,
    q: Text = "",
    after: Text = "",
    only: Text = "",
) -> HTMLResponse:
    """List the products by whether it is known how they age."""
    asked = asked_for(q, after)
    found = queries.product_page(session, caller.site_id, asked, without_profile=only == "without")
    return show(request, session, caller, "profiles", found=found, only=only)


@router.get("/profiles/{product_id}")
def show_profile(product_id: Id, request: Request, session: SessionDep, caller: SignedIn) -> HTMLResponse:
    """Show how a product ages, version by version, and add the next one."""
    product = stock.product(session, caller.site_id, product_id)
    rows = queries.profile_rows(session, caller.site_id, product_id)
    return show(
        request,
        session,
        caller,
        "profile",
        product=product,
        versions=[shelflife.profile_view(row) for row in rows],
        may_edit=may(caller, Role.QA),
    )
