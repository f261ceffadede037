"""Where it all went."""

from rimekeep.access.dependencies import ReaderDep
from rimekeep.platform.http import SessionDep, router
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id
from rimekeep.stock.queries import lot
from rimekeep.tracing import queries, schemas

routes = router("", "tracing")


@routes.get("/lots/{lot_id}/trace")
def trace_lot(lot_id: Id, session: SessionDep, caller: ReaderDep) -> schemas.TraceOut:
    """Tell who got cases of a lot, and whether its balance is right to the case."""
    found = lot(session, caller.site_id, lot_id)
    left = queries.departures(session, caller.site_id, lot_id)
    ends = queries.arrivals_of(session, caller.site_id, lot_id)
    refused = queries.refused_of(session, caller.site_id, lot_id)
    return schemas.TraceOut(
        lot_id=found.id,
        lot_code=found.code,
        balance=schemas.BalanceOut.model_validate(queries.lot_balance(session, caller.site_id, found)),
        departures=[
            schemas.DepartureOut(
                at=event.at,
                cases=event.cases or 0,
                sscc=event.data["sscc"],
                customer=event.data.get("customer"),
                order=event.data.get("order"),
                trip_id=event.data.get("trip_id"),
                came_back=end is not None and end.kind == "unit.taken-back",
                refused_cases=refused.get(key, 0),
                off_at=None if end is None else end.at,
            )
            for event in left
            for key in [(event.unit_id or 0, event.data.get("trip_id") or 0)]
            for end in [ends.get(key)]
        ],
    )


@routes.get("/lots/{lot_id}/events")
def list_lot_events(
    lot_id: Id, session: SessionDep, caller: ReaderDep, asked: PageDep
) -> Page[schemas.EventOut]:
    """List everything that happened to a lot, from the ledger."""
    return asked.show(session, queries.lot_events(session, caller.site_id, lot_id), schemas.EventOut)
