"""
Goods a customer sends back after they were handed over: into a room again, and on hold for QA.

What air they stood in meanwhile nobody knows, so they are never stock again without QA's word.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Refused, invalid, refused
from rimekeep.loading import queries
from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.core.states import Fate
from rimekeep.loading.tables import CustomerReturn, DeckPlace
from rimekeep.loading.usecases.telling import way_facts
from rimekeep.orders import queries as order_queries
from rimekeep.orders.tables import Customer
from rimekeep.picking.usecases import refuse_allocations, return_allocations
from rimekeep.platform.journal import Notice, announce
from rimekeep.stock import queries as stock_queries
from rimekeep.stock import usecases as stock
from rimekeep.stock.core.records import ContentView
from rimekeep.stock.core.states import UnitState
from rimekeep.stock.tables import Unit
from rimekeep.wording import say


def return_goods(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    customer_id: int,
    sscc: str,
    zone_id: int,
    reason: str,
    cases: int | None = None,
    lot: str | None = None,
    bay_id: int | None = None,
    at: datetime | None = None,
) -> tuple[Unit, list[CustomerReturn]]:
    """
    Take back a unit a customer got, as it stands, or some of its cases, which get a unit of their own.

    Raises
    ------
    Refused
        The customer never got the unit, or has fewer cases of it than are said to come back.
    """
    if lot is not None and cases is None:
        raise invalid(
            "lot",
            say("A unit comes back as it stands."),
            say("Say how many cases of the lot, or leave the lot out."),
        )
    customer = order_queries.customer(session, caller.site_id, customer_id)
    unit = stock_queries.unit_by_sscc(session, caller.site_id, sscc)
    place = queries.newest_place(session, caller.site_id, unit.id)
    if place is not None:
        order_queries.lock_orders(session, caller.site_id, {place.order_id})
    # Who returns the same at the same moment waits here, and then sees what is left.
    (unit,) = stock.locked_units(session, caller.site_id, [unit.id])
    place = queries.newest_place(session, caller.site_id, unit.id)
    view, facts = _handed_over(session, caller, customer, unit, place)
    assert place is not None
    is_gone = unit.state == UnitState.DEPARTED and view.fate == Fate.DELIVERED
    there = stock_queries.contents(session, caller.site_id, unit_ids=[unit.id]) if is_gone else []
    chosen = _chosen(session, customer, view, there, cases, lot)
    returned_at = at or now
    said: dict[str, Any] = {
        "zone_id": zone_id,
        "bay_id": bay_id,
        "at": returned_at,
        "facts": {**facts, "reason": reason},
    }
    if cases is None:
        unit = stock.take_in_unit(session, now, caller, unit_id=unit.id, **said)
        place.fate = Fate.SENT_BACK
        return_allocations(session, caller.site_id, [unit.id])
        back = [(one.id, one.lot_id, one.cases) for one, _ in chosen]
    else:
        taken = [(one.id, some) for one, some in chosen]
        unit, moved = stock.take_in_cases(session, now, caller, unit_id=unit.id, taken=taken, **said)
        back = [(one.id, one.lot_id, one.cases) for one in moved]
        for (content_id, some), one in zip(taken, moved, strict=True):
            refuse_allocations(
                session,
                now,
                caller.site_id,
                order_id=view.order_id,
                content_id=content_id,
                to_content_id=one.id,
                cases=some,
            )
    rows = [
        CustomerReturn(
            site_id=caller.site_id,
            customer_id=customer.id,
            order_id=view.order_id,
            trip_id=view.trip_id,
            unit_id=view.unit_id,
            returned_unit_id=unit.id,
            content_id=content_id,
            lot_id=lot_id,
            cases=some,
            reason=reason,
            returned_at=returned_at,
            recorded_at=now,
            recorded_by=caller.id,
        )
        for content_id, lot_id, some in back
    ]
    session.add_all(rows)
    session.flush()
    why = f"sent back by {customer.code}: {reason}"
    stock.hold_units(session, now, caller.site_id, unit_ids=[unit.id], reason=why, actor_id=caller.id)
    announce(session, caller.site_id, Notice("goods.returned", now, _told(view, unit, rows, reason)))
    return unit, rows


def _told(view: PlaceView, unit: Unit, rows: Sequence[CustomerReturn], reason: str) -> dict[str, Any]:
    """Return what QA has to know to judge what came back."""
    return {
        "customer": view.customer_code,
        "order": view.order_code,
        "sscc": unit.sscc,
        "delivered_on": view.sscc,
        "cases": sum(row.cases for row in rows),
        "lot_ids": sorted({row.lot_id for row in rows}),
        "zone_id": unit.zone_id,
        "reason": reason,
    }


def _handed_over(
    session: Session, caller: Caller, customer: Customer, unit: Unit, place: DeckPlace | None
) -> tuple[PlaceView, dict[str, Any]]:
    """Return the place a unit was handed over from, and what the ledger keeps of it; refuse any other."""
    if place is not None and place.fate in (Fate.DELIVERED, Fate.SENT_BACK):
        trip = queries.trip(session, caller.site_id, place.trip_id)
        vehicle = queries.vehicle(session, caller.site_id, trip.vehicle_id)
        view = next(one for one in queries.places(session, [trip.id]) if one.unit_id == unit.id)
        if view.customer_id == customer.id:
            return view, way_facts(trip, vehicle, view)
        fact = say(
            "Unit {sscc} was last handed over to {customer_code}, not to {code}.",
            sscc=unit.sscc,
            customer_code=view.customer_code,
            code=customer.code,
        )
    else:
        fact = say("No drop told that unit {sscc} was handed over.", sscc=unit.sscc)
    raise refused(
        "not-handed-over",
        "sscc",
        fact,
        say("Scan the unit again, or have its drop noted as delivered."),
        {"sscc": unit.sscc, "customer": customer.code},
    )


def _chosen(
    session: Session,
    customer: Customer,
    view: PlaceView,
    there: Sequence[ContentView],
    cases: int | None,
    lot: str | None,
) -> list[tuple[ContentView, int]]:
    """
    Return the contents that come back, with the cases of each; of one lot those put on first go first.

    Refused is more than the customer was handed over and has not sent back.
    """
    returned = queries.returned_cases(session, view.trip_id, view.unit_id)
    own, back, what = list(there), sum(some for _, some in returned.values()), f"unit {view.sscc}"
    if lot is not None or cases is not None:
        lot_id = _lot_of(there, returned, lot)
        own = [one for one in there if one.lot_id == lot_id]
        code, back = returned.get(lot_id, (own[0].lot_code if own else "", 0))
        what = say("lot {code} on {what}", code=code, what=what)
    left = sum(one.cases for one in own)
    if left < (cases or 1):
        raise Refused(
            "more-than-delivered",
            say(
                "Of {what} {code} was handed over {left} cases and has sent back {back}; {left_2} can "
                "still come back.",
                what=what,
                code=customer.code,
                left=left + back,
                back=back,
                left_2=left,
            ),
            data={"sscc": view.sscc, "delivered": left + back, "returned": back, "left": left},
        )
    chosen: list[tuple[ContentView, int]] = []
    wanted = left if cases is None else cases
    for one in sorted(own, key=lambda one: one.id):
        some = min(wanted, one.cases)
        if some:
            chosen.append((one, some))
        wanted -= some
    return chosen


def _lot_of(there: Sequence[ContentView], returned: Mapping[int, tuple[str, int]], lot: str | None) -> int:
    codes = {one.lot_id: one.lot_code for one in there} | {key: code for key, (code, _) in returned.items()}
    found = [key for key, code in codes.items() if lot in (None, code)]
    if len(found) == 1:
        return found[0]
    lots = ", ".join(sorted(set(codes.values())))
    fact = (
        say("The unit carried lots {lots}.", lots=lots)
        if found
        else say("The unit carried no lot {lot}.", lot=lot)
    )
    raise invalid("lot", fact, say("Give one of {lots}.", lots=lots))
