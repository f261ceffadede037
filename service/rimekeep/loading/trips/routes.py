"""Endpoints of a trip: loading by scan, moves, departure, drops, its end, and its papers."""

from typing import Annotated

from fastapi import Path, Query, Response
from fastapi.responses import HTMLResponse, PlainTextResponse

from rimekeep.access.core.roles import Caller, Role
from rimekeep.access.dependencies import DispatcherDep, QaDep, ReaderDep, admits
from rimekeep.loading import papers, queries, schemas, usecases
from rimekeep.loading.core.sheet import sheet_text
from rimekeep.loading.core.taken_back import TakenBack
from rimekeep.platform.http import Now, SessionDep, router
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id

routes = router("", "loading")

# Who drives pallets onto the truck and off it: the floor, the driver with a handheld, and the dispatcher.
LoaderDep = Annotated[Caller, admits(Role.PICKER, Role.LEAD, Role.DISPATCHER)]


@routes.get("/trips/{trip_id}")
def show_trip(trip_id: Id, session: SessionDep, caller: ReaderDep) -> schemas.TripOut:
    """Show one trip with its deck."""
    _, found = queries.trip_view(session, caller.site_id, trip_id)
    return schemas.TripOut.model_validate(found)


@routes.get("/trips/{trip_id}/next")
def next_units(trip_id: Id, session: SessionDep, caller: ReaderDep) -> schemas.NextOut:
    """Tell which units may be loaded next."""
    queries.trip(session, caller.site_id, trip_id)
    return schemas.NextOut.model_validate({"next": queries.next_spots(session, trip_id)})


@routes.post("/trips/{trip_id}/load")
def load_unit(
    trip_id: Id, body: schemas.LoadIn, session: SessionDep, now: Now, caller: LoaderDep
) -> schemas.NextOut:
    """Put a scanned unit on board, in the right order; the answer is what comes next."""
    due = usecases.load_unit(session, now, caller, trip_id=trip_id, **body.model_dump())
    return schemas.NextOut.model_validate({"next": due})


@routes.post("/trips/{trip_id}/unload")
def unload_unit(
    trip_id: Id, body: schemas.UnloadIn, session: SessionDep, now: Now, caller: LoaderDep
) -> schemas.NextOut:
    """Take a scanned unit off again, the last loaded first."""
    free = usecases.unload_unit(session, now, caller, trip_id=trip_id, **body.model_dump())
    return schemas.NextOut.model_validate({"next": free})


@routes.get("/trips/{trip_id}/deviations")
def list_deviations(
    trip_id: Id, session: SessionDep, caller: ReaderDep, asked: PageDep
) -> Page[schemas.DeviationOut]:
    """List what was loaded otherwise than planned, by whose word, and why."""
    queries.trip(session, caller.site_id, trip_id)
    return asked.show(session, queries.deviations(caller.site_id, trip_id), schemas.DeviationOut)


@routes.post("/trips/{trip_id}/depart")
def depart(
    trip_id: Id,
    session: SessionDep,
    now: Now,
    caller: DispatcherDep,
    body: schemas.DepartIn | None = None,
) -> schemas.DepartedOut:
    """Let a fully loaded trip leave, if its cold will do as it leaves now, or despite that for a reason."""
    said = {} if body is None else body.model_dump()
    trip, leaving = usecases.depart(session, now, caller, trip_id=trip_id, **said)
    return schemas.DepartedOut(
        id=trip.id,
        departed_at=now,
        cold=schemas.DepartedColdOut.model_validate(leaving),
    )


@routes.post("/trips/{trip_id}/give-up")
def give_up_trip(
    trip_id: Id, body: schemas.GiveUpIn, session: SessionDep, now: Now, caller: DispatcherDep
) -> schemas.PlanOut:
    """
    Give up a trip nothing is loaded for; the answer is the plan as it stands without it.

    Its units and its vehicle are free to be planned again; the trip is kept in a plan of its own.
    """
    plan = usecases.give_up_trip(session, now, caller, trip_id=trip_id, **body.model_dump())
    return schemas.PlanOut.model_validate(queries.plan_view(session, plan))


