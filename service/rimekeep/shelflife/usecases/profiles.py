"""Say how a product ages."""

import math
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.climate.core.readings import PLAUSIBLE_C
from rimekeep.errors import Fault, Invalid, invalid
from rimekeep.platform.journal import Event, record
from rimekeep.shelflife.core.routes import FORMS, AnyRoute, route_from
from rimekeep.shelflife.core.thermal import check_tau, freezing_point_c
from rimekeep.shelflife.queries.life import BEST_BEFORE
from rimekeep.shelflife.tables import AgeingProfile
from rimekeep.stock import queries as stock
from rimekeep.stock import usecases as stock_usecases
from rimekeep.wording import say

# Where neither extract nor alcohol is known: a little below most beers' freezing point (common practice, no
# source).
UNKNOWN_FREEZING_C = -2.0
MAX_ROUTES = 8
MAX_TAU_H = 1_000.0
MAX_FREEZING_MINUTES = 10_080
MAX_OXYGEN_EXPONENT = 5.0
MAX_OXYGEN_PPB = 100_000.0
# A request calls the standard deviation of each form's own parameter by one name.
SPREADS = {form.spread_field for form in FORMS.values()}


def add_profile(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    product_id: int,
    tau_h: float,
    planned_c: float,
    routes: Sequence[Mapping[str, Any]],
    reason: str,
    freezing_minutes: int = 60,
    oxygen_ref_ppb: float | None = None,
    oxygen_exponent: float = 0.0,
    calibration_id: int | None = None,
) -> AgeingProfile:
    """
    Add a version of how a product ages; versions before it stay as they are.

    Packs that were aged by an older version keep it until somebody asks for the newest one. Each route names
    the source of its figures, be it "from memory" or "common practice, no source".
    """
    product = stock.product(session, caller.site_id, product_id)
    _check(tau_h, planned_c, freezing_minutes)
    _check_oxygen(oxygen_ref_ppb, oxygen_exponent)
    stored_routes = _routes(routes)
    freezing_c = UNKNOWN_FREEZING_C
    if product.original_extract_p is not None and product.alcohol_mass_pct is not None:
        freezing_c = freezing_point_c(product.original_extract_p, product.alcohol_mass_pct)
    newest = session.scalar(
        select(func.max(col(AgeingProfile.version))).where(
            col(AgeingProfile.site_id) == caller.site_id, col(AgeingProfile.product_id) == product.id
        )
    )
    added = AgeingProfile(
        site_id=caller.site_id,
        product_id=product.id,
        version=(newest or 0) + 1,
        tau_h=tau_h,
        planned_c=planned_c,
        freezing_c=freezing_c,
        freezing_minutes=freezing_minutes,
        routes=stored_routes,
        oxygen_ref_ppb=oxygen_ref_ppb,
        oxygen_exponent=oxygen_exponent,
        calibration_id=calibration_id,
        reason=reason,
        author_id=caller.id,
        created_at=now,
    )
    session.add(added)
    session.flush()
    if added.version == 1:
        # Only the label counted for what is here so far.
        stock_usecases.note_product_changed(session, caller.site_id, product_id=product.id)
    data = {
        "id": added.id,
        "sku": product.sku,
        "version": added.version,
        "tau_h": tau_h,
        "planned_c": planned_c,
        "freezing_c": freezing_c,
        "freezing_minutes": freezing_minutes,
        "routes": stored_routes,
        "oxygen_ref_ppb": oxygen_ref_ppb,
        "oxygen_exponent": oxygen_exponent,
        "calibration_id": calibration_id,
    }
    record(
        session,
        caller.site_id,
        Event("profile.added", now, actor_id=caller.id, reason=reason, data=data),
    )
    return added


def _check(tau_h: float, planned_c: float, freezing_minutes: int) -> None:
    check_tau(tau_h)
    if tau_h > MAX_TAU_H:
        raise invalid(
            "tau_h",
            say("{tau_h} h is more than {MAX_TAU_H:g}.", tau_h=tau_h, MAX_TAU_H=MAX_TAU_H),
            say("Give hours; a pallet takes 5 to 50."),
        )
    low_c, high_c = PLAUSIBLE_C
    if not (math.isfinite(planned_c) and low_c <= planned_c <= high_c):
        raise invalid(
            "planned_c",
            say(
                "{planned_c} °C is not {low_c:g} to {high_c:g}.",
                planned_c=planned_c,
                low_c=low_c,
                high_c=high_c,
            ),
            say("Check the unit."),
        )
    if not 0 <= freezing_minutes <= MAX_FREEZING_MINUTES:
        raise invalid(
            "freezing_minutes",
            say(
                "{freezing_minutes} is not 0 to {MAX_FREEZING_MINUTES}.",
                freezing_minutes=freezing_minutes,
                MAX_FREEZING_MINUTES=MAX_FREEZING_MINUTES,
            ),
            say("Give how long the core may be below its freezing point."),
        )


