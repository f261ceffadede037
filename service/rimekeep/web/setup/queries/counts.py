"""What the overview of setting up counts."""

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.loading.tables import Vehicle
from rimekeep.orders.tables import Customer
from rimekeep.shelflife.tables import AgeingProfile
from rimekeep.stock.core.states import ROOMS
from rimekeep.stock.tables import Product, Zone


def counts(session: Session, site_id: int) -> dict[str, int]:
    """Return how many there are of each part."""
    asked = {
        "zones": select(func.count()).where(col(Zone.site_id) == site_id, col(Zone.kind).in_(ROOMS)),
        "products": select(func.count()).where(col(Product.site_id) == site_id),
        "profiles": select(func.count(col(AgeingProfile.product_id).distinct())).where(
            col(AgeingProfile.site_id) == site_id
        ),
        "customers": select(func.count()).where(col(Customer.site_id) == site_id),
        "vehicles": select(func.count()).where(col(Vehicle.site_id) == site_id, col(Vehicle.is_active)),
    }
    row = session.execute(select(*(one.scalar_subquery().label(name) for name, one in asked.items()))).one()
    return dict(row._mapping)
