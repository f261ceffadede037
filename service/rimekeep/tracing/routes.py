"""Where it all went."""

from collections.abc import Callable, Mapping, Sequence
from typing import Annotated, TypeVar

from fastapi import Path, Query, Response
from pydantic import BaseModel

from rimekeep.access.dependencies import ReaderDep
from rimekeep.orders import queries as orders
from rimekeep.platform.http import SessionDep, router
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id, Instant
from rimekeep.stock.queries import lot, unit_by_sscc
from rimekeep.tracing import queries, schemas
from rimekeep.tracing.core import graph as graphs
from rimekeep.tracing.core.departures import departures
from rimekeep.tracing.core.flows import Flow, Kind, Place, Story, Way, read_story
from rimekeep.tracing.core.picture import picture
from rimekeep.tracing.core.table import table
from rimekeep.tracing.dependencies import FORMS, MEDIA, Form, FormDep

routes = router("", "tracing")
Told = TypeVar("Told", bound=BaseModel)
Sscc = Annotated[str, Path(pattern=r"^[0-9]{18}$", description="The unit's SSCC.")]


@routes.get("/lots/{lot_id}/trace", response_model=schemas.TraceOut, responses=FORMS)
def trace_lot(
    lot_id: Id, session: SessionDep, caller: ReaderDep, form: FormDep
) -> schemas.TraceOut | Response:
    """Tell where every case of a lot went, who got them, and whether its balance is right to the case."""
    found = lot(session, caller.site_id, lot_id)
    facts = queries.lot_facts(session, caller.site_id, lot_id)
    story = read_story(facts)
    named = Story(story.flows, story.handed_over, {**story.names, Place(Kind.LOT, str(found.id)): found.code})
    lots = {found.id: found.code}

    def whole(flow: schemas.FlowOut) -> schemas.TraceOut:
        balance = queries.lot_balance(session, caller.site_id, found)
        handed_over = sum(one.cases for one in story.handed_over)
        return schemas.TraceOut(
            **dict(flow),
            lot_id=found.id,
            lot_code=found.code,
            balance=schemas.BalanceOut(
                made=balance.made,
                at_site=balance.at_site,
                departed=balance.departed,
                handed_over=handed_over,
                on_the_road=balance.departed - handed_over,
                adjusted=balance.adjusted,
                destroyed=balance.destroyed,
                not_received=balance.made - sum(one.cases for one in story.flows if one.way == Way.RECEIVED),
                difference=balance.difference,
            ),
            partings=[
                schemas.PartingOut.of(one)
                for one in queries.lot_partings(session, caller.site_id, lot_id, facts)
            ],
            customers=_got(story.flows, named, lots),
            departures=[schemas.DepartureOut.model_validate(one) for one in departures(facts)],
        )

    return _answer(form, f"Lot {found.code}", f"lot-{found.id}", named, story.flows, lots, whole)


@routes.get("/units/{sscc}/trace", response_model=schemas.UnitTraceOut, responses=FORMS)
def trace_unit(
    sscc: Sscc, session: SessionDep, caller: ReaderDep, form: FormDep
) -> schemas.UnitTraceOut | Response:
    """Tell from which lots and units everything on a unit came, and where it went from there."""
    unit = unit_by_sscc(session, caller.site_id, sscc)
    facts = queries.unit_facts(session, caller.site_id, queries.family(session, [unit.id]))
    place = Place(Kind.UNIT, str(unit.id))
    story, lots = _named(session, caller.site_id, read_story(facts))
    contents = graphs.contents_on(story, {place})
    chosen = {flow.seq: flow for flow in graphs.upstream(story, contents)}
    chosen |= {flow.seq: flow for flow in graphs.downstream(story, contents)}
    flows = [chosen[seq] for seq in sorted(chosen)]

    def whole(flow: schemas.FlowOut) -> schemas.UnitTraceOut:
        onward = graphs.downstream(story, contents)
        return schemas.UnitTraceOut(
            **dict(flow),
            sscc=sscc,
            origins=[schemas.OriginOut.of(one, story, lots) for one in graphs.origins(story, {place})],
            customers=_got(onward, story, lots),
        )

    return _answer(form, f"Unit {sscc}", f"unit-{sscc}", story, flows, lots, whole)


