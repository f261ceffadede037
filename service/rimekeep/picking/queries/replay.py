"""Lots and orders of a period as they were, to replay under other policies."""

from collections import defaultdict
from datetime import date
from math import ceil
from statistics import median
from zoneinfo import ZoneInfo

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.queries import site_of
from rimekeep.orders import queries as orders
from rimekeep.picking.core.policies import LineSeen, LotSeen
from rimekeep.shelflife import queries as shelflife
from rimekeep.stock.tables import Lot, Unit, UnitContent


def lots_seen(session: Session, site_id: int) -> dict[int, list[LotSeen]]:
    """
    Return what ever came in, by product: cases by lot and last day of life by the model.

    A lot counts as in store from its first pallet's receipt on. Cases taken out of the books are left out.
    """
    zone = ZoneInfo(site_of(session, site_id).time_zone)
    rows = session.execute(
        select(
            col(UnitContent.id),
            col(UnitContent.cases),
            col(Lot.id),
            col(Lot.product_id),
            col(Lot.best_before_on),
        )
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .where(col(UnitContent.site_id) == site_id, col(UnitContent.cases) > 0)
    ).all()
    arrivals = session.execute(
        select(col(UnitContent.lot_id), func.min(col(Unit.received_at)))
        .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
        .where(col(UnitContent.site_id) == site_id)
        .group_by(col(UnitContent.lot_id))
    )
    arrived_on = {row[0]: row[1].astimezone(zone).date() for row in arrivals}
    ends = shelflife.last_days_by_content(session, site_id, [row[0] for row in rows])
    cases: dict[tuple[int, int, date, date], int] = defaultdict(int)
    for content_id, some, lot_id, product_id, best_before_on in rows:
        model_on = ends[content_id].expires_on if content_id in ends else best_before_on
        cases[product_id, lot_id, best_before_on, model_on] += some
    found: dict[int, list[LotSeen]] = defaultdict(list)
    for (product_id, lot_id, label_on, model_on), some in sorted(cases.items()):
        days = (day.toordinal() for day in (label_on, model_on))
        found[product_id].append(LotSeen(arrived_on[lot_id].toordinal(), some, *days))
    return dict(found)


def lines_seen(session: Session, site_id: int, first: date, last: date) -> dict[int, list[LineSeen]]:
    """
    Return what was ordered for delivery on first…last, by product.

    Of a rule that is a share of the whole life the product's median life stands for each lot's own.
    """
    lines = [one for one in orders.wanted_lines(session, site_id, first, last) if one.day >= first]
    rules = orders.line_rules(session, site_id, [one.line_id for one in lines])
    lives: dict[int, list[int]] = defaultdict(list)
    for product_id, packaged_at, best_before_on in session.execute(
        select(col(Lot.product_id), col(Lot.packaged_at), col(Lot.best_before_on)).where(
            col(Lot.site_id) == site_id
        )
    ):
        lives[product_id].append((best_before_on - packaged_at.date()).days)
    found: dict[int, list[LineSeen]] = defaultdict(list)
    for one in lines:
        rule = rules[one.line_id]
        share = (rule.min_life_fraction or 0.0) * median(lives.get(one.product_id) or [0])
        days = max(rule.min_life_days, ceil(share - 1e-9))
        found[one.product_id].append(LineSeen(one.day.toordinal(), one.cases, days))
    return dict(found)
