"""Propose a calibration from forced ageing; approve or refuse it."""

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.access.usecases import confirm_identity
from rimekeep.errors import Conflict, invalid, refused
from rimekeep.platform.journal import Event, record
from rimekeep.shelflife import queries
from rimekeep.shelflife.core.calibration import Calibration as Fitted
from rimekeep.shelflife.core.calibration import calibrate
from rimekeep.shelflife.core.routes import FORMS
from rimekeep.shelflife.core.states import CalibrationState
from rimekeep.shelflife.queries.life import BEST_BEFORE
from rimekeep.shelflife.tables import AgeingProfile, Calibration
from rimekeep.shelflife.usecases.profiles import add_profile
from rimekeep.stock import queries as stock
from rimekeep.wording import say

Observation = tuple[float, float, float]


def propose_calibration(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    product_id: int,
    route: str,
    direction: str,
    limit: float,
    reference_c: float,
    source: str,
    observations: Sequence[Observation] | None = None,
    series: str | None = None,
    start_score: float | None = None,
    kinetics: str = "zero-order",
    form: str = "arrhenius",
) -> Calibration:
    """
    Fit forced-ageing data for one route of a product and keep the outcome for QA to decide about.

    Nothing ages by it before it is approved. Data that cannot carry the fit are refused, and nothing is kept.
    """
    product = stock.product(session, caller.site_id, product_id)
    if route == BEST_BEFORE:
        raise invalid(
            "route", say("The name {route!r} is taken.", route=route), say("Name the way of going off.")
        )
    if (observations is None) == (series is None):
        raise invalid(
            "observations",
            say("Data come either with the request or from an imported series."),
            say("Give observations or series, one of the two."),
        )
    if series is not None:
        observations = queries.series_scores(session, caller.site_id, product.id, series)
    data = [(float(temp_c), float(day), float(score)) for temp_c, day, score in observations or ()]
    asked = {
        "direction": direction,
        "limit": limit,
        "start_score": start_score,
        "kinetics": kinetics,
        "form": form,
        "reference_c": reference_c,
    }
    found = calibrate(data, **asked)  # type: ignore[arg-type]
    proposed = Calibration(
        site_id=caller.site_id,
        product_id=product.id,
        route=route,
        series=series,
        observations=[list(observation) for observation in data],
        asked=asked,
        source=source,
        fit=_stored(found, route, source),
        remarks=[asdict(remark) for remark in found.remarks],
        is_thin=found.is_thin,
        state=CalibrationState.PROPOSED,
        author_id=caller.id,
        created_at=now,
    )
    session.add(proposed)
    session.flush()
    facts = {
        "id": proposed.id,
        "sku": product.sku,
        "route": proposed.fit["route"],
        "remarks": proposed.remarks,
    }
    record(session, caller.site_id, Event("calibration.proposed", now, actor_id=caller.id, data=facts))
    return proposed


def _stored(found: Fitted, route: str, source: str) -> dict[str, Any]:
    fit = found.fit
    best = found.best
    return {
        "life_days": asdict(fit.life_days),
        "parameter_name": FORMS[fit.form].parameter_field,
        "parameter": asdict(fit.parameter),
        "start_score": asdict(fit.start_score),
        "correlation": fit.correlation,
        "parameters": fit.parameters,
        "freedom": fit.freedom,
        "residual_sd": fit.residual_sd,
        "r_squared": fit.r_squared,
        "way_share": fit.way_share,
        "lack_of_fit": None if fit.lack_of_fit is None else asdict(fit.lack_of_fit),
        "aicc": fit.aicc,
        "points": [asdict(point) for point in fit.points],
        "alternatives": [asdict(one) for one in found.alternatives],
        "best": None if best is None else {"kinetics": best.kinetics, "form": best.form},
        "route": fit.route(route, source),
    }


