"""Endpoints of goods customers send back after they were handed over."""

from typing import Annotated

from rimekeep.access.core.roles import Caller, Role
from rimekeep.access.dependencies import ReaderDep, admits
from rimekeep.loading import queries, schemas, usecases
from rimekeep.platform.http import Now, SessionDep, router
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id
from rimekeep.shelflife import queries as shelflife

routes = router("", "loading")
# Who stands where goods come in, and who has to judge them.
TakesBackDep = Annotated[Caller, admits(Role.PICKER, Role.LEAD, Role.QA)]


@routes.post("/returns", status_code=201)
def return_goods(
    body: schemas.ReturnIn, session: SessionDep, now: Now, caller: TakesBackDep
) -> schemas.TakenInOut:
    """
    Take back what a customer sends back after it was handed over; it stands on hold until QA has judged it.

    Some cases of a unit get a unit of their own: put the label with the SSCC answered on it.
    """
    unit, rows = usecases.return_goods(session, now, caller, **body.model_dump())
    aged = shelflife.aged(session, caller.site_id, now, content_ids=[row.content_id for row in rows])
    lots = {row.content_id: row.lot_id for row in rows}
    return schemas.TakenInOut(
        sscc=unit.sscc,
        zone_id=unit.zone_id,
        bay_id=unit.bay_id,
        qa_state=unit.qa_state,
        qa_reason=unit.qa_reason,
        returns=[schemas.ReturnOut.model_validate(one) for one in queries.return_views(session, rows)],
        lives=[
            schemas.ReturnedLifeOut(
                lot_id=lots[one.pack.content_id],
                expires_at=one.expires_at,
                cautious_at=one.cautious_at,
                limited_by=one.limited_by,
                bridged_s=one.bridged_s,
            )
            for one in aged
        ],
    )


@routes.get("/returns")
def list_returns(
    session: SessionDep,
    caller: ReaderDep,
    asked: PageDep,
    customer_id: Id | None = None,
    lot_id: Id | None = None,
) -> Page[schemas.ReturnOut]:
    """List what customers sent back, of one customer or one lot if asked."""
    listing = queries.customer_returns(caller.site_id, customer_id=customer_id, lot_id=lot_id)
    views = queries.return_views(session, asked.rows(session, listing))
    return asked.page([schemas.ReturnOut.model_validate(view) for view in views])
