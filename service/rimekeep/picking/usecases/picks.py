"""
What a picker says of a stop: taken as asked, short, broken, not there.

Every check comes before the first write, and says what was read, what is wanted and what to do. Caution: look
before you lift; a broken pallet is re-stacked by the site's own rules before a truck moves it.
"""

from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, invalid, refused
from rimekeep.orders import queries as orders
from rimekeep.picking import queries
from rimekeep.picking.core.outcomes import Outcome, briefly
from rimekeep.picking.core.states import ListState, PickState
from rimekeep.picking.queries import PickFacts
from rimekeep.picking.usecases.finish import Picked, Report, finish_pick
from rimekeep.picking.usecases.instead import wait_for_planners
from rimekeep.picking.usecases.lists import not_yours, renew_lease
from rimekeep.picking.usecases.place import check_bay, check_place
from rimekeep.wording import counted, say


def check_pick(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    pick_id: int,
    bay_check_code: str | None = None,
    scan: str | None = None,
    cases: int | None = None,
) -> str:
    """
    Tell the picker whether what is at hand is right, before anything is lifted; return the line.

    Raises
    ------
    Refused
        As `confirm_pick`, for as much as was said.
    Conflict
        The pick is done already, or the list is not this device's.
    """
    pick = queries.pick_facts(session, caller.site_id, pick_id, is_locked=False)
    check_turn(session, caller, pick)
    if bay_check_code is not None or scan is not None:
        check_bay(pick, bay_check_code)
    if scan is not None:
        check_place(session, now, caller, pick, scan, bay_check_code)
    if cases is not None and cases > pick.cases:
        raise _too_many(cases, pick)
    what = (
        say("the pallet as it stands")
        if pick.is_whole_unit
        else counted("{n} case", "{n} cases", n=pick.cases)
    )
    if scan is None:
        return say(
            "Stop {stop}: scan pallet {end}, lot {lot}; take {what}.",
            stop=pick.stop,
            end=pick.sscc[-6:],
            lot=pick.lot_code,
            what=what,
        )
    return say("Stop {stop}: right. Take {what} of lot {lot}.", stop=pick.stop, what=what, lot=pick.lot_code)


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
    device_at: datetime | None = None,
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
    pick = stop_of(session, now, caller, pick_id, lease_s)
    check_place(session, now, caller, pick, scan, bay_check_code)
    if cases > pick.cases:
        raise _too_many(cases, pick)
    if cases < pick.cases:
        raise refused(
            "too-few-cases",
            "cases",
            say(
                "{cases} cases are confirmed, {pick_cases} are asked for.", cases=cases, pick_cases=pick.cases
            ),
            say("Take the rest, or report the pick short with the reason."),
            {"cases": cases, "wanted": pick.cases},
        )
    said = Report(Outcome.DONE, cases, device_at=device_at)
    return finish_pick(session, now, caller, pick, said)


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
    device_at: datetime | None = None,
) -> Picked:
    """
    Report that fewer cases are there than the pick asks for.

    What was found is taken (its scan is checked as for a confirmation); the pallet is held until somebody has
    counted it, and the rest is served from other stock at once, or its line is short.
    """
    pick = stop_of(session, now, caller, pick_id, lease_s, is_replanned=True)
    if cases_found >= pick.cases:
        raise refused(
            "not-short",
            "cases_found",
            say(
                "{cases_found} cases were found and {cases} are asked for: nothing is short.",
                cases_found=cases_found,
                cases=pick.cases,
            ),
            say("Confirm the pick."),
            {"cases": cases_found, "wanted": pick.cases},
        )
    if cases_found:
        if scan is None:
            raise invalid(
                "scan", say("Cases were taken, but nothing was scanned."), say("Scan what you took.")
            )
        check_place(session, now, caller, pick, scan, bay_check_code)
    said = Report(Outcome.SHORT, cases_found, reason, device_at=device_at)
    return finish_pick(session, now, caller, pick, said)


