"""Endpoints of shelf life."""

from datetime import datetime
from typing import Annotated, Any

from fastapi import Path, Query
from sqlalchemy.orm import Session

from rimekeep.access.core.promises import PromisesBy
from rimekeep.access.core.roles import Caller
from rimekeep.access.dependencies import PreviewDep, QaDep, QaOrLeadDep, ReaderDep
from rimekeep.access.queries import site_of
from rimekeep.errors import invalid
from rimekeep.platform.http import LIMITED, Now, SessionDep, router
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Celsius, Code, Id
from rimekeep.shelflife import queries, schemas, usecases
from rimekeep.shelflife.core.life_table import life_table
from rimekeep.shelflife.core.projection import Leg
from rimekeep.stock import queries as stock
from rimekeep.stock.core.records import ContentView
from rimekeep.wording import say

routes = router("", "shelf life")

MOST_POINTS = 200
Version = Annotated[int, Path(ge=1, le=2**31 - 1, description="The profile's version.")]
Sscc = Annotated[str, Path(pattern=r"^[0-9]{18}$", description="The unit's SSCC.")]


@routes.post("/products/{product_id}/profiles", status_code=201)
def add_profile(
    product_id: Id, body: schemas.ProfileIn, session: SessionDep, now: Now, caller: QaDep
) -> schemas.ProfileOut:
    """Add a version of how a product ages; older versions stay."""
    added = usecases.add_profile(session, now, caller, product_id=product_id, **body.model_dump())
    return schemas.ProfileOut.model_validate(queries.profile_view(added))


@routes.get("/products/{product_id}/profiles")
def list_profiles(
    product_id: Id,
    session: SessionDep,
    caller: ReaderDep,
    asked: PageDep,
) -> Page[schemas.ProfileOut]:
    """List the versions of how a product ages."""
    stock.product(session, caller.site_id, product_id)
    rows = asked.rows(session, queries.profiles(caller.site_id, product_id))
    return asked.page([schemas.ProfileOut.model_validate(queries.profile_view(row)) for row in rows])


@routes.get("/products/{product_id}/profiles/{version}")
def show_profile(
    product_id: Id, version: Version, session: SessionDep, caller: ReaderDep
) -> schemas.ProfileDetailOut:
    """Show a version of how a product ages, beside what was published about beer."""
    row = queries.profile_version(session, caller.site_id, product_id, version)
    view = schemas.ProfileOut.model_validate(queries.profile_view(row))
    beside = queries.plausibilities(row)
    return schemas.ProfileDetailOut(
        **view.model_dump(), plausibility=[schemas.PlausibilityOut.model_validate(one) for one in beside]
    )


@routes.get("/products/{product_id}/profiles/{version}/rates")
def show_rates(
    product_id: Id,
    version: Version,
    session: SessionDep,
    caller: ReaderDep,
    from_c: Annotated[Celsius, Query(description="Coldest row. [°C]")] = -2,
    to_c: Annotated[Celsius, Query(description="Warmest row. [°C]")] = 40,
) -> schemas.RatesOut:
    """Show how long a core at a constant temperature keeps by a version, degree by degree."""
    row = queries.profile_version(session, caller.site_id, product_id, version)
    rows = life_table(queries.core_profile(row).routes, from_c, to_c)
    return schemas.RatesOut(
        product_id=product_id, version=version, rows=[schemas.LifeAtOut.model_validate(one) for one in rows]
    )


@routes.get("/products/{product_id}/forced-ageing")
def list_forced_ageing(
    product_id: Id,
    session: SessionDep,
    caller: ReaderDep,
    asked: PageDep,
    series: Annotated[Code | None, Query(description="Only this series.")] = None,
) -> Page[schemas.ForcedAgeingOut]:
    """List the imported forced-ageing scores of a product."""
    stock.product(session, caller.site_id, product_id)
    listing = queries.forced_ageing(caller.site_id, product_id, series)
    return asked.show(session, listing, schemas.ForcedAgeingOut)


@routes.post("/products/{product_id}/calibrations", status_code=201)
def propose_calibration(
    product_id: Id, body: schemas.CalibrationIn, session: SessionDep, now: Now, caller: QaDep
) -> schemas.CalibrationOut:
    """
    Fit forced-ageing data; QA decides about the outcome later.

    Caution: carbonated packs kept warm build up pressure and can burst. Keep forced-ageing samples behind
    guards, wear eye protection, and follow the pack maker's limits and local rules.
    """
    given = body.model_dump()
    if body.observations is not None:
        given["observations"] = [(one.temp_c, one.day, one.score) for one in body.observations]
    made = usecases.propose_calibration(session, now, caller, product_id=product_id, **given)
    return _calibration(session, made)


@routes.get("/products/{product_id}/calibrations")
def list_calibrations(
    product_id: Id, session: SessionDep, caller: ReaderDep, asked: PageDep
) -> Page[schemas.CalibrationSummaryOut]:
    """List the calibrations of a product."""
    stock.product(session, caller.site_id, product_id)
    listing = queries.calibrations(caller.site_id, product_id)
    return asked.show(session, listing, schemas.CalibrationSummaryOut)


@routes.get("/calibrations/{calibration_id}")
def show_calibration(calibration_id: Id, session: SessionDep, caller: ReaderDep) -> schemas.CalibrationOut:
    """Show a calibration with its fit and the data of a residual plot."""
    return _calibration(session, queries.calibration(session, caller.site_id, calibration_id))


