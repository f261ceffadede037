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
from rimekeep.shelflife.core.segments import Route
from rimekeep.shelflife.core.thermal import check_tau, freezing_point_c
from rimekeep.shelflife.queries.life import BEST_BEFORE
from rimekeep.shelflife.tables import AgeingProfile
from rimekeep.stock import queries as stock

# Where neither extract nor alcohol is known: a little below most beers' freezing point (common practice, no
# source).
UNKNOWN_FREEZING_C = -2.0
MAX_ROUTES = 8
MAX_TAU_H = 1_000.0
MAX_FREEZING_MINUTES = 10_080


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
) -> AgeingProfile:
    """
    Add a version of how a product ages; versions before it stay as they are.

    Packs that were aged by an older version keep it until somebody asks for the newest one.
    """
    product = stock.product(session, caller.site_id, product_id)
    _check(tau_h, planned_c, freezing_minutes)
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
        reason=reason,
        author_id=caller.id,
        created_at=now,
    )
    session.add(added)
    session.flush()
    data = {
        "id": added.id,
        "sku": product.sku,
        "version": added.version,
        "tau_h": tau_h,
        "planned_c": planned_c,
        "freezing_c": freezing_c,
        "freezing_minutes": freezing_minutes,
        "routes": stored_routes,
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
            "tau_h", f"{tau_h} h is more than {MAX_TAU_H:g}.", "Give hours; a pallet takes 5 to 50."
        )
    low_c, high_c = PLAUSIBLE_C
    if not (math.isfinite(planned_c) and low_c <= planned_c <= high_c):
        raise invalid("planned_c", f"{planned_c} °C is not {low_c:g} to {high_c:g}.", "Check the unit.")
    if not 0 <= freezing_minutes <= MAX_FREEZING_MINUTES:
        raise invalid(
            "freezing_minutes",
            f"{freezing_minutes} is not 0 to {MAX_FREEZING_MINUTES}.",
            "Give how long the core may be below its freezing point.",
        )


def _routes(routes: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    if not 1 <= len(routes) <= MAX_ROUTES:
        raise invalid("routes", f"There are {len(routes)} routes of ageing.", f"Give 1 to {MAX_ROUTES}.")
    checked: list[dict[str, Any]] = []
    for place, given in enumerate(routes):
        name = str(given["name"]).strip()
        if name == BEST_BEFORE or name in {route["name"] for route in checked}:
            raise invalid(f"routes[{place}].name", f"The name {name!r} is taken.", "Give each its own name.")
        try:
            Route(
                name,
                float(given["reference_c"]),
                float(given["reference_life_days"]),
                float(given["activation_kj_mol"]),
            )
        except Invalid as error:
            faults = tuple(
                Fault(f"routes[{place}].{fault.field}", fault.detail, fault.mend) for fault in error.faults
            )
            raise Invalid(error.code, error.detail, faults) from None
        checked.append(
            {
                "name": name,
                "reference_c": float(given["reference_c"]),
                "reference_life_days": float(given["reference_life_days"]),
                "activation_kj_mol": float(given["activation_kj_mol"]),
                "source": str(given.get("source", "")),
            }
        )
    return checked
