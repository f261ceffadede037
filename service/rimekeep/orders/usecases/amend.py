"""
Change an order that is not on a truck: its days, its place, its lines.

What stock served it is not known here: `picking` gives back what the change sets free and calls this.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import delete
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.errors import Conflict, Fault, Invalid
from rimekeep.orders import queries
from rimekeep.orders.core.records import LineChange, OrderChange
from rimekeep.orders.core.states import AMENDABLE, OrderState
from rimekeep.orders.tables import OrderLine, SalesOrder
from rimekeep.orders.usecases.place import days_faults, foreign_drop, head_facts, line_facts, unknown_product
from rimekeep.wording import say

# With these another stock may fit the order than before.
_WEIGHTY = ("ship_on", "deliver_on")
_RULES = ("min_life_days", "min_life_fraction")


@dataclass(frozen=True, slots=True)
class AmendedFacts:
    """What changed about an order: the facts before and after, and the lines whose rules are others now."""

    before: dict[str, Any]
    after: dict[str, Any]
    rechecked: frozenset[int]


def require_amendable(order: SalesOrder) -> None:
    """Refuse changes of an order that is on a truck or over."""
    if order.state not in AMENDABLE:
        way_out = (
            say("Take it off the truck first.")
            if order.state == OrderState.LOADED
            else say("Place an order under another code.")
        )
        raise Conflict(
            "order-state",
            say(
                "Order {code} is {state} and cannot be changed any more. {way_out}",
                code=order.code,
                state=order.state,
                way_out=way_out,
            ),
            data={"order_id": order.id, "state": str(order.state)},
        )


def check_change(session: Session, order: SalesOrder, change: OrderChange) -> None:
    """
    Refuse a change that cannot be meant, before anything is done.

    Raises
    ------
    Invalid
        Names every field that is wrong.
    """
    faults: list[Fault] = []
    drop_id = change.head.get("drop_id")
    if isinstance(drop_id, int):
        owners = queries.customers_of_drops(session, order.site_id, [drop_id])
        if owners.get(drop_id) != order.customer_id:
            faults.append(foreign_drop(drop_id))
    there = {line.line_no: line for line in queries.lines_of(session, order.id)}
    known = queries.known_products(
        session, order.site_id, [one.product_id for one in change.lines if one.product_id is not None]
    )
    seen: dict[int, int] = {}
    left = {line_no for line_no, line in there.items() if line.cases}
    for place, one in enumerate(change.lines):
        where = f"lines[{place}]"
        first = seen.setdefault(one.line_no, place)
        if first != place:
            faults.append(
                Fault(
                    f"{where}.line_no",
                    say("Line {line_no} is changed by lines[{first}].", line_no=one.line_no, first=first),
                    say("Say it once."),
                )
            )
        faults += _line_faults(where, one, there.get(one.line_no), known)
        if one.cases:
            left.add(one.line_no)
        elif one.cases == 0:
            left.discard(one.line_no)
    if not left:
        faults.append(
            Fault("lines", say("No line would be left of the order."), say("Cancel the order instead."))
        )
    ship_on, deliver_on = (change.head.get(name, getattr(order, name)) for name in _WEIGHTY)
    if isinstance(ship_on, date) and isinstance(deliver_on, date):
        faults += days_faults(ship_on, deliver_on)
    if faults:
        raise Invalid("invalid-input", say("The order cannot be changed like this."), tuple(faults))


def _line_faults(where: str, one: LineChange, old: OrderLine | None, known: Collection[int]) -> list[Fault]:
    if one.product_id is not None and one.product_id not in known:
        return [unknown_product(f"{where}.product_id", one.product_id)]
    if old is not None:
        if one.product_id not in (None, old.product_id):
            return [
                Fault(
                    f"{where}.product_id",
                    say(
                        "Line {line_no} is of product {product_id}, even where it was taken off.",
                        line_no=one.line_no,
                        product_id=old.product_id,
                    ),
                    say("Add a line under a new number, and take this one off (0 cases).")
                    if old.cases
                    else say("Add a line under a new number."),
                )
            ]
        if not old.cases and one.cases is None:
            return [
                Fault(
                    f"{where}.line_no",
                    say("Line {line_no} was taken off the order.", line_no=one.line_no),
                    say("Give its cases."),
                )
            ]
        return []
    faults = []
    if one.product_id is None:
        faults.append(
            Fault(
                f"{where}.product_id",
                say("There is no line {line_no}.", line_no=one.line_no),
                say("A new line needs its product."),
            )
        )
    if not one.cases:
        faults.append(
            Fault(
                f"{where}.cases",
                say("There is no line {line_no}.", line_no=one.line_no),
                say("A new line needs its cases."),
            )
        )
    return faults


def apply_change(
    session: Session, order: SalesOrder, change: OrderChange, *, kept: Collection[int]
) -> AmendedFacts:
    """
    Write a change that was checked; the caller has set free what no line wants any more.

    Lines named in ``kept`` have a history with stock: taken off the order they stay, with no cases.
    """
    before, after = {}, {}
    old_head = head_facts(order)
    for name, value in change.head.items():
        setattr(order, name, value)
    new_head = head_facts(order)
    for name, was in old_head.items():
        if new_head[name] != was:
            before[name], after[name] = was, new_head[name]
    lines = {line.line_no: line for line in queries.lines_of(session, order.id)}
    rechecked = {line.id for line in lines.values()} if any(name in before for name in _WEIGHTY) else set()
    old_lines, new_lines = [], []
    for one in change.lines:
        line = lines.get(one.line_no)
        was = None if line is None else dict(line_facts(line))
        now = _write_line(session, order, one, line, kept)
        if was == now:
            continue
        old_lines.append(was)
        new_lines.append(now)
        if line is not None and was and now and any(was[name] != now[name] for name in _RULES):
            rechecked.add(line.id)
    if old_lines:
        before["lines"], after["lines"] = old_lines, new_lines
    session.flush()
    return AmendedFacts(before, after, frozenset(rechecked))


def _write_line(
    session: Session, order: SalesOrder, one: LineChange, line: OrderLine | None, kept: Collection[int]
) -> dict[str, Any] | None:
    """Add, change or take off one line; return its facts as they are now, None when it is gone."""
    if line is None:
        if one.product_id is None or one.cases is None:
            raise ValueError(f"line {one.line_no} is new and was not checked")
        line = OrderLine(
            site_id=order.site_id, order_id=order.id, line_no=one.line_no, product_id=one.product_id,
            cases=one.cases, min_life_days=one.min_life_days, min_life_fraction=one.min_life_fraction,
        )  # fmt: skip
        session.add(line)
    elif one.cases == 0 and line.id not in kept:
        session.execute(delete(OrderLine).where(col(OrderLine.id) == line.id))
        return None
    else:
        for name in ("cases", *_RULES):
            if name in one.told and not (name == "cases" and one.cases is None):
                setattr(line, name, getattr(one, name))
    return dict(line_facts(line))


def as_change(
    head: dict[str, object], wanted: Sequence[LineChange], there: Sequence[OrderLine]
) -> OrderChange:
    """Return the change that leaves an order with exactly the lines wanted."""
    said = {one.line_no for one in wanted}
    gone = [
        LineChange(line.line_no, cases=0, told=frozenset({"cases"}))
        for line in there
        if line.cases and line.line_no not in said
    ]
    return OrderChange(head, [*wanted, *gone])