def not_found(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    pick_id: int,
    bay_check_code: str | None,
    reason: str,
    lease_s: int,
    device_at: datetime | None = None,
) -> Picked:
    """
    Report that the pallet is not at its bay; its check code shows that the picker stands there.

    The pallet is held until somebody has counted it, and the cases are served from other stock at once.
    """
    pick = stop_of(session, now, caller, pick_id, lease_s, is_replanned=True)
    check_bay(pick, bay_check_code)
    said = Report(Outcome.NOT_FOUND, 0, reason, device_at=device_at)
    return finish_pick(session, now, caller, pick, said)


def damaged_pick(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    pick_id: int,
    cases_taken: int,
    cases_damaged: int,
    reason: str,
    scan: str,
    bay_check_code: str | None,
    lease_s: int,
    device_at: datetime | None = None,
) -> Picked:
    """
    Report broken cases: they go on hold on a unit of their own, good ones are taken, the rest is served anew.

    Raises
    ------
    Refused
        As `confirm_pick`; or more are broken than are free or this pick's own.
    """
    pick = stop_of(session, now, caller, pick_id, lease_s, is_replanned=True)
    check_place(session, now, caller, pick, scan, bay_check_code)
    if cases_taken > pick.cases:
        raise _too_many(cases_taken, pick, "cases_taken")
    said = Report(Outcome.DAMAGED, cases_taken, reason, cases_damaged, device_at)
    return finish_pick(session, now, caller, pick, said)


def _too_many(cases: int, pick: PickFacts, where: str = "cases") -> Exception:
    return refused(
        "too-many-cases",
        where,
        say("{cases} cases are confirmed, {pick_cases} are asked for.", cases=cases, pick_cases=pick.cases),
        say("Put {cases} back.", cases=cases - pick.cases),
        {"cases": cases, "wanted": pick.cases},
    )


def check_turn(session: Session, caller: Caller, pick: PickFacts) -> None:
    """Refuse a pick that is over, or on a list the device does not hold."""
    if pick.pick_state != PickState.OPEN:
        why = f" ({briefly(pick.pick_reason)})" if pick.pick_reason else ""
        how = say(
            "is {pick_state} already: {picked_cases} cases{why}.",
            pick_state=pick.pick_state,
            picked_cases=pick.picked_cases,
            why=why,
        )
        if pick.pick_state == PickState.WITHDRAWN:
            how = say("is off{why}. Leave the cases in their place, or put them back.", why=why)
        raise Conflict(
            "pick-done",
            say("Stop {stop} {how} Go on to the next stop.", stop=pick.stop, how=how),
            data={"pick_id": pick.pick_id, "state": pick.pick_state, "picked_cases": pick.picked_cases},
        )
    if pick.list_state != ListState.TAKEN or pick.device_id != caller.id:
        raise not_yours(session, queries.list_task(session, caller.site_id, pick.list_id), caller)


def stop_of(
    session: Session, now: datetime, caller: Caller, pick_id: int, lease_s: int, *, is_replanned: bool = False
) -> PickFacts:
    """
    Return a pick the device may report on, with its lease renewed.

    Everybody locks in one order: the turn to allocate, orders, lists, units, cases. With ``is_replanned`` the
    turn is taken, and all lists of the order are locked, since stops may be added to them. The list stays
    the device's to the end of the transaction: nobody takes it over, or finds it silent, in between.
    """
    if is_replanned:
        wait_for_planners(session, caller.site_id)
        order_id = queries.pick_facts(session, caller.site_id, pick_id, is_locked=False).order_id
        orders.lock_orders(session, caller.site_id, [order_id])
        # All of them before the pick's own, or two who each have one would wait for the other's.
        queries.lock_lists(session, [order_id])
    pick = queries.pick_facts(session, caller.site_id, pick_id)
    check_turn(session, caller, pick)
    renew_lease(session, now, caller, list_id=pick.list_id, lease_s=lease_s)
    return pick
