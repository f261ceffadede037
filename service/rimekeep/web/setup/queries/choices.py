"""What is chosen from in forms: few of it, however large the store."""

from dataclasses import dataclass

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.climate.tables import Sensor
from rimekeep.stock.core.states import ROOMS
from rimekeep.stock.tables import Product, Zone

# With more of them nobody looks through a list: they are searched first.
MOST_PRODUCTS = 200


@dataclass(frozen=True, slots=True)
class ProductChoice:
    """Products to choose from, what they were searched by, and whether there are more."""

    options: list[tuple[str, str]]
    text: str
    is_more: bool


def product_choice(session: Session, site_id: int, text: str) -> ProductChoice:
    """Return products whose code or name holds the text, by their codes."""
    typed = text.strip()
    named = select(col(Product.id), col(Product.sku), col(Product.name)).where(
        col(Product.site_id) == site_id
    )
    if typed:
        searched = (
            func.lower(one).contains(typed.lower(), autoescape=True)
            for one in (col(Product.sku), col(Product.name))
        )
        named = named.where(or_(*searched))
    rows = session.execute(named.order_by(col(Product.sku)).limit(MOST_PRODUCTS + 1)).all()
    shown = [(str(key), f"{sku} {name}") for key, sku, name in rows[:MOST_PRODUCTS]]
    return ProductChoice(shown, typed, len(rows) > MOST_PRODUCTS)


def measured_zones(session: Session, site_id: int) -> list[tuple[int, str]]:
    """Return rooms, and of the load spaces those with a sensor."""
    has_sensor = select(col(Sensor.id)).where(col(Sensor.zone_id) == col(Zone.id)).exists()
    rows = session.execute(
        select(col(Zone.id), col(Zone.name))
        .where(col(Zone.site_id) == site_id, or_(col(Zone.kind).in_(ROOMS), has_sensor))
        .order_by(col(Zone.id))
    )
    return [(key, name) for key, name in rows]