@routes.post("/calibrations/{calibration_id}/approve", responses=LIMITED)
def approve_calibration(
    calibration_id: Id, body: schemas.ApprovalIn, session: SessionDep, now: Now, caller: QaDep
) -> schemas.ProfileOut:
    """Sign for a calibration: the next profile version takes its route over."""
    made = usecases.approve_calibration(
        session,
        now,
        caller,
        calibration_id=calibration_id,
        reason=body.reason,
        signature_token=body.signature_token.get_secret_value(),
    )
    return schemas.ProfileOut.model_validate(queries.profile_view(made))


@routes.post("/calibrations/{calibration_id}/refuse")
def refuse_calibration(
    calibration_id: Id, body: schemas.RefusalIn, session: SessionDep, now: Now, caller: QaDep
) -> schemas.CalibrationOut:
    """Refuse a calibration; it stays on record."""
    row = usecases.refuse_calibration(session, now, caller, calibration_id=calibration_id, reason=body.reason)
    return _calibration(session, row)


def _calibration(session: Session, row: Any) -> schemas.CalibrationOut:
    shown = queries.calibration_view(session, row)
    return schemas.CalibrationOut.model_validate(shown)


@routes.post("/life/refresh")
def refresh_life(
    body: schemas.RefreshIn, session: SessionDep, now: Now, caller: QaOrLeadDep
) -> schemas.RefreshedOut:
    """Work out what is left of the stock here, from the readings held now."""
    done = usecases.refresh_life(
        session, now, caller.site_id, from_scratch=body.from_scratch, actor_id=caller.id
    )
    return schemas.RefreshedOut.model_validate(done)


@routes.post("/products/{product_id}/re-ageing")
def re_age(
    product_id: Id, body: schemas.ReAgeIn, session: SessionDep, now: Now, caller: QaDep
) -> schemas.ReAgedOut:
    """Age a product's stock anew under its newest profile, or tell what that would move."""
    told = usecases.re_age(
        session,
        now,
        caller,
        product_id=product_id,
        reason=body.reason,
        is_preview=body.is_preview,
    )
    return schemas.ReAgedOut.model_validate(told)


@routes.get("/units/{sscc}/life")
def unit_life(sscc: Sscc, session: SessionDep, now: Now, caller: ReaderDep) -> schemas.LivesOut:
    """Show what is left of what is on a unit, and where it went."""
    unit = stock.unit_by_sscc(session, caller.site_id, sscc)
    contents = stock.contents(session, caller.site_id, unit_ids=[unit.id])
    return _lives(session, caller, now, contents)


@routes.post("/units/{sscc}/projection")
def project_unit(
    sscc: Sscc, body: schemas.WayIn, session: SessionDep, now: Now, caller: PreviewDep
) -> schemas.ProjectionOut:
    """Tell what a planned way through rooms and trucks will leave of what is on a unit."""
    legs = [Leg(leg.hours, leg.temp_c) for leg in body.legs]
    found = queries.project_unit(session, caller.site_id, now, sscc, legs)
    return schemas.ProjectionOut(
        as_of_at=now,
        promises_by=PromisesBy(site_of(session, caller.site_id).promises_by),
        contents=[schemas.ProjectedOut.model_validate(one) for one in found],
    )


@routes.get("/units/{sscc}/waiting")
def unit_waiting(
    sscc: Sscc,
    session: SessionDep,
    now: Now,
    caller: ReaderDep,
    air_c: Annotated[float, Query(ge=-60, le=80, allow_inf_nan=False, description="Air it waits in. [°C]")],
    core_limit_c: Annotated[
        float | None,
        Query(ge=-60, le=80, allow_inf_nan=False, description="Its core may reach this. [°C]"),
    ] = None,
    life_days: Annotated[
        float | None,
        Query(gt=0, le=3650, allow_inf_nan=False, description="The wait may cost so much life. [days]"),
    ] = None,
) -> schemas.WaitingOut:
    """Tell how long a unit may wait, as on the dock, before its core or its life passes a limit."""
    if core_limit_c is None and life_days is None:
        raise invalid(
            "core_limit_c", say("No limit is asked for."), say("Give core_limit_c, life_days or both.")
        )
    found = queries.unit_may_wait(
        session, caller.site_id, now, sscc, air_c=air_c, core_limit_c=core_limit_c, life_days=life_days
    )
    hours = [one.hours for one in found if one.hours is not None]
    return schemas.WaitingOut(
        as_of_at=now,
        hours=min(hours, default=None),
        contents=[schemas.MayWaitOut.model_validate(one) for one in found],
    )


@routes.get("/lots/{lot_id}/life")
def lot_life(lot_id: Id, session: SessionDep, now: Now, caller: ReaderDep) -> schemas.LivesOut:
    """Show what is left of a lot that is still here; pallets with one history stand together."""
    lot = stock.lot(session, caller.site_id, lot_id)
    contents = queries.contents_of_lot(session, caller.site_id, lot.id)
    return _lives(session, caller, now, contents)


def _lives(session: Session, caller: Caller, now: datetime, contents: list[ContentView]) -> schemas.LivesOut:
    found = queries.life_views(session, caller.site_id, now, contents, points=MOST_POINTS)
    return schemas.LivesOut(
        as_of_at=now,
        promises_by=PromisesBy(site_of(session, caller.site_id).promises_by),
        lives=[schemas.LifeOut.model_validate(view) for view in found],
    )