def approve_calibration(
    session: Session, now: datetime, caller: Caller, *, calibration_id: int, reason: str, signature_token: str
) -> AgeingProfile:
    """
    Make the next profile version with the calibrated route, the newest version's others kept; sign for it.

    What stands in the store keeps the version it was aged by until somebody asks for the new one.
    """
    row = _undecided(session, caller, calibration_id)
    confirm_identity(session, now, caller, signature_token)
    newest = queries.newest_profile(session, caller.site_id, row.product_id)
    if newest is None:
        raise refused(
            "no-profile",
            "calibration_id",
            say("The product has no ageing profile yet, so nobody knows how its packs follow the air."),
            say("Add a first profile, then approve."),
        )
    digest = _sign(session, now, caller, row, "approve", reason)
    _decide(row, now, caller, CalibrationState.APPROVED, reason)
    row.signed_sha256 = digest
    session.flush()
    made = add_profile(
        session,
        now,
        caller,
        product_id=row.product_id,
        tau_h=newest.tau_h,
        planned_c=newest.planned_c,
        routes=_with_calibrated(newest.routes, row),
        reason=reason,
        freezing_minutes=newest.freezing_minutes,
        oxygen_ref_ppb=newest.oxygen_ref_ppb,
        oxygen_exponent=newest.oxygen_exponent,
        calibration_id=row.id,
    )
    data = {"id": row.id, "profile_id": made.id, "version": made.version, "signed_sha256": digest}
    event = Event("calibration.approved", now, actor_id=caller.id, reason=reason, data=data)
    record(session, caller.site_id, event)
    return made


def _with_calibrated(routes: Sequence[dict[str, Any]], row: Calibration) -> list[dict[str, Any]]:
    """Return the routes with the calibrated one in the place of its namesake, or at the end."""
    thin = [str(remark["text"]) for remark in row.remarks if remark["is_thin"]]
    calibrated = {**row.fit["route"], "remarks": thin}
    if row.route not in {route["name"] for route in routes}:
        return [*routes, calibrated]
    return [calibrated if route["name"] == row.route else route for route in routes]


def refuse_calibration(
    session: Session, now: datetime, caller: Caller, *, calibration_id: int, reason: str
) -> Calibration:
    """Refuse a calibration; it stays on record and nothing ages by it."""
    row = _undecided(session, caller, calibration_id)
    _decide(row, now, caller, CalibrationState.REFUSED, reason)
    session.flush()
    event = Event("calibration.refused", now, actor_id=caller.id, reason=reason, data={"id": row.id})
    record(session, caller.site_id, event)
    return row


def _undecided(session: Session, caller: Caller, calibration_id: int) -> Calibration:
    row = queries.calibration(session, caller.site_id, calibration_id, is_locked=True)
    if row.state != CalibrationState.PROPOSED:
        raise Conflict(
            "calibration-decided",
            say(
                "Calibration {id} was {state} already; propose a new one to decide again.",
                id=row.id,
                state=row.state,
            ),
            data={"state": row.state},
        )
    return row


def _decide(row: Calibration, now: datetime, caller: Caller, state: CalibrationState, reason: str) -> None:
    row.state, row.decided_by, row.decided_at, row.decision_reason = state, caller.id, now, reason


def _sign(
    session: Session, now: datetime, caller: Caller, row: Calibration, decision: str, reason: str
) -> str:
    """Return SHA-256 over the decision and all it rests on, in canonical JSON."""
    product = stock.product(session, caller.site_id, row.product_id)
    return signed_digest(row, sku=product.sku, decision=decision, reason=reason, signer_id=caller.id, at=now)


def signed_digest(
    row: Calibration, *, sku: str, decision: str, reason: str, signer_id: int, at: datetime
) -> str:
    """Return what is kept of a signature: SHA-256 of decision and facts as JSON, keys sorted, no spaces."""
    signed = {
        "calibration_id": row.id,
        "sku": sku,
        "route": row.route,
        "series": row.series,
        "observations": row.observations,
        "asked": row.asked,
        "source": row.source,
        "fit": row.fit,
        "remarks": row.remarks,
        "decision": decision,
        "reason": reason,
        "signer_id": signer_id,
        "at_us": round(at.timestamp() * 1_000_000),
    }
    canonical = json.dumps(signed, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(canonical.encode()).hexdigest()
