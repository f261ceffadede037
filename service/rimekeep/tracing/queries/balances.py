"""Are all cases that were made accounted for, lot by lot, and do ledger and record agree on every unit?"""

from collections.abc import Iterator, Sequence
from typing import Any

from sqlalchemy import (
    BigInteger,
    ColumnElement,
    Executable,
    Select,
    and_,
    case,
    cast,
    func,
    literal,
    or_,
    select,
    union_all,
)
from sqlalchemy.orm import Session
from sqlmodel import SQLModel, col

from rimekeep.access.tables import Principal
from rimekeep.platform.journal import LedgerEvent
from rimekeep.stock.core.states import UnitState
from rimekeep.stock.tables import Lot, Unit, UnitContent
from rimekeep.tracing.core.balance import Balance
from rimekeep.tracing.core.flows import TRANSFERS, Fact
from rimekeep.tracing.core.walk import Parting, partings
from rimekeep.tracing.queries.facts import lot_facts

# Lots told of one by one; whoever harmed more need not read them all.
MOST_TOLD = 50
_EVENTS = SQLModel.metadata.tables["ledger_event"]
_CONTENTS = SQLModel.metadata.tables["unit_content"]


def lot_balance(session: Session, site_id: int, found: Lot) -> Balance:
    """Return where a lot's cases are: as the units carry them, with what the ledger says was written off."""
    has_left = col(Unit.state) == UnitState.DEPARTED
    at_site, departed = session.execute(
        select(
            func.coalesce(func.sum(case((has_left, 0), else_=col(UnitContent.cases))), 0),
            func.coalesce(func.sum(case((has_left, col(UnitContent.cases)), else_=0)), 0),
        )
        .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
        .where(col(UnitContent.site_id) == site_id, col(UnitContent.lot_id) == found.id)
    ).one()
    rows = session.execute(
        select(col(LedgerEvent.kind), func.coalesce(func.sum(col(LedgerEvent.cases)), 0))
        .where(col(LedgerEvent.site_id) == site_id, col(LedgerEvent.lot_id) == found.id)
        .where(col(LedgerEvent.kind).in_(("cases.adjusted", "cases.destroyed")))
        .group_by(col(LedgerEvent.kind))
    )
    written = {kind: cases or 0 for kind, cases in rows}
    return Balance(
        found.cases_made,
        int(at_site),
        int(departed),
        written.get("cases.adjusted", 0),
        written.get("cases.destroyed", 0),
    )


def lot_partings(session: Session, site_id: int, lot_id: int, facts: Sequence[Fact]) -> list[Parting]:
    """Return where the ledger and the record of a lot part; ``facts`` are all its events."""
    record = session.execute(
        select(col(UnitContent.id), col(UnitContent.cases)).where(
            col(UnitContent.site_id) == site_id, col(UnitContent.lot_id) == lot_id
        )
    )
    return partings(facts, {row[0]: row[1] for row in record})


def lots_that_disagree(session: Session, site_id: int) -> Iterator[str]:
    """
    Yield where cases are unaccounted for, and where ledger and record say different numbers on a unit.

    Two statements over everything find the lots; only those are walked event by event.
    """
    wrong = {row[0] for row in session.execute(_units_that_differ(site_id))}
    made = {row[0]: row[1:] for row in session.execute(_made_differently(site_id))}
    codes = session.execute(
        select(col(Lot.id), col(Lot.code))
        .where(col(Lot.id).in_(sorted(wrong | made.keys())[:MOST_TOLD]))
        .order_by(col(Lot.id))
    ).all()
    for lot_id, code in codes:
        if lot_id in made:
            recorded, told, received = made[lot_id]
            if recorded != told:
                yield f"lot {code}: the record says {recorded} cases were made, the ledger {told}"
            if received > told:
                yield f"lot {code}: {told} cases were made, but {received} came in on units"
        if lot_id in wrong:
            facts = lot_facts(session, site_id, lot_id)
            for one in lot_partings(session, site_id, lot_id, facts):
                yield f"lot {code}: {told_parting(session, one)}"
    if len(wrong | made.keys()) > MOST_TOLD:
        yield f"{len(wrong | made.keys()) - MOST_TOLD} more lots have cases unaccounted for"


