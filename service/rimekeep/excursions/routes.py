"""Endpoints of excursions."""

from datetime import datetime, timedelta
from typing import Annotated

from fastapi import Query
from fastapi.responses import HTMLResponse
from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.access.dependencies import QaDep, QaOrLeadDep, ReaderDep
from rimekeep.excursions import queries, schemas, usecases
from rimekeep.excursions.core.words import span_words
from rimekeep.platform.http import LIMITED, Now, SessionDep, router
from rimekeep.platform.pages import print_policy, templates_of
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id

routes = router("", "excursions")
templates = templates_of("rimekeep.excursions")
templates.filters.update(
    span=span_words,
    moment=lambda at_s, zone, style: datetime.fromtimestamp(at_s, zone).strftime(style),
    # The last day that is good to its end, as a label says it.
    good_to=lambda at, zone: (
        "–" if at is None else f"{at.astimezone(zone).date() - timedelta(days=1):%d %b %Y}"
    ),
)

MOST_TOUCHED = 500
MOST_CROSSINGS = 200
# The sheet carries its own style, so that a saved copy prints as it should; nothing else may load or run.
STYLE = templates.get_template("report.css").render()
SHEET_POLICY = print_policy(STYLE)


@routes.post("/excursion-rules", status_code=201)
def add_rule(body: schemas.RuleIn, session: SessionDep, now: Now, caller: QaDep) -> schemas.RuleOut:
    """Watch a room's air; the last two weeks of readings are looked at too."""
    given = body.model_dump(exclude_unset=True)
    added = usecases.add_rule(session, now, caller, **{"kind": body.kind, **given})
    return schemas.RuleOut.model_validate(added)


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
    trip_id: Id | None = None,
    is_open: Annotated[
        bool | None, Query(description="Only those that run, or only those that ended.")
    ] = None,
) -> Page[schemas.ExcursionOut]:
    """List excursions."""
    listing = queries.excursions(caller.site_id, zone_id=zone_id, trip_id=trip_id, is_open=is_open)
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
def show_excursion(
    excursion_id: Id, session: SessionDep, now: Now, caller: ReaderDep
) -> schemas.ExcursionDetailOut:
    """Show an excursion: what it cost, how long the beer has, what was decided and what is left to do."""
    return _detail(session, now, caller, excursion_id)


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
    """Put on record that you have seen an excursion and take it on; nobody is told of it again."""
    usecases.acknowledge(session, now, caller, excursion_id=excursion_id, note=body.note)
    return _detail(session, now, caller, excursion_id)


@routes.post("/excursions/{excursion_id}/decisions", status_code=201, responses=LIMITED)
def decide(
    excursion_id: Id, body: schemas.DecisionIn, session: SessionDep, now: Now, caller: QaDep
) -> schemas.DecidedOut:
    """Decide about a lot the excursion touched, and sign for it; every decision stays on record."""
    given = body.model_dump() | {"signature_token": body.signature_token.get_secret_value()}
    done = usecases.decide(session, now, caller, excursion_id=excursion_id, **given)
    row = queries.excursion(session, caller.site_id, excursion_id)
    said = queries.decisions(session, caller.site_id, excursion_id)[body.lot_id]
    return schemas.DecidedOut(
        decision=schemas.DecisionOut.model_validate(said[-1]),
        left_on_hold=list(done.left_on_hold),
        open_points=list(queries.record_of(session, row).open_points),
    )


@routes.get("/excursions/{excursion_id}/report", response_class=HTMLResponse)
def show_report(excursion_id: Id, session: SessionDep, now: Now, caller: ReaderDep) -> HTMLResponse:
    """Show the report as a sheet to print: chart, figures, lots, decisions and signatures."""
    row = queries.excursion(session, caller.site_id, excursion_id)
    made = queries.report(session, now, row)
    page = templates.get_template("report.html").render(report=made, style=STYLE, now=now, caller=caller)
    return HTMLResponse(page, headers={"Content-Security-Policy": SHEET_POLICY, "Cache-Control": "no-store"})


@routes.get("/excursions/{excursion_id}/report.json")
def show_report_facts(
    excursion_id: Id, session: SessionDep, now: Now, caller: ReaderDep
) -> schemas.ReportOut:
    """Give the report's facts and their SHA-256."""
    made = queries.report(session, now, queries.excursion(session, caller.site_id, excursion_id))
    return schemas.ReportOut(
        made_at=now,
        facts=dict(made.facts),
        sha256=made.sha256,
        is_signed_off=made.record.is_closed,
        cautions=list(made.cautions),
    )


def _detail(session: Session, now: datetime, caller: Caller, excursion_id: int) -> schemas.ExcursionDetailOut:
    view = queries.excursion_view(session, caller.site_id, excursion_id)
    row = queries.excursion(session, caller.site_id, excursion_id)
    rule = None if row.rule_id is None else queries.rule(session, caller.site_id, row.rule_id)
    contents, cases = queries.touched_total(session, excursion_id)
    record = queries.record_of(session, row)
    trip = queries.trip_aboard(session, now, row, rule)
    core = usecases.outlook_facts(queries.outlook(session, now, row, rule, None))
    return schemas.ExcursionDetailOut(
        **schemas.ExcursionOut.model_validate(view).model_dump(),
        touched_contents=contents,
        touched_cases=cases,
        trip=None if trip is None else schemas.TripAboardOut.model_validate(trip),
        core=None if core is None else schemas.OutlookOut(**core),
        crossings=[schemas.CrossingOut.model_validate(one) for one in queries.crossed(session, now, row)][
            -MOST_CROSSINGS:
        ],
        lots=[schemas.LotOut.model_validate(one) for one in record.lots],
        open_points=list(record.open_points),
        is_closed=record.is_closed,
        touched=[
            schemas.TouchedOut.model_validate(one)
            for one in queries.touched(session, caller.site_id, excursion_id, most=MOST_TOUCHED)
        ],
    )
