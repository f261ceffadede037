"""Hold what was found at a place against the record of that moment."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Invalid, Missing, invalid, refused
from rimekeep.picking import queries
from rimekeep.picking.core.counts import (
    COUNT_WANTED,
    SETTLED,
    CountState,
    Finding,
    judge,
    wants_second_count,
)
from rimekeep.picking.core.scan import is_same_code
from rimekeep.picking.tables import Count, CountLine
from rimekeep.picking.usecases.counting import settle_count, taken_count
from rimekeep.platform.journal import Event, Notice, announce, record
from rimekeep.stock import queries as stock
from rimekeep.stock import usecases as stock_usecases
from rimekeep.stock.core.scan import elements_of
from rimekeep.stock.core.states import QaState, UnitState
from rimekeep.stock.queries import Since
from rimekeep.stock.tables import Lot, Product, Unit, UnitContent
from rimekeep.wording import say

LATEST_S = 86_400


@dataclass(frozen=True, slots=True)
class CountedLot:
    """Cases of one lot on a unit, as counted; ``lot`` is its code or the scan of a case label."""

    lot: str
    cases: int


@dataclass(frozen=True, slots=True)
class CountedUnit:
    """A unit found, as scanned, with all that is on it."""

    scan: str
    lots: tuple[CountedLot, ...]


@dataclass(slots=True)
class _Answer:
    """What is known while an answer is worked out."""

    count: Count
    counted_at: datetime
    lines: list[CountLine] = field(default_factory=list)

    def add(self, finding: Finding, sscc: str, counted: int = 0, recorded: int = 0, **facts: Any) -> None:
        self.lines.append(
            CountLine(
                site_id=self.count.site_id,
                count_id=self.count.id,
                round=self.count.round,
                finding=finding,
                sscc=sscc,
                counted_cases=counted,
                recorded_cases=recorded,
                **facts,
            )
        )


def answer_count(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    count_id: int,
    bay_check_code: str | None,
    counted_s_ago: float,
    units: Sequence[CountedUnit],
) -> Count:
    """
    Take in what was found at a place; nothing named means that nothing stands there.

    ``counted_s_ago`` is by the device's own stopwatch, so that an answer sent late, from a device whose clock
    is wrong, is still held against the record of its moment. What agrees is done; a large difference is
    counted again by somebody else; any other waits for the lead.
    """
    count = taken_count(session, caller, count_id)
    if not 0 <= counted_s_ago <= LATEST_S:
        raise invalid(
            "counted_s_ago",
            say("It was counted more than a day ago, or not yet."),
            say("Count again, and send it then."),
        )
    if count.bay_id is not None:
        bay = stock.bay(session, caller.site_id, count.bay_id)
        if not bay_check_code or not is_same_code(bay_check_code, bay.check_code):
            raise refused(
                "wrong-bay",
                "bay_check_code",
                say("That is not the check code of the bay to be counted."),
                say("Go to bay {code} and read the code on its label.", code=bay.code),
                {"bay": bay.code},
            )
    answer = _Answer(count, now - timedelta(seconds=counted_s_ago))
    scanned = _scanned(session, now, caller.site_id, units)
    _work_out(session, caller, answer, scanned)
    session.add_all(answer.lines)
    count.counted_at, count.leased_until = answer.counted_at, None
    _hold_missing(session, now, caller, answer)
    found = [(Finding(line.finding), line.counted_cases, line.recorded_cases) for line in answer.lines]
    if all(finding in SETTLED for finding, _, _ in found):
        settle_count(session, now, caller, count, answer.lines, "counted: agrees with the record")
    elif count.round == 1 and wants_second_count(found):
        count.state, count.round, count.before_id, count.counter_id = CountState.OPEN, 2, caller.id, None
    else:
        count.state = CountState.WAITING
        _tell_lead(session, now, caller, count, answer.lines)
    session.flush()
    data = {
        "count_id": count.id,
        "state": str(count.state),
        "round": answer.lines[0].round if answer.lines else count.round,
        "counted_at": answer.counted_at.isoformat(),
        "zone_id": count.zone_id,
        "bay_id": count.bay_id,
        "found": [
            {
                "sscc": line.sscc,
                "lot_id": line.lot_id,
                "finding": str(line.finding),
                "counted": line.counted_cases,
                "recorded": line.recorded_cases,
            }
            for line in answer.lines
        ],
    }
    record(session, caller.site_id, Event("count.answered", now, actor_id=caller.id, data=data))
    return count


@dataclass(frozen=True, slots=True)
class _Seen:
    """A unit scanned: its row, if it is known here, and the cases by lot."""

    sscc: str
    unit_id: int | None
    cases: dict[int, int]
    named: tuple[tuple[str, int], ...]


def _scanned(session: Session, now: datetime, site_id: int, units: Sequence[CountedUnit]) -> list[_Seen]:
    seen: dict[str, _Seen] = {}
    for place, unit in enumerate(units):
        where = f"units[{place}].scan"
        try:
            sscc = elements_of(unit.scan, reference_year=now.year).get("00")
        except Invalid as error:
            raise invalid(
                where, str(error), say("Scan the pallet's label."), code="scan-unreadable"
            ) from None
        if sscc is None:
            raise invalid(where, say("It names no pallet."), say("Scan the SSCC on the pallet's label."))
        if sscc in seen:
            raise invalid(
                where,
                say("Pallet {sscc} stands twice.", sscc=sscc),
                say("Give each pallet once, with all its lots."),
            )
        try:
            unit_id: int | None = stock.unit_by_sscc(session, site_id, sscc).id
        except Missing:
            unit_id = None
        cases: dict[int, int] = {}
        for number, one in enumerate(unit.lots):
            if unit_id is None:
                continue
            lot_id = _lot(session, now, site_id, unit_id, one.lot, f"units[{place}].lots[{number}].lot")
            if lot_id in cases:
                raise invalid(
                    f"units[{place}].lots[{number}].lot",
                    say("The lot stands twice."),
                    say("Add its cases up."),
                )
            cases[lot_id] = one.cases
        named = tuple((one.lot, one.cases) for one in unit.lots)
        seen[sscc] = _Seen(sscc, unit_id, cases, named)
    return list(seen.values())


def _lot(session: Session, now: datetime, site_id: int, unit_id: int, given: str, where: str) -> int:
    """Return the lot a code or a case label names: one on the unit rather than another of the site."""
    gtin: str | None = None
    code = given.strip()
    by_code = select(col(Lot.id)).where(col(Lot.site_id) == site_id, col(Lot.code) == code)
    on_unit = select(col(UnitContent.lot_id)).where(col(UnitContent.unit_id) == unit_id)
    found = list(session.scalars(by_code.where(col(Lot.id).in_(on_unit))))
    if not found:
        found = list(session.scalars(by_code))
    if not found:
        try:
            elements = elements_of(code, reference_year=now.year)
        except Invalid:
            elements = {}
        gtin = elements.get("01") or elements.get("02")
        if gtin is not None and "10" in elements:
            of_product = select(col(Product.id)).where(
                col(Product.site_id) == site_id, col(Product.gtin) == gtin
            )
            statement = select(col(Lot.id)).where(
                col(Lot.site_id) == site_id,
                col(Lot.code) == elements["10"],
                col(Lot.product_id).in_(of_product),
            )
            found = list(session.scalars(statement))
    if len(found) == 1:
        return found[0]
    fact = say("Several products have a lot") if found else say("There is no lot")
    raise invalid(
        where,
        say("{fact} {given!r} here.", fact=fact, given=given),
        say("Scan the label of a case, or check the code."),
    )


def _work_out(session: Session, caller: Caller, answer: _Answer, scanned: Sequence[_Seen]) -> None:
    count, at = answer.count, answer.counted_at
    expected = _expected(session, caller.site_id, count, at)
    known = {one.unit_id: one for one in scanned if one.unit_id is not None}
    # Locked, so that a pick is either wholly in the record looked at or not at all.
    units = {
        unit.id: unit for unit in stock_usecases.locked_units(session, caller.site_id, {*expected, *known})
    }
    contents: dict[int, list[UnitContent]] = defaultdict(list)
    rows = session.scalars(
        select(UnitContent)
        .where(col(UnitContent.unit_id).in_(sorted(units)))
        .order_by(col(UnitContent.id))
        .execution_options(populate_existing=True)
    )
    for row in rows:
        contents[row.unit_id].append(row)
    ids = {row.id for some in contents.values() for row in some}
    since = stock.moved_since(session, caller.site_id, ids, at)
    hands = queries.in_hand(session, ids, at)
    for unit_id in sorted(units):
        unit, seen = units[unit_id], known.get(unit_id)
        if seen is None:
            _add_unseen(answer, unit, contents[unit_id], since, hands)
        elif unit.state in (UnitState.LOADED, UnitState.DEPARTED) or (
            unit.state == UnitState.PICKED and not _came_after(unit, at)
        ):
            answer.add(Finding.NOT_STOCK, unit.sscc, counted=sum(seen.cases.values()), unit_id=unit.id)
        else:
            if unit.state == UnitState.EMPTY and sum(seen.cases.values()) > 0:
                answer.add(Finding.FOUND_AGAIN, unit.sscc, unit_id=unit.id)
            elif unit.state == UnitState.IN_STORE and unit_id not in expected and not _came_after(unit, at):
                answer.add(Finding.WRONG_BAY, unit.sscc, unit_id=unit.id)
            _add_cases(answer, unit, contents[unit_id], since, hands, seen.cases)
    for seen in scanned:
        if seen.unit_id is None:
            answer.add(Finding.UNKNOWN_UNIT, seen.sscc, counted=sum(cases for _, cases in seen.named))


def _came_after(unit: Unit, at: datetime) -> bool:
    return unit.placed_at is not None and unit.placed_at > at


def _expected(session: Session, site_id: int, count: Count, at: datetime) -> set[int]:
    """Return the units that stood at the place at the moment of the count, as far as the record tells."""
    if count.unit_id is not None:
        unit = stock.unit(session, site_id, count.unit_id)
        stands = unit.state == UnitState.IN_STORE and (unit.zone_id, unit.bay_id) == (count.zone_id, None)
        return {unit.id} if stands else set()
    placed = func.coalesce(col(Unit.placed_at), col(Unit.received_at))
    statement = select(col(Unit.id)).where(
        col(Unit.site_id) == site_id,
        col(Unit.bay_id) == count.bay_id,
        col(Unit.state) == UnitState.IN_STORE,
        placed <= at,
    )
    return set(session.scalars(statement))


def _add_unseen(
    answer: _Answer, unit: Unit, contents: Sequence[UnitContent], since: Since, hands: dict[int, list[int]]
) -> None:
    for row in contents:
        recorded = row.cases + since.taken.get(row.id, 0)
        if recorded:
            gone = judge(0, recorded, hands.get(row.id, ()))
            finding = Finding.MISSING if gone == Finding.FEWER else gone
            answer.add(finding, unit.sscc, 0, recorded, unit_id=unit.id, content_id=row.id, lot_id=row.lot_id)


def _add_cases(
    answer: _Answer,
    unit: Unit,
    contents: Sequence[UnitContent],
    since: Since,
    hands: dict[int, list[int]],
    counted: dict[int, int],
) -> None:
    """Hold each lot on a unit that was seen against the record; its first content stands for the lot."""
    by_lot: dict[int, list[UnitContent]] = defaultdict(list)
    for row in contents:
        by_lot[row.lot_id].append(row)
    for lot_id in sorted({*by_lot, *counted}):
        rows = by_lot.get(lot_id, [])
        recorded = sum(row.cases + since.taken.get(row.id, 0) for row in rows)
        number = counted.get(lot_id, 0)
        if not recorded and not number:
            continue
        in_hand = [cases for row in rows for cases in hands.get(row.id, ())]
        finding = judge(number, recorded, in_hand)
        if any(row.id in since.adjusted for row in rows) and finding not in SETTLED:
            # The record was set by hand since: whether before or after this was seen, nobody can say.
            finding = Finding.UNCLEAR
        # Where several contents of one lot stand on a unit, cases differ on the one with the most of them.
        content = max(rows, key=lambda row: (row.cases, -row.id), default=None)
        content_id = None if content is None else content.id
        answer.add(
            finding, unit.sscc, number, recorded, unit_id=unit.id, content_id=content_id, lot_id=lot_id
        )


def _hold_missing(session: Session, now: datetime, caller: Caller, answer: _Answer) -> None:
    """Promise nobody more of a unit that is not where it should be, until the lead has said what holds."""
    gone = {line.unit_id for line in answer.lines if line.finding == Finding.MISSING}
    seen = {line.unit_id for line in answer.lines if line.finding not in (Finding.MISSING, Finding.IN_HAND)}
    for unit_id in sorted(one for one in gone - seen if one is not None):
        unit = stock.unit(session, caller.site_id, unit_id)
        if unit.state == UnitState.IN_STORE and unit.qa_state == QaState.RELEASED:
            reason = f"{COUNT_WANTED}: not found where it should stand, count {answer.count.id}"
            stock_usecases.hold_unit(session, now, caller, unit_id=unit_id, reason=reason)


def _tell_lead(
    session: Session, now: datetime, caller: Caller, count: Count, lines: Sequence[CountLine]
) -> None:
    off = [line for line in lines if line.finding not in SETTLED]
    data = {
        "count_id": count.id,
        "zone_id": count.zone_id,
        "bay_id": count.bay_id,
        "findings": [
            {
                "sscc": line.sscc,
                "finding": str(line.finding),
                "cases": line.counted_cases - line.recorded_cases,
            }
            for line in off[:100]
        ],
    }
    announce(session, caller.site_id, Notice("count.differs", now, data))
