"""Take another pallet than the one a stop names: the next by expiry that the customer's rules allow."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime

from sqlalchemy import insert, update
from sqlalchemy.orm import Session
from sqlmodel import SQLModel

from rimekeep.access.core.roles import Caller
from rimekeep.errors import refused
from rimekeep.picking import queries
from rimekeep.picking.core.outcomes import Outcome
from rimekeep.picking.core.scan import Scanned, read_scan
from rimekeep.picking.core.states import AllocationState, Handling, PickState
from rimekeep.picking.core.wave import Take, Wave, plan_wave, told
from rimekeep.picking.queries import PickFacts, WaveFacts
from rimekeep.picking.usecases.building import lock_units
from rimekeep.picking.usecases.finish import Picked, Report, finish_pick
from rimekeep.picking.usecases.instead import give_back
from rimekeep.picking.usecases.picks import stop_of
from rimekeep.picking.usecases.place import check_place
from rimekeep.stock import usecases as stock_usecases
from rimekeep.stock.core.records import Pickable
from rimekeep.wording import lowered, say

# Whoever stands at the bay waits for this: no long search for it.
LOOK_EFFORT_S = 0.2


@dataclass(frozen=True, slots=True)
class Offer:
    """Cases that may be taken in place of a stop's own, and the last days of their life."""

    unit_id: int
    sscc: str
    zone_id: int
    bay_code: str | None
    lot_code: str
    best_before_on: date
    expires_on: date
    promised_on: date
    cases: int
    how: str


def substitutes(session: Session, now: datetime, caller: Caller, *, pick_id: int) -> list[Offer]:
    """Return what may be taken instead of a pick's own pallet, in the order it has to go, if anything."""
    pick = queries.pick_facts(session, caller.site_id, pick_id, is_locked=False)
    facts = _facts(session, now, caller.site_id, pick)
    takes = sorted(_plan(facts, facts.free).takes, key=lambda take: take.expires_on)
    return [
        Offer(
            take.content.unit_id,
            take.content.sscc,
            take.content.zone_id,
            take.content.bay_code,
            take.content.lot_code,
            take.content.best_before_on,
            take.expires_on,
            take.promised_on,
            take.cases,
            str(take.how),
        )
        for take in takes
    ]


def substitute_pick(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    pick_id: int,
    scan: str,
    bay_check_code: str | None,
    cases: int,
    reason: str,
    lease_s: int,
    device_at: datetime | None = None,
) -> Picked:
    """
    Confirm that cases of another pallet were taken, which has to be the next by expiry, and within the rules.

    The stop's own cases are free again, for whoever comes to them; what the other pallet does not give is
    served from elsewhere.

    Raises
    ------
    Refused
        The pallet may not go to this customer, another has to go first, or it gives fewer cases.
    Conflict
        The pick is done already, or the list is not this device's.
    """
    pick = stop_of(session, now, caller, pick_id, lease_s, is_replanned=True)
    facts = _facts(session, now, caller.site_id, pick)
    take = _chosen(facts, pick, read_scan(scan, reference_year=now.year))
    if cases > take.cases:
        raise refused(
            "too-many-cases",
            "cases",
            say(
                "{cases} cases are confirmed, {take_cases} may be taken of pallet {sscc}.",
                cases=cases,
                take_cases=take.cases,
                sscc=take.content.sscc,
            ),
            say("Put {cases} back.", cases=cases - take.cases),
            {"cases": cases, "wanted": take.cases},
        )
    lock_units(session, caller.site_id, pick, take.content.unit_id)
    _point_to(session, now, caller.site_id, pick, take, cases, reason)
    other = queries.pick_facts(session, caller.site_id, pick_id)
    check_place(session, now, caller, other, scan, bay_check_code)
    said = Report(
        Outcome.SUBSTITUTED,
        cases,
        reason,
        device_at=device_at,
        missing=pick.cases - cases,
        not_from=pick.unit_id,
    )
    return finish_pick(session, now, caller, other, said)


