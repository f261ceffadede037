"""
Give back what serves a line: reserved cases at once, picked ones by a task for whoever can reach them.

The order is locked by the caller of everything here but `release_cases`.
"""

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import insert, update
from sqlalchemy.orm import Session
from sqlmodel import SQLModel, col

from rimekeep.access.core.roles import Caller
from rimekeep.errors import missing
from rimekeep.orders import queries as orders
from rimekeep.orders import usecases as order_usecases
from rimekeep.orders.core.states import OrderState
from rimekeep.picking import queries
from rimekeep.picking.core.states import AllocationState, Handling, ListState, PickState
from rimekeep.picking.queries import Serving
from rimekeep.picking.tables import Allocated, Pick
from rimekeep.picking.usecases.finish import close_list, close_order
from rimekeep.platform.database import parts
from rimekeep.platform.journal import Event, record
from rimekeep.shelflife import queries as shelflife
from rimekeep.stock import usecases as stock_usecases
from rimekeep.wording import say

# How far work on reserved cases has come; what is least begun is given back first.
_BEGUN = {None: 0, ListState.READY: 1, ListState.TAKEN: 2}


@dataclass(frozen=True, slots=True)
class GivenBack:
    """
    Cases that serve a line no longer.

    ``was`` is reserved or picked; ``is_free`` false: somebody has to take them off the order's unit first;
    ``is_picker_told``: they were on a list a picker has.
    """

    line_no: int
    cases: int
    was: str
    unit_id: int
    sscc: str
    lot_id: int
    lot_code: str
    reason: str
    is_free: bool = True
    is_picker_told: bool = False


Piece = tuple[Serving, int]


def release_cases(
    session: Session,
    now: datetime,
    caller: Caller,
    line_id: int,
    cases: int,
    reason: str,
    *,
    content_id: int | None = None,
) -> list[GivenBack]:
    """
    Give back up to ``cases`` reserved cases of a line, latest expiry first; never what is picked.

    Parameters
    ----------
    cases
        How many; fewer are given back where fewer are reserved. [cases]
    content_id
        Only those of this content.

    Raises
    ------
    Missing
        There is no such line at the site.
    """
    order_id = queries.order_of_line(session, caller.site_id, line_id)
    if order_id is None:
        raise missing("order line", line_id)
    order = orders.order(session, caller.site_id, order_id, is_locked=True)
    reserved = queries.serving(session, order_id, line_ids=[line_id], states=(AllocationState.RESERVED,))
    if content_id is not None:
        reserved = [one for one in reserved if one.content_id == content_id]
    pieces = latest_first(session, caller.site_id, reserved, cases)
    given = give_back(session, now, caller, pieces, reason)
    if given:
        data = {"order_id": order_id, "code": order.code, "given_back": told(given)}
        freed = sum(one.cases for one in given)
        event = Event("order.released", now, actor_id=caller.id, cases=freed, reason=reason, data=data)
        record(session, caller.site_id, event)
        settle_order(session, now, caller, order_id)
    return given


def latest_first(session: Session, site_id: int, serving: Sequence[Serving], cases: int) -> list[Piece]:
    """Return what to give back of this to come to ``cases``: latest expiry first, least begun first."""
    days = shelflife.last_days_by_content(session, site_id, {one.content_id for one in serving})

    def by_merit(one: Serving) -> tuple[int, int, int, int]:
        last_on = days[one.content_id].expires_on
        return -last_on.toordinal(), -one.best_before_on.toordinal(), _BEGUN[_state(one)], -one.allocation_id

    pieces = []
    for one in sorted(serving, key=by_merit):
        if cases <= 0:
            break
        pieces.append((one, min(cases, one.cases)))
        cases -= one.cases
    return pieces


def _state(one: Serving) -> ListState | None:
    return None if one.list_state is None else ListState(one.list_state)


def give_back(
    session: Session, now: datetime, caller: Caller, pieces: Sequence[Piece], reason: str
) -> list[GivenBack]:
    """
    Set reserved cases free, and withdraw or shrink the picks they were to be picked by.

    A picker who has the list already is told in one line on the pick; nobody's list is taken away for it.
    """
    if not pieces:
        return []
    freed: Counter[int] = Counter()
    for one, cases in pieces:
        freed[one.content_id] += cases
    stock_usecases.return_many(session, freed)
    whole = [one for one, cases in pieces if cases == one.cases]
    _change(session, [one.allocation_id for one in whole], state=AllocationState.RETURNED)
    _withdraw(session, now, [one.pick_id for one in whole if one.pick_id is not None], reason)
    for one, cases in pieces:
        if rest := one.cases - cases:
            _change(session, [one.allocation_id], cases=rest, how=_how(rest, one.cases_per_layer))
            _tell_less(session, one, rest, reason)
    touched = {one.list_id for one, _ in pieces if one.list_id is not None}
    for list_id in queries.emptied_lists(session, touched):
        close_list(session, now, caller, list_id)
    given = [
        _given(one, cases, reason, is_picker_told=one.list_state == ListState.TAKEN) for one, cases in pieces
    ]
    return sorted(given, key=lambda one: (one.line_no, one.sscc))


def _how(cases: int, cases_per_layer: int) -> Handling:
    # What is left of it is no whole pallet any more.
    return Handling.CASES if cases % cases_per_layer else Handling.LAYERS


