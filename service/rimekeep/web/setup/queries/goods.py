"""Products and how they age."""

from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.shelflife.tables import AgeingProfile
from rimekeep.stock.tables import Product
from rimekeep.web.setup.queries.listing import Asked, Listed, listed


@dataclass(frozen=True, slots=True)
class ProductRow:
    """A product in a list; ``versions`` of its ageing profile, 0 where there is none."""

    id: int
    sku: str
    name: str
    gtin: str | None
    package: str
    abv_pct: float
    case_mass_kg: float
    cases_per_pallet: int
    versions: int


def product_page(
    session: Session, site_id: int, asked: Asked, *, without_profile: bool = False
) -> Listed[ProductRow]:
    """Return products, only those nobody said the ageing of if asked."""
    newest = (
        select(func.coalesce(func.max(col(AgeingProfile.version)), 0))
        .where(col(AgeingProfile.site_id) == site_id, col(AgeingProfile.product_id) == col(Product.id))
        .scalar_subquery()
    )
    statement: Select[*tuple[Any, ...]] = select(
        col(Product.id),
        col(Product.sku),
        col(Product.name),
        col(Product.gtin),
        col(Product.package),
        col(Product.abv_pct),
        col(Product.case_mass_kg),
        col(Product.cases_per_layer) * col(Product.layers_per_pallet),
        newest,
    ).where(col(Product.site_id) == site_id)
    if without_profile:
        statement = statement.where(newest == 0)
    return listed(
        session,
        statement,
        asked,
        code=col(Product.sku),
        searched=[col(Product.sku), col(Product.name), col(Product.gtin)],
        row=ProductRow,
    )


def profile_rows(session: Session, site_id: int, product_id: int) -> list[AgeingProfile]:
    """Return the versions of how a product ages, the newest first."""
    rows = session.scalars(
        select(AgeingProfile)
        .where(col(AgeingProfile.site_id) == site_id, col(AgeingProfile.product_id) == product_id)
        .order_by(col(AgeingProfile.version).desc())
    )
    return list(rows)