def _facts(session: Session, now: datetime, site_id: int, pick: PickFacts) -> WaveFacts:
    """Return what a wave of this pick alone would be planned from, without the pallet it names."""
    facts = queries.wave_facts(
        session, now, site_id, [pick.order_id], line_ids={pick.line_id}, without=[pick.allocation_id]
    )
    asked = [replace(line, cases=min(line.cases, pick.cases)) for line in facts.asked]
    return replace(facts, asked=asked, free=[one for one in facts.free if one.unit_id != pick.unit_id])


def _plan(facts: WaveFacts, free: Sequence[Pickable]) -> Wave:
    return plan_wave(
        free,
        facts.asked,
        expires_on=facts.expires_on,
        promised_on=facts.promised_on,
        zone=facts.zone,
        mixed_units=facts.mixed_units,
        effort=LOOK_EFFORT_S,
    )


def _chosen(facts: WaveFacts, pick: PickFacts, scanned: Scanned) -> Take:
    """Return what is taken of the pallet that was scanned; raise Refused unless it is its turn."""
    data: dict[str, object] = {"scanned": {"sscc": scanned.sscc, "lot_code": scanned.lot_code}}
    if scanned.sscc == pick.sscc:
        fact = say("Pallet {sscc} is the one stop {stop} asks for.", sscc=pick.sscc, stop=pick.stop)
        raise refused("not-another", "scan", fact, say("Confirm the stop."), data)
    first = min(_plan(facts, facts.free).takes, key=lambda take: take.expires_on, default=None)
    if scanned.sscc is not None:
        free = [one for one in facts.free if one.sscc == scanned.sscc]
    else:
        is_product = scanned.gtin is not None and scanned.gtin == pick.gtin
        free = [one for one in facts.free if is_product and one.lot_code == scanned.lot_code]
    wave = _plan(facts, free)
    if not wave.takes:
        why: str = say("it is not free stock of this product.")
        if free and (short := wave.short.get(pick.line_id)) is not None:
            why = lowered(told(short).text)
        mend = say("Nothing else may be taken; report the pick short.")
        if first is not None:
            mend = say(
                "Take pallet {sscc} with lot {lot_code}.",
                sscc=first.content.sscc,
                lot_code=first.content.lot_code,
            )
        fact = say("{what} may not go to this customer: {why}", what=scanned.opening, why=why)
        raise refused("not-eligible", "scan", fact, mend, data)
    take = wave.takes[0]
    if first is not None and first.expires_on < take.expires_on:
        raise refused(
            "older-first",
            "scan",
            say(
                "Lot {lot_code} lasts through {expires_on}; lot {content_lot_code} goes first, it lasts "
                "through {first_expires_on}.",
                lot_code=take.content.lot_code,
                expires_on=take.expires_on,
                content_lot_code=first.content.lot_code,
                first_expires_on=first.expires_on,
            ),
            say(
                "Take pallet {sscc} at bay {bay_code}.",
                sscc=first.content.sscc,
                bay_code=first.content.bay_code,
            )
            if first.content.bay_code
            else say("Take pallet {sscc}.", sscc=first.content.sscc),
            data,
        )
    return take


def _point_to(
    session: Session, now: datetime, site_id: int, pick: PickFacts, take: Take, cases: int, reason: str
) -> None:
    """Let the stop ask for the other cases, and give its own back."""
    give_back(session, pick)
    stock_usecases.reserve_cases(session, take.content.content_id, cases)
    how = take.how
    if cases != take.cases:
        how = Handling.CASES if cases % take.content.cases_per_layer else Handling.LAYERS
    tables = SQLModel.metadata.tables
    row = {
        "site_id": site_id,
        "line_id": pick.line_id,
        "content_id": take.content.content_id,
        "cases": cases,
        "how": str(how),
        "state": str(AllocationState.RESERVED),
        "at": now,
    }
    allocation = tables["allocation"]
    allocation_id = session.execute(insert(allocation).values(row).returning(allocation.c.id)).scalar_one()
    table = tables["pick"]
    session.execute(
        update(table)
        .where(table.c.id == pick.pick_id, table.c.state == PickState.OPEN)
        .values(
            allocation_id=allocation_id,
            bay_id=take.content.bay_id,
            note=say(
                "In place of lot {lot} on pallet {end}: {reason}",
                lot=pick.lot_code,
                end=pick.sscc[-6:],
                reason=reason,
            )[:200],
        )
    )
