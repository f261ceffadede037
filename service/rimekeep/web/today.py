"""The lead's page: what is there against what is wanted, the rooms, the trucks, what needs a decision."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from rimekeep.access.queries import site_of
from rimekeep.climate.queries import zone_now
from rimekeep.stock.core.states import ROOMS
from rimekeep.web import queries
from rimekeep.web.cold.queries import excursion_page


def _(text: str) -> str:
    """Mark a text for the catalogues; it is translated where it is shown."""
    return text


# Colour never carries the meaning alone: each class has its pattern and its words.
LIFE_CLASSES = (
    _("under 14 days"),
    _("14 to 30 days"),
    _("30 to 60 days"),
    _("60 to 120 days"),
    _("over 120 days"),
)
# What alerts are about.
FAMILIES = {
    "cold": _("The cold"),
    "sensors": _("Sensors"),
    "stock": _("Stock"),
    "counts": _("Counts"),
    "orders": _("Orders"),
    "trips": _("Trips"),
    "alerts": _("Who is told"),
    "recall": _("A recall"),
}
CHART_WIDTH = 600
# The rest stands on the pages of the cold.
MOST_TO_DECIDE = 20


@dataclass(frozen=True, slots=True)
class Bar:
    """One piece of a product's bar in the picture."""

    x: float
    width: float
    life: int
    cases: int


@dataclass(frozen=True, slots=True)
class Picture:
    """One product's row of the picture."""

    stock: queries.ProductStock
    bars: tuple[Bar, ...]
    wanted_x: float


def pictures(stock: list[queries.ProductStock]) -> list[Picture]:
    """Lay the stock out as bars on one common scale of cases."""
    largest = max((max(product.cases, product.wanted) for product in stock), default=0)
    scale = CHART_WIDTH / largest if largest else 0.0
    rows = []
    for product in stock:
        bars, x = [], 0.0
        for number, cases in enumerate(product.by_life):
            if cases:
                width = cases * scale
                bars.append(Bar(round(x, 1), round(width, 1), number, cases))
                x += width
        rows.append(Picture(product, tuple(bars), round(product.wanted * scale, 1)))
    return rows


def view(session: Session, site_id: int, now: datetime) -> dict[str, object]:
    """Return everything the page shows, as of ``now``."""
    site = site_of(session, site_id)
    zone = ZoneInfo(site.time_zone)
    today: date = now.astimezone(zone).date()
    stock = queries.stock_by_life(session, site_id, now, today + timedelta(days=1))
    return {
        "site": site,
        "now": now.astimezone(zone),
        "zone": zone,
        "today": today,
        "classes": LIFE_CLASSES,
        "pictures": pictures(stock),
        "width": CHART_WIDTH,
        "rooms": [room for room in zone_now(session, site_id, now) if room.zone_kind in ROOMS],
        "excursions": excursion_page(session, site_id, show="unseen", most=MOST_TO_DECIDE),
        "waste": queries.waste_expected(session, site_id),
        "alerts": queries.open_alerts(session, site_id, now),
        "families": FAMILIES,
        "counts": queries.counts_to_do(session, site_id),
        "orders": queries.orders_of_day(session, site_id, today),
        "trips": queries.trips_of_day(session, site_id, today),
    }