@routes.post("/trips/{trip_id}/drops/{number}/deliver", status_code=201)
def deliver_drop(
    trip_id: Id,
    number: Annotated[int, Path(ge=1, le=1000, description="1 is the trip's first delivery.")],
    body: schemas.DeliverIn,
    session: SessionDep,
    now: Now,
    caller: LoaderDep,
) -> schemas.DeliveredOut:
    """
    Note a drop as delivered: its units left the vehicle then, but for those refused.

    The answer tells what the driver does now: goods refused, and empties that are too many for a later state.
    """
    said = body.model_dump() | {
        "refusals": [usecases.Refusal(**one.model_dump()) for one in body.refusals],
        "empties": [usecases.Empties(**one.model_dump()) for one in body.empties],
    }
    _, judged = usecases.deliver_drop(session, now, caller, trip_id=trip_id, number=number, **said)
    made = next(one for one in queries.deliveries(session, [trip_id])[trip_id] if one.drop == number)
    rest = queries.trip_rest(session, caller.site_id, trip_id)
    return schemas.DeliveredOut(
        **schemas.DeliveryOut.model_validate(made).model_dump(),
        empties=_taken(judged),
        to_do=[*judged.lines, *rest.lines],
    )


@routes.post("/trips/{trip_id}/drops/{number}/empties", status_code=201)
def correct_empties(
    trip_id: Id,
    number: Annotated[int, Path(ge=1, le=1000, description="1 is the trip's first delivery.")],
    body: schemas.CorrectEmptiesIn,
    session: SessionDep,
    now: Now,
    caller: LoaderDep,
) -> schemas.CorrectedOut:
    """
    Correct what empties were reported at a drop, for a reason, until the trip has ended.

    All of them are said anew; what was said before stays on record, and the rest of the trip weighs anew.
    """
    said = [usecases.Empties(**one.model_dump()) for one in body.empties]
    judged = usecases.correct_empties(
        session, now, caller, trip_id=trip_id, number=number, empties=said, reason=body.reason
    )
    rest = queries.trip_rest(session, caller.site_id, trip_id)
    return schemas.CorrectedOut(drop=number, empties=_taken(judged), to_do=[*judged.lines, *rest.lines])


@routes.get("/trips/{trip_id}/drops")
def show_drops(trip_id: Id, session: SessionDep, caller: ReaderDep) -> schemas.DropsOut:
    """Show what was refused and taken back at the drops, and how the rest of the trip stands."""
    rest = queries.trip_rest(session, caller.site_id, trip_id)
    return schemas.DropsOut(
        refusals=[schemas.RefusalOut.model_validate(one) for one in queries.refusals(session, [trip_id])],
        empties=[schemas.EmptiesOut.model_validate(one) for one in queries.empties(session, [trip_id])],
        corrections=[
            schemas.CorrectionOut.model_validate(one) for one in queries.empties_corrections(session, trip_id)
        ],
        rest=schemas.RestOut.model_validate(rest),
    )


@routes.get("/return-rule")
def show_return_rule(session: SessionDep, caller: ReaderDep) -> schemas.ReturnRuleOut:
    """Show what goods that come back from a trip need to be sold again without QA's word."""
    rule = queries.return_rule(session, caller.site_id)
    if rule is not None:
        return schemas.ReturnRuleOut.model_validate(rule)
    return schemas.ReturnRuleOut(
        min_life_days=queries.MIN_LIFE_DAYS,
        most_unmeasured_s=queries.MOST_UNMEASURED_S,
        set_at=None,
        set_by=None,
    )


@routes.post("/return-rule")
def set_return_rule(
    body: schemas.ReturnRuleIn, session: SessionDep, now: Now, caller: QaDep
) -> schemas.ReturnRuleOut:
    """Set what goods that come back from a trip need to be sold again without QA's word."""
    rule = usecases.set_return_rule(session, now, caller, **body.model_dump())
    return schemas.ReturnRuleOut.model_validate(rule)


@routes.post("/trips/{trip_id}/end")
def end_trip(
    trip_id: Id, body: schemas.EndIn, session: SessionDep, now: Now, caller: DispatcherDep
) -> schemas.TripOut:
    """End a trip: what is still on board comes back into the store; refused or too warm goods on hold."""
    usecases.end_trip(session, now, caller, trip_id=trip_id, **body.model_dump())
    _, found = queries.trip_view(session, caller.site_id, trip_id)
    return schemas.TripOut.model_validate(found)


@routes.post("/trips/{trip_id}/moves")
def move_on_deck(
    trip_id: Id, body: schemas.MoveIn, session: SessionDep, now: Now, caller: DispatcherDep
) -> schemas.MoveOut:
    """Move a unit on the deck or to another trip, or see what gets better or worse by it."""
    result = usecases.move_on_deck(session, now, caller, trip_id=trip_id, **body.model_dump())
    return schemas.MoveOut.of(result)


