"""Files read in: what each holds, a sample to fill in, a look at what would be stored before anything is."""

from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse

from rimekeep.access.core.roles import Role
from rimekeep.access.queries import site_of
from rimekeep.errors import missing
from rimekeep.imports.routes import ROLES
from rimekeep.imports.usecases import KINDS
from rimekeep.platform.csvfile import Column
from rimekeep.platform.http import Now, SessionDep
from rimekeep.web.rendering import render
from rimekeep.web.setup.access import is_one_of, not_yours
from rimekeep.web.setup.samples import sample
from rimekeep.web.signed import SignedIn

router = APIRouter(prefix="/setup/imports", include_in_schema=False, default_response_class=HTMLResponse)


def _(text: str) -> str:
    """Mark a text for the catalogues; it is translated where it is shown."""
    return text


# In the order in which an empty store is filled.
KIND_WORDS = {
    "zones": (_("Zones"), _("Rooms and how cold they are meant to be.")),
    "bays": (_("Bays"), _("Places in the rooms, with the check code on each label.")),
    "products": (_("Products"), _("Cases, pallets and masses.")),
    "lots": (_("Lots"), _("What was packaged when, and its best before.")),
    "units": (_("Stock"), _("Pallets and kegs that stand in the store: a row for each lot on a pallet.")),
    "customers": (_("Customers"), _("How fresh they want it, and whom to call.")),
    "customer-rules": (_("Rules by product"), _("Where a customer wants one product otherwise.")),
    "drops": (_("Delivery places"), _("Where customers take it in, and when.")),
    "orders": (_("Orders"), _("A row for each line of an order.")),
    "forecast": (_("Forecast"), _("What is expected to be ordered.")),
    "vehicles": (_("Vehicles"), _("Axles, limits and deck, as on the plate.")),
    "sensors": (_("Sensors"), _("Loggers and the rooms they hang in.")),
    "readings": (_("Readings"), _("Air temperatures from loggers.")),
    "forced-ageing": (_("Forced ageing"), _("Scores of trials, for calibrating profiles.")),
}
# What a cell of a column holds, by what reads it.
CELL_WORDS = {
    "code": _("code: letters, digits and . _ / -"),
    "name": _("text"),
    "text": _("text"),
    "whole": _("whole number"),
    "count": _("whole number"),
    "cases": _("whole number"),
    "days": _("whole number"),
    "positive": _("whole number"),
    "priority": _("whole number"),
    "slot_numbers": _("whole numbers, parted by blanks"),
    "decimal": _("number"),
    "fraction": _("share from 0 to 1"),
    "day": _("day, as 2026-09-30"),
    "instant": _("moment with its offset, as 2026-03-01T06:00:00Z"),
    "clock": _("time of day, as 06:30"),
    "yes_no": _("yes or no"),
    "_celsius": _("number, °C"),
}
OTHER_CELL = _("as in the sample")


def cell_words(column: Column) -> str:
    """Return what a cell of a column holds."""
    return CELL_WORDS.get(getattr(column.read, "__name__", ""), OTHER_CELL)


@router.get("")
def show_kinds(request: Request, caller: SignedIn) -> HTMLResponse:
    """Show what kinds of file there are."""
    kinds = {kind: words for kind, words in KIND_WORDS.items() if is_one_of(caller, ROLES[kind])}
    return render(request, "setup/imports.html", {"caller": caller, "kinds": kinds})


@router.get("/{kind}")
def show_kind(kind: str, request: Request, caller: SignedIn) -> HTMLResponse:
    """Show one kind of file, and take one in."""
    if kind not in KIND_WORDS:
        raise missing("kind of file", kind)
    if not is_one_of(caller, ROLES[kind]):
        return not_yours(request, caller, ROLES[kind])
    name, about = KIND_WORDS[kind]
    context = {
        "caller": caller,
        "kind": kind,
        "name": name,
        "about": about,
        "columns": [(one, cell_words(one)) for one in KINDS[kind].columns],
        "may_amend": KINDS[kind].amending is not None,
        "has_lots": kind == "lots" and is_one_of(caller, [Role.QA]),
        "most_bytes": request.app.state.settings.max_body_bytes,
    }
    return render(request, "setup/import.html", context)


@router.get("/{kind}/sample.csv")
def download_sample(kind: str, session: SessionDep, now: Now, caller: SignedIn) -> Response:
    """Return a sample of a kind of file, with days as of today."""
    if kind not in KIND_WORDS:
        raise missing("kind of file", kind)
    today = now.astimezone(ZoneInfo(site_of(session, caller.site_id).time_zone)).date()
    headers = {"Content-Disposition": f'attachment; filename="{kind}.csv"'}
    return Response(sample(kind, today), media_type="text/csv; charset=utf-8", headers=headers)