def told_parting(session: Session, one: Parting) -> str:
    """Return in words where ledger and record parted."""
    what = f"unit {one.sscc or one.unit_id}: the ledger adds up to {one.ledger_cases} cases, the record says"
    said = f"{what} {one.record_cases}"
    if one.first_bad is None:
        if one.last_good is None:
            return f"{said}; no event tells of it"
        return f"{said}; changed after {_event(session, one.last_good)}, unnoticed by any since"
    before = "" if one.last_good is None else f"; it agreed at {_event(session, one.last_good)}"
    return f"{said}{before}; {_event(session, one.first_bad)} found it changed"


def _event(session: Session, fact: Fact) -> str:
    who = None if fact.actor_id is None else session.get(Principal, fact.actor_id)
    by = "the service" if who is None else who.name
    return f"event {fact.seq} ({fact.kind}, {fact.at:%Y-%m-%d %H:%M:%S} UTC, {by})"


def _units_that_differ(site_id: int) -> Select[Any]:
    """Return the lots of which ledger and record differ on any content."""
    data = _EVENTS.c.data
    onto, off = _number(data["content_id"]), _number(data["from_content_id"])
    cases = _EVENTS.c.cases
    of_site = and_(_EVENTS.c.site_id == site_id, _EVENTS.c.lot_id.is_not(None))
    came = ("unit.received", "cases.adjusted", *TRANSFERS)
    sums = union_all(
        select(_EVENTS.c.lot_id, onto.label("content_id"), cases.label("cases")).where(
            of_site, _EVENTS.c.kind.in_(came)
        ),
        select(_EVENTS.c.lot_id, onto, -cases).where(of_site, _EVENTS.c.kind == "cases.destroyed"),
        select(_EVENTS.c.lot_id, off, -cases).where(of_site, _EVENTS.c.kind.in_(tuple(TRANSFERS))),
        select(_CONTENTS.c.lot_id, _CONTENTS.c.id, -_CONTENTS.c.cases).where(_CONTENTS.c.site_id == site_id),
    ).subquery()
    parted = (
        select(sums.c.lot_id)
        .group_by(sums.c.lot_id, sums.c.content_id)
        .having(func.sum(sums.c.cases) != 0)
        .subquery()
    )
    return select(parted.c.lot_id).distinct()


def _made_differently(site_id: int) -> Executable:
    """Return the lots of which record, ledger and arrivals tell different cases made, with the three."""
    is_new = _EVENTS.c.data["is_new"].as_boolean()
    received = _EVENTS.c.kind == "unit.received"
    told = (
        select(
            _EVENTS.c.lot_id,
            func.sum(case((or_(_EVENTS.c.kind == "lot.registered", is_new), _EVENTS.c.cases), else_=0)).label(
                "made"
            ),
            func.sum(case((received, _EVENTS.c.cases), else_=0)).label("received"),
        )
        .where(_EVENTS.c.site_id == site_id, _EVENTS.c.lot_id.is_not(None))
        .where(or_(_EVENTS.c.kind == "lot.registered", received))
        .group_by(_EVENTS.c.lot_id)
        .subquery()
    )
    made, came = func.coalesce(told.c.made, 0), func.coalesce(told.c.received, 0)
    return (
        select(col(Lot.id), col(Lot.cases_made), made, came)
        .outerjoin(told, told.c.lot_id == col(Lot.id))
        .where(col(Lot.site_id) == site_id)
        .where(or_(col(Lot.cases_made) != made, made < came))
    )


def _number(found: Any) -> ColumnElement[int]:
    return cast(func.coalesce(found.as_string(), literal("0")), BigInteger)
