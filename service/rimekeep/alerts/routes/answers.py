"""Alerts, who takes them on, and who is told if nobody does."""

from typing import Annotated

from fastapi import Query

from rimekeep.access.dependencies import QaOrLeadDep, ReaderDep
from rimekeep.alerts import queries, schemas, usecases
from rimekeep.alerts.core.duty import Step, Turn, wall_time
from rimekeep.alerts.core.kinds import Severity
from rimekeep.alerts.routes.router import routes
from rimekeep.platform.http import Now, SessionDep
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id


@routes.get("/alerts")
def list_alerts(
    session: SessionDep,
    caller: ReaderDep,
    asked: PageDep,
    is_open: Annotated[
        bool | None, Query(description="Only those that nobody, or somebody, took on.")
    ] = None,
    least_severity: Annotated[Severity | None, Query(description="Nothing less grave.")] = None,
) -> Page[schemas.AlertOut]:
    """List the site's alerts, oldest first."""
    listing = queries.alerts(caller.site_id, is_open=is_open, severity=least_severity)
    return asked.show(session, listing, schemas.AlertOut)


@routes.get("/alerts/{alert_id}")
def show_alert(alert_id: Id, session: SessionDep, caller: ReaderDep) -> schemas.AlertWithNoticesOut:
    """Show an alert and which notices it is made of."""
    found = queries.alert(session, caller.site_id, alert_id)
    shown = schemas.AlertOut.model_validate(found)
    return schemas.AlertWithNoticesOut(**shown.model_dump(), seqs=queries.alert_seqs(session, found.id))


@routes.post("/alerts/{alert_id}/acknowledge")
def acknowledge_alert(
    alert_id: Id, body: schemas.AcknowledgeIn, session: SessionDep, now: Now, caller: QaOrLeadDep
) -> schemas.AlertOut:
    """Take an alert on: nobody else in the chain is told of it."""
    return schemas.AlertOut.model_validate(
        usecases.acknowledge_alert(session, now, caller, alert_id, note=body.note)
    )


@routes.get("/alert-plan")
def show_alert_plan(session: SessionDep, now: Now, caller: ReaderDep) -> schemas.AlertPlanOut:
    """Show who is on call when, who is now, and who is told of an alert that nobody acknowledges."""
    return schemas.AlertPlanOut.model_validate(queries.plan_shown(session, now, caller.site_id))


@routes.post("/alert-plan")
def set_alert_plan(
    body: schemas.AlertPlanIn, session: SessionDep, now: Now, caller: QaOrLeadDep
) -> schemas.AlertPlanOut:
    """Replace the rota and the chain."""
    usecases.set_alert_plan(
        session,
        now,
        caller,
        least_severity=body.least_severity,
        turns=[
            Turn(one.weekday, wall_time(one.starts), wall_time(one.ends), one.subscription_id)
            for one in body.turns
        ],
        steps=[Step(one.after_minutes, one.subscription_id) for one in body.steps],
        reason=body.reason,
    )
    return schemas.AlertPlanOut.model_validate(queries.plan_shown(session, now, caller.site_id))
