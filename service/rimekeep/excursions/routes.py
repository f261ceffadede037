"""Endpoints of excursions."""

from typing import Annotated

from fastapi import Query
from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.access.dependencies import QaDep, QaOrLeadDep, ReaderDep
from rimekeep.excursions import queries, schemas, usecases
from rimekeep.platform.http import Now, SessionDep, router
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id

routes = router("", "excursions")

MOST_TOUCHED = 500


@routes.post("/excursion-rules", status_code=201)
def add_rule(body: schemas.RuleIn, session: SessionDep, now: Now, caller: QaDep) -> schemas.RuleOut:
    """Watch a room's air; the last two weeks of readings are looked at too."""
    return schemas.RuleOut.model_validate(usecases.add_rule(session, now, caller, **body.model_dump()))


@routes.get("/excursion-rules")
def list_rules(
    session: SessionDep,
    caller: ReaderDep,
    asked: PageDep,
    zone_id: Id | None = None,
) -> Page[schemas.RuleOut]:
    """List the rules."""
    return asked.show(session, queries.rules(caller.site_id, zone_id=zone_id), schemas.RuleOut)


@routes.post("/excursion-rules/{rule_id}/restart-count")
def start_new_count(
    rule_id: Id, body: schemas.ReasonIn, session: SessionDep, now: Now, caller: QaDep
) -> schemas.RuleOut:
    """Start a cumulative rule's count anew; its running excursion ends."""
    found = usecases.start_new_count(session, now, caller, rule_id=rule_id, reason=body.reason)
    return schemas.RuleOut.model_validate(found)


@routes.post("/excursion-rules/{rule_id}/switch-off")
def switch_off_rule(
    rule_id: Id, body: schemas.ReasonIn, session: SessionDep, now: Now, caller: QaDep
) -> schemas.RuleOut:
    """Watch a rule no longer; what it found stays on record."""
    found = usecases.switch_off_rule(session, now, caller, rule_id=rule_id, reason=body.reason)
    return schemas.RuleOut.model_validate(found)


@routes.get("/excursions")
def list_excursions(
    session: SessionDep,
    caller: ReaderDep,
    asked: PageDep,
    zone_id: Id | None = None,
    is_open: Annotated[
        bool | None, Query(description="Only those that run, or only those that ended.")
    ] = None,
) -> Page[schemas.ExcursionOut]:
    """List excursions."""
    listing = queries.excursions(caller.site_id, zone_id=zone_id, is_open=is_open)
    return asked.show(session, listing, schemas.ExcursionOut)


@routes.post("/excursions/check")
def check_now(session: SessionDep, now: Now, caller: QaOrLeadDep) -> schemas.CheckedOut:
    """Look at every room and sensor now; running it again finds nothing twice."""
    done = usecases.check_site(session, now, caller.site_id)
    return schemas.CheckedOut(
        opened=[row.id for row in done.opened],
        ended=[row.id for row in done.ended],
        running=[row.id for row in done.running],
    )


@routes.get("/excursions/{excursion_id}")
def show_excursion(excursion_id: Id, session: SessionDep, caller: ReaderDep) -> schemas.ExcursionDetailOut:
    """Show an excursion with the stock it touched and the life it cost."""
    return _detail(session, caller, excursion_id)


@routes.get("/excursions/{excursion_id}/touched")
def list_touched(
    excursion_id: Id,
    session: SessionDep,
    caller: ReaderDep,
    asked: PageDep,
) -> Page[schemas.TouchedOut]:
    """List all the stock an excursion touched."""
    queries.excursion(session, caller.site_id, excursion_id)
    return asked.show(session, queries.touched_contents(caller.site_id, excursion_id), schemas.TouchedOut)


@routes.post("/excursions/{excursion_id}/acknowledge")
def acknowledge(
    excursion_id: Id, body: schemas.NoteIn, session: SessionDep, now: Now, caller: QaOrLeadDep
) -> schemas.ExcursionDetailOut:
    """Put on record that you have seen an excursion and take it on."""
    usecases.acknowledge(session, now, caller, excursion_id=excursion_id, note=body.note)
    return _detail(session, caller, excursion_id)


def _detail(session: Session, caller: Caller, excursion_id: int) -> schemas.ExcursionDetailOut:
    view = queries.excursion_view(session, caller.site_id, excursion_id)
    shown = schemas.ExcursionOut.model_validate(view)
    contents, cases = queries.touched_total(session, excursion_id)
    worst = queries.touched(session, caller.site_id, excursion_id, most=MOST_TOUCHED)
    return schemas.ExcursionDetailOut(
        **shown.model_dump(),
        touched_contents=contents,
        touched_cases=cases,
        touched=[schemas.TouchedOut.model_validate(one) for one in worst],
    )