@routes.get("/customers/{customer_id}/trace", response_model=schemas.CustomerTraceOut, responses=FORMS)
def trace_customer(
    customer_id: Id,
    session: SessionDep,
    caller: ReaderDep,
    form: FormDep,
    from_at: Annotated[Instant | None, Query(description="Trips that departed then or later.")] = None,
    until_at: Annotated[Instant | None, Query(description="Trips that departed before.")] = None,
) -> schemas.CustomerTraceOut | Response:
    """Tell of which lots a customer got cases, how many, and from which units they came."""
    customer = orders.customer(session, caller.site_id, customer_id)
    unit_ids = queries.sent_to(session, caller.site_id, customer_id, from_at=from_at, until_at=until_at)
    # What was refused of them was put onto units of its own, which tell of it.
    facts = queries.unit_facts(session, caller.site_id, queries.family(session, unit_ids))
    story, lots = _named(session, caller.site_id, read_story(facts))
    place, units = Place(Kind.CUSTOMER, str(customer_id)), {Place(Kind.UNIT, str(one)) for one in unit_ids}
    sent = {flow.content_id for flow in story.flows if flow.target == place and flow.source in units}
    with_them = [
        flow
        for flow in story.flows
        if place in (flow.source, flow.target) and sent & {flow.content_id, flow.from_content_id}
    ]
    chosen = {flow.seq: flow for flow in graphs.upstream(story, sent)}
    chosen |= {flow.seq: flow for flow in with_them}
    flows = [chosen[seq] for seq in sorted(chosen)]

    def whole(flow: schemas.FlowOut) -> schemas.CustomerTraceOut:
        return schemas.CustomerTraceOut(
            **dict(flow),
            customer_id=customer.id,
            customer=customer.code,
            origins=[schemas.OriginOut.of(one, story, lots) for one in graphs.got_by(story, with_them)],
        )

    title = f"Customer {customer.code}"
    return _answer(form, title, f"customer-{customer_id}", story, flows, lots, whole)


@routes.get("/lots/{lot_id}/events")
def list_lot_events(
    lot_id: Id, session: SessionDep, caller: ReaderDep, asked: PageDep
) -> Page[schemas.EventOut]:
    """List everything that happened to a lot, from the ledger."""
    return asked.show(session, queries.lot_events(session, caller.site_id, lot_id), schemas.EventOut)


def _named(session: SessionDep, site_id: int, story: Story) -> tuple[Story, dict[int, str]]:
    """Return a story with its lots called by their codes, and the codes."""
    lots = queries.lot_codes(session, site_id, (flow.lot_id for flow in story.flows))
    codes = {Place(Kind.LOT, str(lot_id)): code for lot_id, code in lots.items()}
    return Story(story.flows, story.handed_over, {**story.names, **codes}), lots


def _got(flows: Sequence[Flow], story: Story, lots: Mapping[int, str]) -> list[schemas.GotOut]:
    return [
        schemas.GotOut(
            customer=story.names.get(place, place.key), lot_id=lot_id, lot=lots[lot_id], cases=cases
        )
        for (place, lot_id), cases in graphs.lots_at_customers(flows).items()
    ]


def _answer(
    form: Form,
    title: str,
    name: str,
    story: Story,
    flows: Sequence[Flow],
    lots: Mapping[int, str],
    whole: Callable[[schemas.FlowOut], Told],
) -> Told | Response:
    graph = graphs.graph_of(flows, story.names)
    if form == Form.JSON:
        return whole(schemas.FlowOut.of(graph, lots))
    if form == Form.CSV:
        text, headers = (
            table(graph, lots=lots),
            {"Content-Disposition": f'attachment; filename="trace-{name}.csv"'},
        )
    else:
        # A picture opened by itself loads and runs nothing.
        policy = "default-src 'none'; style-src 'unsafe-inline'"
        text, headers = picture(graph, title=title, lots=lots), {"Content-Security-Policy": policy}
    return Response(text, media_type=f"{MEDIA[form]}; charset=utf-8", headers={**headers, "Vary": "Accept"})
