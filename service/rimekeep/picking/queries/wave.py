"""All a wave is planned from, read at once."""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.promises import PromisesBy
from rimekeep.access.queries import site_of
from rimekeep.orders import queries as orders
from rimekeep.orders.core.records import OpenLine
from rimekeep.orders.core.states import OrderState
from rimekeep.orders.tables import OrderLine, SalesOrder
from rimekeep.picking.core.allocation import Line
from rimekeep.picking.queries.allocations import LIVE, Promised, mixed_units, promised, served_by_line
from rimekeep.picking.tables import Allocated, ShortLine
from rimekeep.shelflife import queries as shelflife
from rimekeep.stock import queries as stock
from rimekeep.stock.core.records import Pickable

IN_WAVE = (OrderState.OPEN, OrderState.ALLOCATED)
# Named by id, an order whose picking ended short may be topped up too.
BY_NAME = (*IN_WAVE, OrderState.PICKED)
# What is reserved for an order that is half on a truck has to stay good for it all the same.
LOOKED_AFTER = (*BY_NAME, OrderState.LOADED)
# What a line has that nothing serves yet: cases, lots.
NOTHING: tuple[int, frozenset[int]] = (0, frozenset())


@dataclass(frozen=True, slots=True)
class WaveFacts:
    """Orders' lines, what they have already as (cases, lots), what they still ask, and the free stock."""

    lines: list[OpenLine]
    had: Mapping[int, tuple[int, frozenset[int]]]
    asked: list[Line]
    free: list[Pickable]
    expires_on: Mapping[int, date]
    promised_on: Mapping[int, date]
    promises_by: PromisesBy
    mixed_units: frozenset[int]
    zone: ZoneInfo


def wave_facts(
    session: Session,
    now: datetime,
    site_id: int,
    order_ids: Collection[int],
    *,
    line_ids: Collection[int] | None = None,
    without: Collection[int] = (),
    states: Collection[OrderState] = BY_NAME,
) -> WaveFacts:
    """
    Read what a wave for these orders is planned from; lines of orders past allocation are left out.

    ``line_ids`` leaves out all other lines too; allocations in ``without`` count as if they were not there.
    """
    lines = orders.open_lines(session, site_id, order_ids=order_ids, states=states)
    if line_ids is not None:
        lines = [line for line in lines if line.line_id in line_ids]
    had = served_by_line(session, site_id, order_ids, without=without)
    wanted = [line for line in lines if line.cases > had.get(line.line_id, NOTHING)[0]]
    careful = {line.customer_id for line in wanted if line.no_backward_date}
    reserved: dict[tuple[int, int], list[Promised]] = defaultdict(list)
    for one in promised(session, site_id, careful):
        reserved[one.customer_id, one.product_id].append(one)
    between = {line.line_id: _between(line, reserved[line.customer_id, line.product_id]) for line in wanted}
    products = {line.product_id for line in wanted}
    free = _free(session, site_id, products) if products else []
    site = site_of(session, site_id)
    zone = ZoneInfo(site.time_zone)
    today = now.astimezone(zone).date()
    asked = [
        Line(
            id=line.line_id,
            customer=line.customer_id,
            product=line.product_id,
            cases=line.cases - had.get(line.line_id, NOTHING)[0],
            # An order that is overdue goes today at the soonest, and beer that is over today goes to nobody.
            ship_on=max(line.ship_on, today),
            deliver_on=max(line.deliver_on, today),
            min_life_days=line.min_life_days,
            priority=line.priority,
            max_lots=line.max_lots,
            last_delivered_on=between[line.line_id][0],
            lots_had=had.get(line.line_id, NOTHING)[1],
            next_delivered_on=between[line.line_id][1],
            min_life_fraction=line.min_life_fraction,
        )
        for line in wanted
    ]
    days = shelflife.last_days_by_content(session, site_id, [one.content_id for one in free])
    return WaveFacts(
        lines,
        had,
        asked,
        free,
        {content_id: one.expires_on for content_id, one in days.items()},
        {content_id: one.promised_on for content_id, one in days.items()},
        PromisesBy(site.promises_by),
        mixed_units(session, site_id),
        zone,
    )


def raised_orders(session: Session, site_id: int, ship_on: date) -> list[int]:
    """
    Return the picked orders of a day that were changed to more since: nobody has looked for that stock yet.

    What is known to be short of an order whose picking ended does not count.
    """
    served = (
        select(func.coalesce(func.sum(col(Allocated.cases)), 0))
        .where(col(Allocated.line_id) == col(OrderLine.id), col(Allocated.state).in_(LIVE))
        .scalar_subquery()
    )
    known = served + func.coalesce(col(ShortLine.cases), 0)
    return list(
        session.scalars(
            select(col(SalesOrder.id))
            .join(OrderLine, col(OrderLine.order_id) == col(SalesOrder.id))
            .outerjoin(ShortLine, col(ShortLine.line_id) == col(OrderLine.id))
            .where(col(SalesOrder.site_id) == site_id, col(SalesOrder.ship_on) == ship_on)
            .where(col(SalesOrder.state) == OrderState.PICKED, col(OrderLine.cases) > known)
            .distinct()
            .order_by(col(SalesOrder.id))
        )
    )


def _free(session: Session, site_id: int, product_ids: Collection[int]) -> list[Pickable]:
    """Return the free stock of products, each with what stands in front of it."""
    free = stock.pickable(session, site_id, product_ids)
    before = stock.in_front(session, site_id, {one.bay_id for one in free if one.bay_id is not None})
    return [replace(one, in_front=before[one.unit_id]) if one.unit_id in before else one for one in free]


def _between(line: OpenLine, reserved: Sequence[Promised]) -> tuple[date | None, date | None]:
    """
    Return the printed dates a line must lie between, for a customer who takes no older dates.

    Not behind what was delivered and what is reserved for earlier deliveries; not ahead of what is reserved
    for later ones. What comes on one day may come in any order. A customer who got nothing yet has a date
    before any, so that this wave's own deliveries to them are kept in sequence too: lines with no reserved
    delivery between them share it.
    """
    if not line.no_backward_date:
        return None, None
    before = [one.newest_on for one in reserved if one.deliver_on < line.deliver_on]
    after = [one.oldest_on for one in reserved if one.deliver_on > line.deliver_on]
    return max([line.last_printed_on or date.min, *before]), min(after, default=None)