@routes.get("/trips/{trip_id}/places")
def judge_places(
    trip_id: Id,
    session: SessionDep,
    caller: DispatcherDep,
    sscc: Annotated[schemas.Sscc, Query(description="A unit of this trip's deck.")],
) -> schemas.PlacesJudgedOut:
    """Judge every other place of the deck for one unit: what moving it there would come to."""
    judged = usecases.judge_places(session, caller, trip_id=trip_id, sscc=sscc)
    return schemas.PlacesJudgedOut(
        sscc=sscc,
        places=[
            schemas.PlaceJudgedOut(
                row=one.row,
                lane=one.lane,
                move=None if one.result is None else schemas.MoveOut.of(one.result, only_moved=True),
                refused=one.refused,
            )
            for one in judged
        ],
    )


@routes.post("/trips/{trip_id}/pins")
def pin_units(
    trip_id: Id, body: schemas.PinIn, session: SessionDep, now: Now, caller: DispatcherDep
) -> schemas.TripOut:
    """Pin units to their places, so that no move takes them from there, or let them go again."""
    usecases.pin_units(session, now, caller, trip_id=trip_id, **body.model_dump())
    _, found = queries.trip_view(session, caller.site_id, trip_id)
    return schemas.TripOut.model_validate(found)


@routes.get("/trips/{trip_id}/sheet", response_class=PlainTextResponse)
def print_sheet(trip_id: Id, session: SessionDep, now: Now, caller: ReaderDep) -> PlainTextResponse:
    """Print a trip's loading sheet: setpoint, cautions, order of loading, weights, drops with lots."""
    paper, trip = queries.trip_paper(session, now, caller.site_id, trip_id)
    return PlainTextResponse(sheet_text(paper, trip.drawing))


@routes.get("/trips/{trip_id}/sheet.pdf", response_class=Response)
def print_sheet_pdf(trip_id: Id, session: SessionDep, now: Now, caller: ReaderDep) -> Response:
    """Return the loading sheet as a PDF, with the deck drawn and the weights in every state."""
    paper, _ = queries.trip_paper(session, now, caller.site_id, trip_id)
    return _pdf(papers.sheet_pdf(paper))


@routes.get("/trips/{trip_id}/sheet.html", response_class=HTMLResponse)
def print_sheet_page(trip_id: Id, session: SessionDep, now: Now, caller: ReaderDep) -> HTMLResponse:
    """Show the loading sheet as a page to print."""
    paper, _ = queries.trip_paper(session, now, caller.site_id, trip_id)
    return _page(papers.sheet_page(paper))


@routes.get("/trips/{trip_id}/delivery-notes.pdf", response_class=Response)
def print_notes_pdf(trip_id: Id, session: SessionDep, now: Now, caller: ReaderDep) -> Response:
    """Return the delivery notes as a PDF, one a drop, with lots, SSCCs and lines to sign on."""
    paper, _ = queries.trip_paper(session, now, caller.site_id, trip_id)
    return _pdf(papers.notes_pdf(paper.head, paper.drops))


@routes.get("/trips/{trip_id}/delivery-notes.html", response_class=HTMLResponse)
def print_notes_page(trip_id: Id, session: SessionDep, now: Now, caller: ReaderDep) -> HTMLResponse:
    """Show the delivery notes as a page to print, one sheet a drop."""
    paper, _ = queries.trip_paper(session, now, caller.site_id, trip_id)
    return _page(papers.notes_page(paper.head, paper.drops))


def _taken(judged: TakenBack) -> list[schemas.TakenOut]:
    return [
        schemas.TakenOut(
            kind=one.back.kind,
            pieces=one.back.pieces,
            mass_kg=one.mass_kg,
            places=one.places,
            is_weighed=one.is_weighed,
            riding=[schemas.RidingOut.model_validate(row) for row in one.riding],
            most_pieces=one.most,
        )
        for one in judged.put
    ]


def _pdf(made: bytes) -> Response:
    return Response(made, media_type="application/pdf", headers={"Cache-Control": "no-store"})


def _page(made: str) -> HTMLResponse:
    headers = {"Content-Security-Policy": papers.POLICY, "Cache-Control": "no-store"}
    return HTMLResponse(made, headers=headers)