def _check_oxygen(oxygen_ref_ppb: float | None, oxygen_exponent: float) -> None:
    if not 0 <= oxygen_exponent <= MAX_OXYGEN_EXPONENT:
        raise invalid(
            "oxygen_exponent",
            say(
                "{oxygen_exponent} is not 0 to {MAX_OXYGEN_EXPONENT:g}.",
                oxygen_exponent=oxygen_exponent,
                MAX_OXYGEN_EXPONENT=MAX_OXYGEN_EXPONENT,
            ),
            say("Give 0 to leave oxygen out: no published law says how much it costs."),
        )
    if oxygen_ref_ppb is not None and not 0 < oxygen_ref_ppb <= MAX_OXYGEN_PPB:
        raise invalid(
            "oxygen_ref_ppb",
            say(
                "{oxygen_ref_ppb} is not above 0 and up to {MAX_OXYGEN_PPB:g} ppb.",
                oxygen_ref_ppb=oxygen_ref_ppb,
                MAX_OXYGEN_PPB=MAX_OXYGEN_PPB,
            ),
            say(
                "Give the total oxygen at packaging at which the reference lives hold, in micrograms per "
                "litre."
            ),
        )
    if oxygen_exponent > 0 and oxygen_ref_ppb is None:
        raise invalid(
            "oxygen_ref_ppb",
            say("An exponent says nothing without the oxygen at which the reference lives hold."),
            say("Give it, or set oxygen_exponent to 0."),
        )


def _routes(routes: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    if not 1 <= len(routes) <= MAX_ROUTES:
        raise invalid(
            "routes",
            say("There are {n} routes of ageing.", n=len(routes)),
            say("Give 1 to {MAX_ROUTES}.", MAX_ROUTES=MAX_ROUTES),
        )
    checked: list[dict[str, Any]] = []
    for place, given in enumerate(routes):
        try:
            route = route_from(given)
        except Invalid as error:
            raise _placed(error, place) from None
        _check_alone(given, route, place)
        if route.name == BEST_BEFORE or route.name in {other["name"] for other in checked}:
            raise invalid(
                f"routes[{place}].name",
                say("The name {name!r} is taken.", name=route.name),
                say("Give each its own name."),
            )
        source = str(given.get("source") or "").strip()
        if not source:
            raise invalid(
                f"routes[{place}].source",
                say("Nobody can tell where the figures of this route come from."),
                say('Name the trial or paper; "from memory" or "common practice, no source" will do.'),
            )
        checked.append(
            {
                "form": route.form,
                "name": route.name,
                "reference_c": route.reference_c,
                "reference_life_days": route.reference_life_days,
                route.parameter_field: getattr(route, route.parameter_field),
                "life_sd_days": route.life_sd_days,
                "parameter_sd": route.parameter_sd,
                "correlation": route.correlation,
                "source": source,
                "remarks": [str(remark) for remark in given.get("remarks", ())],
            }
        )
    return checked


def _check_alone(given: Mapping[str, Any], route: AnyRoute, place: int) -> None:
    """Refuse a parameter of another form, which would be passed over in silence."""
    for form in FORMS.values():
        if form.parameter_field != route.parameter_field and given.get(form.parameter_field) is not None:
            raise invalid(
                f"routes[{place}].{form.parameter_field}",
                say(
                    "A route of the form {form} has no {parameter_field}.",
                    form=route.form,
                    parameter_field=form.parameter_field,
                ),
                say("Leave it out, or give the form {form}.", form=form.form),
            )


def _placed(error: Invalid, place: int) -> Invalid:
    """Return the error with its fields named as the request has them."""
    faults = tuple(
        Fault(
            f"routes[{place}].{'parameter_sd' if fault.field in SPREADS else fault.field}",
            fault.detail,
            fault.mend,
        )
        for fault in error.faults
    )
    return Invalid(error.code, error.detail, faults)
