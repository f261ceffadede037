"""Endpoints of readings that wait for QA's word."""

from rimekeep.access.dependencies import QaDep, ReaderDep
from rimekeep.climate import queries, schemas, usecases
from rimekeep.climate.routes.router import routes
from rimekeep.platform.http import Now, SessionDep
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id


@routes.get("/readings/quarantine")
def list_quarantine(
    session: SessionDep,
    caller: ReaderDep,
    asked: PageDep,
    sensor_id: Id | None = None,
    is_settled: bool | None = None,
) -> Page[schemas.QuarantinedOut]:
    """List readings that were set aside because they can hardly be meant, waiting or settled."""
    listing = queries.quarantine(caller.site_id, sensor_id=sensor_id, is_settled=is_settled)
    return asked.show(session, listing, schemas.QuarantinedOut)


@routes.post("/readings/quarantine/settle")
def settle_quarantine(
    body: schemas.SettleIn, session: SessionDep, now: Now, caller: QaDep
) -> schemas.SettledOut:
    """Settle what waits of a sensor: take it as sent, take it as °F, or discard it."""
    return schemas.SettledOut(settled=usecases.settle_quarantine(session, now, caller, **body.model_dump()))
