"""The first run: from an empty database to the first pick list, step by step."""

from collections.abc import Mapping
from dataclasses import dataclass

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from rimekeep.access.core.roles import Role
from rimekeep.access.queries import site_of
from rimekeep.imports.routes import ROLES
from rimekeep.platform.http import SessionDep
from rimekeep.web.rendering import render
from rimekeep.web.setup.access import is_one_of
from rimekeep.web.setup.queries.steps import first_steps
from rimekeep.web.signed import SignedIn

router = APIRouter(prefix="/setup/start", include_in_schema=False, default_response_class=HTMLResponse)


def _(text: str) -> str:
    """Mark a text for the catalogues; it is translated where it is shown."""
    return text


@dataclass(frozen=True, slots=True)
class Step:
    """A step: what is to be there, what of `queries.steps.FirstSteps` says so, and what does it."""

    name: str
    about: str
    is_there: str
    kind: str | None = None
    form: str | None = None


STEPS = (
    Step(_("Rooms"), _("Where beer stands, and how cold each is meant to be."), "zones", "zones", "zones"),
    Step(_("Bays"), _("Places in the rooms, with the check code on each label."), "bays", "bays", "zones"),
    Step(_("Products"), _("Cases, pallets and masses."), "products", "products", "products"),
    Step(_("Lots"), _("What was packaged when, and its best before."), "lots", "lots"),
    Step(_("Stock"), _("Pallets and kegs that stand in the store, by their SSCC."), "units", "units"),
    Step(_("QA's word"), _("Only what QA has released is picked."), "released"),
    Step(
        _("Customers"),
        _("How fresh they want it, and whom to call."),
        "customers",
        "customers",
        "customers",
    ),
    Step(_("Orders"), _("A row for each line of an order."), "orders", "orders"),
    Step(
        _("Stock for the orders"),
        _("First out goes what ends first, within each customer's rules."),
        "served",
    ),
    Step(_("The first pick list"), _("The walk for one picker, bay by bay."), "lists"),
)


def next_of(there: Mapping[str, bool]) -> Step | None:
    """
    Return the first step that is not done, or None.

    Examples
    --------
    >>> next_of({"zones": True, "bays": False}).kind
    'bays'
    """
    return next((step for step in STEPS if not there[step.is_there]), None)


@router.get("")
def show_steps(request: Request, session: SessionDep, caller: SignedIn) -> HTMLResponse:
    """Show what is done and what comes next."""
    found = first_steps(session, caller.site_id)
    context = {
        "caller": caller,
        "site": site_of(session, caller.site_id),
        "steps": STEPS,
        "found": found,
        "next": next_of(found.there),
        "may_import": {kind for kind, roles in ROLES.items() if is_one_of(caller, roles)},
        "may_release": is_one_of(caller, [Role.QA]),
        "may_serve": is_one_of(caller, [Role.DISPATCHER, Role.LEAD]),
    }
    return render(request, "setup/start.html", context)