def _change(session: Session, allocation_ids: Collection[int], **values: object) -> None:
    for ids in parts(allocation_ids):
        session.execute(
            update(Allocated)
            .where(col(Allocated.id).in_(ids))
            .values(**values)
            .execution_options(synchronize_session=False)
        )


def _withdraw(session: Session, now: datetime, pick_ids: Collection[int], reason: str) -> None:
    note = say("Leave it, go on to the next stop: {reason}", reason=reason)
    for ids in parts(pick_ids):
        session.execute(
            update(Pick)
            .where(col(Pick.id).in_(ids))
            .values(state=PickState.WITHDRAWN, note=note[:200], reason=reason[:500], done_at=now)
            .execution_options(synchronize_session="fetch")
        )


def _tell_less(session: Session, one: Serving, rest: int, reason: str) -> None:
    if one.pick_id is None:
        return
    note = say("Take {rest} cases only, not {cases}: {reason}", rest=rest, cases=one.cases, reason=reason)
    session.execute(
        update(Pick)
        .where(col(Pick.id) == one.pick_id)
        .values(note=note[:200])
        .execution_options(synchronize_session="fetch")
    )


def take_off(
    session: Session, now: datetime, caller: Caller, pieces: Sequence[Piece], reason: str
) -> list[GivenBack]:
    """
    Give back picked cases: a unit nobody wants anything of becomes ordinary stock where it stands.

    What earlier changes left on it goes with it. From any other unit the cases have to be taken off by hand;
    until somebody has, they stay reserved, the unit is not loaded, and the task is listed.
    """
    by_unit: dict[int, list[Piece]] = {}
    for piece in pieces:
        by_unit.setdefault(piece[0].unit_id, []).append(piece)
    surplus = queries.surplus_on(session, by_unit)
    on_it = queries.cases_on(session, by_unit)
    freed: Counter[int] = Counter()
    returned: list[int] = []
    whole = [
        unit_id
        for unit_id, members in by_unit.items()
        if all(cases == one.cases for one, cases in members)
        and on_it[unit_id] == sum(cases for _, cases in members) + sum(one.cases for one in surplus[unit_id])
    ]
    for unit_id in whole:
        for left in surplus[unit_id]:
            freed[left.content_id] += left.cases
            returned.append(left.allocation_id)
    for one, cases in pieces:
        if one.unit_id in whole:
            freed[one.content_id] += cases
            returned.append(one.allocation_id)
        else:
            _mark_surplus(session, now, caller.site_id, one, cases)
    if whole:
        stock_usecases.return_many(session, freed)
        _change(session, returned, state=AllocationState.RETURNED)
        stock_usecases.put_back_units(session, now, caller, unit_ids=whole)
    given = [_given(one, cases, reason, is_free=one.unit_id in whole) for one, cases in pieces]
    return sorted(given, key=lambda one: (one.line_no, one.sscc))


def _mark_surplus(session: Session, now: datetime, site_id: int, one: Serving, cases: int) -> None:
    if cases == one.cases:
        _change(session, [one.allocation_id], state=AllocationState.SURPLUS)
        return
    _change(session, [one.allocation_id], cases=one.cases - cases)
    _split(session, now, site_id, one, cases)


def keep_surplus(
    session: Session, now: datetime, site_id: int, surplus: Sequence[Serving], cases: int
) -> int:
    """Let up to ``cases`` that were to be taken off serve their line again; return how many do."""
    kept = 0
    for one in surplus:
        some = min(one.cases, cases - kept)
        if some <= 0:
            break
        if some == one.cases:
            _change(session, [one.allocation_id], state=AllocationState.PICKED)
        else:
            _change(session, [one.allocation_id], state=AllocationState.PICKED, cases=some)
            _split(session, now, site_id, one, one.cases - some)
        kept += some
    return kept


def _split(session: Session, now: datetime, site_id: int, one: Serving, cases: int) -> None:
    row = {
        "site_id": site_id,
        "line_id": one.line_id,
        "content_id": one.content_id,
        "cases": cases,
        "how": _how(cases, one.cases_per_layer),
        "state": AllocationState.SURPLUS,
        "at": now,
    }
    session.execute(insert(SQLModel.metadata.tables["allocation"]), [row])


def settle_order(session: Session, now: datetime, caller: Caller, order_id: int) -> None:
    """Let an order's state say what serves it now: nothing is open, all picked is picked."""
    order = orders.order(session, caller.site_id, order_id)
    live = queries.serving(session, order_id, states=(AllocationState.RESERVED, AllocationState.PICKED))
    if not live and order.state in (OrderState.ALLOCATED, OrderState.PICKED):
        order_usecases.set_state(session, order_id, OrderState.OPEN)
    elif order.state == OrderState.ALLOCATED and all(one.state == AllocationState.PICKED for one in live):
        close_order(session, now, caller, order_id)


def told(given: Sequence[GivenBack]) -> list[dict[str, object]]:
    """Return what was given back as the ledger has it."""
    return [
        {
            "line_no": one.line_no,
            "cases": one.cases,
            "was": one.was,
            "unit_id": one.unit_id,
            "lot_id": one.lot_id,
            "is_free": one.is_free,
            "reason": one.reason,
        }
        for one in given
    ]


def _given(one: Serving, cases: int, reason: str, **facts: bool) -> GivenBack:
    return GivenBack(
        one.line_no, cases, one.state, one.unit_id, one.sscc, one.lot_id, one.lot_code, reason, **facts
    )
