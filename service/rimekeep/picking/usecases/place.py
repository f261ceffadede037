"""Is this the bay, the label and the stock the stop asks for, and may it still be sent?"""

from datetime import datetime
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from rimekeep.access.core.promises import PromisesBy
from rimekeep.access.core.roles import Caller
from rimekeep.access.queries import site_of
from rimekeep.errors import Missing, refused
from rimekeep.picking.core.outcomes import briefly
from rimekeep.picking.core.scan import Scanned, Wanted, check_scan, is_same_code, read_scan
from rimekeep.picking.queries import PickFacts
from rimekeep.shelflife import queries as shelflife
from rimekeep.stock import queries as stock
from rimekeep.stock.core.states import QaState, UnitState
from rimekeep.wording import say

_BY: dict[str, str] = {
    PromisesBy.MEDIAN: say("by the median of its life"),
    PromisesBy.CAUTIOUS: say("by the cautious date, which this site promises"),
}


def check_bay(pick: PickFacts, bay_check_code: str | None) -> None:
    """Refuse another bay than the one the pallet stands in."""
    if pick.check_code is not None and pick.bay_code is not None:
        if not bay_check_code:
            raise refused(
                "bay-not-confirmed",
                "bay_check_code",
                say("The bay is not confirmed."),
                say("Read the check code on the label of bay {bay_code} first.", bay_code=pick.bay_code),
                {"bay": pick.bay_code},
            )
        if not is_same_code(bay_check_code, pick.check_code):
            raise refused(
                "wrong-bay",
                "bay_check_code",
                say(
                    "Check code {bay_check_code} is not that of bay {bay_code}.",
                    bay_check_code=bay_check_code,
                    bay_code=pick.bay_code,
                ),
                say("Go to bay {bay_code}.", bay_code=pick.bay_code),
                {"bay": pick.bay_code, "given": bay_check_code},
            )


def check_place(
    session: Session, now: datetime, caller: Caller, pick: PickFacts, scan: str, bay_check_code: str | None
) -> None:
    """Refuse the wrong bay, the wrong label and stopped stock."""
    check_bay(pick, bay_check_code)
    scanned = read_scan(scan, reference_year=now.year)
    lots, seen = _seen(session, caller.site_id, pick, scanned)
    wanted = Wanted(pick.sscc, pick.lot_code, pick.gtin, pick.sku, pick.is_whole_unit)
    check_scan(scanned, wanted, lots_on_scanned=lots, seen=seen)
    for what, state, why in (
        (say("Pallet {sscc}", sscc=pick.sscc), pick.unit_qa_state, pick.unit_qa_reason),
        (say("Lot {lot}", lot=pick.lot_code), pick.lot_qa_state, pick.lot_qa_reason),
    ):
        if state != QaState.RELEASED:
            raise refused(
                "stock-held",
                "scan",
                say("{what} is {state} by QA: {briefly}.", what=what, state=state, briefly=briefly(why)),
                say("Leave it, and report the pick short or ask QA."),
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
        ((say("by its label"), pick.best_before_on), (_BY[site.promises_by], days.promised_on)),
        key=lambda one: one[1],
    )
    if last_on < deliver_on:
        raise refused(
            "over-at-delivery",
            "scan",
            say(
                "Lot {lot_code} on pallet {sscc} lasts through {last_on} {whose}; it is delivered on "
                "{deliver_on}.",
                lot_code=pick.lot_code,
                sscc=pick.sscc,
                last_on=last_on,
                whose=whose,
                deliver_on=deliver_on,
            ),
            say("Leave it, and report the pick short or ask QA."),
            {
                "sscc": pick.sscc,
                "lot": pick.lot_code,
                "last_on": last_on.isoformat(),
                "deliver_on": deliver_on.isoformat(),
                "promises_by": site.promises_by,
            },
        )


def _seen(
    session: Session, site_id: int, pick: PickFacts, scanned: Scanned
) -> tuple[tuple[str, ...] | None, str]:
    """Return the lots on another pallet that was scanned, None if not known here, and what else is known."""
    if scanned.sscc is None or scanned.sscc == pick.sscc:
        return None, ""
    try:
        unit = stock.unit_by_sscc(session, site_id, scanned.sscc)
    except Missing:
        return None, ""
    lots = tuple(one.lot_code for one in stock.contents(session, site_id, unit_ids=[unit.id]))
    if unit.state != UnitState.IN_STORE:
        words = {
            UnitState.PICKED: say("On record it is picked already."),
            UnitState.EMPTY: say("On record it is empty."),
        }
        state = UnitState(unit.state)
        return lots, words.get(state) or say("On record it has {state}.", state=state)
    if unit.zone_id == pick.zone_id:
        return lots, ""
    zone = stock.zone(session, site_id, unit.zone_id)
    if unit.bay_id is None:
        return lots, say("On record it stands in zone {zone}.", zone=zone.code)
    bay = stock.bay(session, site_id, unit.bay_id).code
    return lots, say("On record it stands in zone {zone}, bay {bay}.", zone=zone.code, bay=bay)
