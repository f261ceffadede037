"""All that an outlook is made from, read at once."""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.queries import site_of
from rimekeep.orders import queries as orders
from rimekeep.orders.tables import Customer
from rimekeep.picking.core.allocation.records import Key, day_number
from rimekeep.picking.core.outlook import Demand, Known, LotPart, Word
from rimekeep.picking.core.outlook.demand import WINDOW_DAYS, Basis, Ordered, expected, past_means
from rimekeep.picking.core.outlook.known import LOOK_BACK_DAYS, by_product
from rimekeep.picking.core.outlook.told import PartFacts, ProductFacts
from rimekeep.picking.queries.allocations import LIVE
from rimekeep.picking.tables import Allocated, WasteTold
from rimekeep.platform.database import parts
from rimekeep.shelflife import queries as shelflife
from rimekeep.stock import queries as stock

HORIZON_DAYS = 60


@dataclass(frozen=True, slots=True)
class OutlookFacts:
    """Lot parts and demand for `outlook`, what demand was made from, and the words to tell the answer in."""

    site_id: int
    zone: ZoneInfo
    today: date
    until: date
    currency: str | None
    lots: list[LotPart]
    demand: list[Demand]
    ordered: list[Ordered]
    rules: dict[tuple[Key, Key | None], tuple[int, float | None]]
    first_delivery: date | None
    facts: dict[str, PartFacts]
    held: dict[int, int]
    products: dict[int, ProductFacts]
    basis: dict[int, Basis]
    customers: dict[int, str]


def outlook_facts(session: Session, now: datetime, site_id: int, days: int = HORIZON_DAYS) -> OutlookFacts:
    """Read what an outlook over so many days from today is made from."""
    site = site_of(session, site_id)
    zone = ZoneInfo(site.time_zone)
    today = now.astimezone(zone).date()
    until = today + timedelta(days=days)
    lots, facts, held = _lots(session, site_id, zone)
    products = {
        key: ProductFacts(row.sku, row.name, row.value_per_case)
        for key, row in stock.products_by_id(session, site_id).items()
    }
    ordered = _ordered(session, site_id, zone, today, until)
    rules: dict[tuple[Key, Key | None], tuple[int, float | None]] = {
        pair: (rule.min_life_days, rule.min_life_fraction)
        for pair, rule in orders.rules_of_customers(session, site_id).items()
    }
    begin = orders.first_delivery(session, site_id)
    given: dict[tuple[Key, Key | None, int], int] = {
        (product, customer, day.toordinal()): cases
        for _, product, customer, day, cases in orders.forecast_rows(session, site_id, today, until)
    }
    history = orders.ordered_by_day(session, site_id, today - timedelta(days=WINDOW_DAYS), today)
    past = past_means(
        ((product, customer, day.toordinal(), cases) for product, customer, day, cases in history),
        today=today.toordinal(),
        until=until.toordinal(),
        first_day=None if begin is None else begin.toordinal(),
    )
    demand, basis = expected(
        ordered, given, past, rules=rules, products=set(products), today=today.toordinal()
    )
    rows = session.execute(
        select(col(Customer.id), col(Customer.code)).where(col(Customer.site_id) == site_id)
    )
    customers = {row[0]: row[1] for row in rows}
    return OutlookFacts(
        site_id,
        zone,
        today,
        until,
        site.currency,
        lots,
        demand,
        ordered,
        rules,
        begin,
        facts,
        held,
        products,
        {int(product): word for product, word in basis.items()},
        customers,
    )


