"""
Confirm picks, or report them short.

Every check comes before the first write, and says what was read, what is wanted and what to do. Caution: look
before you lift; a broken pallet is re-stacked by the site's own rules before a truck moves it.
"""

from datetime import datetime
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from rimekeep.access.core.promises import PromisesBy
from rimekeep.access.core.roles import Caller
from rimekeep.access.queries import site_of
from rimekeep.errors import Conflict, Missing, invalid, refused
from rimekeep.picking import queries
from rimekeep.picking.core.scan import Wanted, check_scan, is_same_code, read_scan
from rimekeep.picking.core.states import ListState, PickState
from rimekeep.picking.queries import PickFacts
from rimekeep.picking.usecases.finish import Picked, finish_pick
from rimekeep.picking.usecases.lists import not_yours
from rimekeep.shelflife import queries as shelflife
from rimekeep.stock import queries as stock
from rimekeep.stock.core.states import QaState

_BY: dict[str, str] = {
    PromisesBy.MEDIAN: "by the median of its life",
    PromisesBy.CAUTIOUS: "by the cautious date, which this site promises",
}


def confirm_pick(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    pick_id: int,
    scan: str,
    bay_check_code: str | None,
    cases: int,
    lease_s: int,
) -> Picked:
    """
    Confirm that the cases of a pick were taken.

    Raises
    ------
    Refused
        Wrong bay, pallet, lot or product, another quantity, or stock QA has stopped since.
    Conflict
        The pick is done already, or the list is not this device's.
    """
    pick = queries.pick_facts(session, caller.site_id, pick_id)
    _check_turn(session, caller, pick)
    _check_place(session, now, caller, pick, scan, bay_check_code)
    if cases > pick.cases:
        raise refused(
            "too-many-cases",
            "cases",
            f"{cases} cases are confirmed, {pick.cases} are asked for.",
            f"Put {cases - pick.cases} back.",
            {"cases": cases, "wanted": pick.cases},
        )
    if cases < pick.cases:
        raise refused(
            "too-few-cases",
            "cases",
            f"{cases} cases are confirmed, {pick.cases} are asked for.",
            "Take the rest, or report the pick short with the reason.",
            {"cases": cases, "wanted": pick.cases},
        )
    return finish_pick(session, now, caller, pick, cases, PickState.DONE, "", lease_s)


def short_pick(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    pick_id: int,
    cases_found: int,
    reason: str,
    scan: str | None = None,
    bay_check_code: str | None = None,
    lease_s: int,
) -> Picked:
    """
    Report that fewer cases are there than the pick asks for.

    What was found is taken (its scan is checked as for a confirmation); the rest is no longer reserved, its
    line is short, and the pallet is held until somebody has counted it.
    """
    pick = queries.pick_facts(session, caller.site_id, pick_id)
    _check_turn(session, caller, pick)
    if cases_found >= pick.cases:
        raise refused(
            "not-short",
            "cases_found",
            f"{cases_found} cases were found and {pick.cases} are asked for: nothing is short.",
            "Confirm the pick.",
            {"cases": cases_found, "wanted": pick.cases},
        )
    if cases_found:
        if scan is None:
            raise invalid("scan", "Cases were taken, but nothing was scanned.", "Scan what you took.")
        _check_place(session, now, caller, pick, scan, bay_check_code)
    return finish_pick(session, now, caller, pick, cases_found, PickState.SHORT, reason, lease_s)


def _check_turn(session: Session, caller: Caller, pick: PickFacts) -> None:
    """Refuse a pick that is over, or on a list the device does not hold."""
    if pick.pick_state != PickState.OPEN:
        how = f"{pick.picked_cases} cases" + (f" ({pick.pick_reason})" if pick.pick_reason else "")
        raise Conflict(
            "pick-done",
            f"Stop {pick.stop} is {pick.pick_state} already: {how}. Go on to the next stop.",
            data={"pick_id": pick.pick_id, "state": pick.pick_state, "picked_cases": pick.picked_cases},
        )
    if pick.list_state != ListState.TAKEN or pick.device_id != caller.id:
        raise not_yours(queries.list_task(session, caller.site_id, pick.list_id), caller)


def _check_place(
    session: Session, now: datetime, caller: Caller, pick: PickFacts, scan: str, bay_check_code: str | None
) -> None:
    """Refuse the wrong bay, the wrong label and stopped stock."""
    if pick.check_code is not None and pick.bay_code is not None:
        if not bay_check_code:
            raise refused(
                "bay-not-confirmed",
                "bay_check_code",
                "The bay is not confirmed.",
                f"Read the check code on the label of bay {pick.bay_code} first.",
                {"bay": pick.bay_code},
            )
        if not is_same_code(bay_check_code, pick.check_code):
            raise refused(
                "wrong-bay",
                "bay_check_code",
                f"Check code {bay_check_code} is not that of bay {pick.bay_code}.",
                f"Go to bay {pick.bay_code}.",
                {"bay": pick.bay_code, "given": bay_check_code},
            )
    scanned = read_scan(scan, reference_year=now.year)
    lots: tuple[str, ...] | None = None
    if scanned.sscc is not None and scanned.sscc != pick.sscc:
        lots = _lots_on(session, caller.site_id, scanned.sscc)
    wanted = Wanted(pick.sscc, pick.lot_code, pick.gtin, pick.sku, pick.is_whole_unit)
    check_scan(scanned, wanted, lots_on_scanned=lots)
    for what, state, why in (
        (f"Pallet {pick.sscc}", pick.unit_qa_state, pick.unit_qa_reason),
        (f"Lot {pick.lot_code}", pick.lot_qa_state, pick.lot_qa_reason),
    ):
        if state != QaState.RELEASED:
            raise refused(
                "stock-held",
                "scan",
                f"{what} is {state} by QA: {why}.",
                "Leave it, and report the pick short or ask QA.",
                {"sscc": pick.sscc, "lot": pick.lot_code, "qa_state": state},
            )
    _check_life(session, now, caller, pick)


def _check_life(session: Session, now: datetime, caller: Caller, pick: PickFacts) -> None:
    """
    Refuse what has come, since it was reserved, to be over before it is delivered.

    Days of life a customer wants beyond that were weighed when it was reserved; whether to send less than
    promised is for people to say.
    """
    site = site_of(session, caller.site_id)
    deliver_on = max(pick.deliver_on, now.astimezone(ZoneInfo(site.time_zone)).date())
    days = shelflife.last_days_by_content(session, caller.site_id, [pick.content_id])[pick.content_id]
    whose, last_on = min(
        (("by its label", pick.best_before_on), (_BY[site.promises_by], days.promised_on)),
        key=lambda one: one[1],
    )
    if last_on < deliver_on:
        raise refused(
            "over-at-delivery",
            "scan",
            f"Lot {pick.lot_code} on pallet {pick.sscc} lasts through {last_on} {whose}; it is delivered on "
            f"{deliver_on}.",
            "Leave it, and report the pick short or ask QA.",
            {
                "sscc": pick.sscc,
                "lot": pick.lot_code,
                "last_on": last_on.isoformat(),
                "deliver_on": deliver_on.isoformat(),
                "promises_by": site.promises_by,
            },
        )


def _lots_on(session: Session, site_id: int, sscc: str) -> tuple[str, ...] | None:
    try:
        unit = stock.unit_by_sscc(session, site_id, sscc)
    except Missing:
        return None
    return tuple(one.lot_code for one in stock.contents(session, site_id, unit_ids=[unit.id]))