def known_demand(session: Session, facts: OutlookFacts, product_ids: Collection[Key]) -> Known:
    """Read what was known of these products' demand, and when, as far back as any of their stock is here."""
    ids = {int(product) for product in product_ids}
    words = [
        Word(product, customer, day.toordinal(), cases, entered_at.astimezone(facts.zone).toordinal())
        for product, customer, day, cases, entered_at in orders.forecast_versions(
            session, facts.site_id, facts.today, facts.until, ids
        )
    ]
    came = min(day_number(one.received_on) for one in facts.lots if one.product in ids)
    looked_at = date.fromordinal(max(came, facts.today.toordinal() - LOOK_BACK_DAYS) - WINDOW_DAYS)
    history: dict[Key, list[tuple[Key, int, int]]] = defaultdict(list)
    for product, customer, day, cases in orders.ordered_by_day(
        session, facts.site_id, looked_at, facts.today, ids
    ):
        history[product].append((customer, day.toordinal(), cases))
    return Known(
        facts.today.toordinal(),
        facts.until.toordinal(),
        by_product(facts.ordered),
        by_product(words),
        history,
        facts.rules,
        {product: facts.basis[product] for product in ids},
        None if facts.first_delivery is None else facts.first_delivery.toordinal(),
    )


def _lots(
    session: Session, site_id: int, zone: ZoneInfo
) -> tuple[list[LotPart], dict[str, PartFacts], dict[int, int]]:
    """Return the free stock by lot and last day, who each part is, and the cases on hold by product."""
    free = stock.pickable(session, site_id, None)
    last_days = shelflife.last_days_by_content(session, site_id, [one.content_id for one in free])
    cases: dict[str, int] = defaultdict(int)
    received: dict[str, date] = {}
    whole: dict[str, int] = {}
    facts: dict[str, PartFacts] = {}
    held: dict[int, int] = defaultdict(int)
    for one in free:
        if not one.is_released:
            held[one.product_id] += one.free_cases
            continue
        days = last_days.get(one.content_id)
        ends = [one.best_before_on] + ([days.expires_on, days.promised_on] if days else [])
        last_on = min(ends)
        key = f"{one.lot_id}/{last_on}"
        came_on = one.received_at.astimezone(zone).date()
        cases[key] += one.free_cases
        received[key] = min(received.get(key, came_on), came_on)
        whole[key] = max(0, (one.best_before_on - one.packaged_at.astimezone(zone).date()).days)
        facts[key] = PartFacts(one.lot_id, one.lot_code, one.product_id, last_on)
    lots = [
        LotPart(
            key,
            facts[key].product_id,
            some,
            facts[key].last_on.toordinal(),
            received[key].toordinal(),
            whole[key],
        )
        for key, some in cases.items()
    ]
    return lots, facts, dict(held)


def _ordered(session: Session, site_id: int, zone: ZoneInfo, today: date, until: date) -> list[Ordered]:
    """Return what is ordered for the days looked at, and how much of it still needs stock."""
    wanted = orders.wanted_lines(session, site_id, today, until)
    served = served_cases(session, site_id, [one.line_id for one in wanted])
    rules = orders.line_rules(session, site_id, [one.line_id for one in wanted])
    return [
        Ordered(
            one.product_id,
            one.customer_id,
            one.day.toordinal(),
            one.cases,
            0 if one.is_gone else max(0, one.cases - served.get(one.line_id, 0)),
            rules[one.line_id].min_life_days,
            rules[one.line_id].min_life_fraction,
            one.placed_at.astimezone(zone).toordinal(),
        )
        for one in wanted
    ]


def served_cases(session: Session, site_id: int, line_ids: Collection[int]) -> dict[int, int]:
    """Return the cases reserved or picked for these order lines, by line."""
    found: dict[int, int] = {}
    for ids in parts(line_ids):
        statement = (
            select(col(Allocated.line_id), func.sum(col(Allocated.cases)))
            .where(col(Allocated.site_id) == site_id, col(Allocated.line_id).in_(ids))
            .where(col(Allocated.state).in_(LIVE))
            .group_by(col(Allocated.line_id))
        )
        found.update((line_id, int(cases)) for line_id, cases in session.execute(statement))
    return found


def lots_told_of(session: Session, site_id: int) -> set[int]:
    """Return the lots people were told of that they will not sell in time."""
    return set(session.scalars(select(col(WasteTold.lot_id)).where(col(WasteTold.site_id) == site_id)))
