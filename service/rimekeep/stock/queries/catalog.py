"""Products, zones, bays and lots: one by id or by the code people use, and lists for paging."""

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.errors import missing
from rimekeep.platform.database import Listing
from rimekeep.stock.core.facts import normal_gtin
from rimekeep.stock.core.states import ROOMS
from rimekeep.stock.tables import Bay, Lot, Product, Zone

# A statement and the columns that order it, as paging wants them.


def product(session: Session, site_id: int, product_id: int, *, is_locked: bool = False) -> Product:
    """Return a product of the site."""
    # Whoever only refers to it need not wait.
    lock = {"key_share": True} if is_locked else None
    found = session.get(Product, product_id, with_for_update=lock, populate_existing=is_locked)
    if found is None or found.site_id != site_id:
        raise missing("product", product_id)
    return found


def products_by_id(session: Session, site_id: int) -> dict[int, Product]:
    """Return every product of the site by id."""
    rows = session.scalars(select(Product).where(col(Product.site_id) == site_id))
    return {row.id: row for row in rows}


def product_by_sku(session: Session, site_id: int, sku: str) -> Product:
    """Return the product with this SKU."""
    found = session.scalar(select(Product).where(col(Product.site_id) == site_id, col(Product.sku) == sku))
    if found is None:
        raise missing("product", sku)
    return found


def product_by_gtin(session: Session, site_id: int, gtin: str) -> Product:
    """Return the product with this GTIN, given in 8 to 14 digits."""
    wanted = normal_gtin(gtin)
    found = session.scalar(
        select(Product).where(col(Product.site_id) == site_id, col(Product.gtin) == wanted)
    )
    if found is None:
        raise missing("product", f"with GTIN {gtin}")
    return found


def zone(session: Session, site_id: int, zone_id: int, *, is_locked: bool = False) -> Zone:
    """Return a zone of the site."""
    lock = {"key_share": True} if is_locked else None
    found = session.get(Zone, zone_id, with_for_update=lock, populate_existing=is_locked)
    if found is None or found.site_id != site_id:
        raise missing("zone", zone_id)
    return found


def zone_by_code(session: Session, site_id: int, code: str) -> Zone:
    """Return the zone with this code."""
    found = session.scalar(select(Zone).where(col(Zone.site_id) == site_id, col(Zone.code) == code))
    if found is None:
        raise missing("zone", code)
    return found


def zones(session: Session, site_id: int) -> list[Zone]:
    """Return every zone of the site, vehicles' load spaces too."""
    return list(session.scalars(select(Zone).where(col(Zone.site_id) == site_id).order_by(col(Zone.id))))


def rooms(session: Session, site_id: int) -> list[Zone]:
    """Return every room of the site; a fleet's load spaces are none."""
    named = select(Zone).where(col(Zone.site_id) == site_id, col(Zone.kind).in_(ROOMS))
    return list(session.scalars(named.order_by(col(Zone.id))))


def bay(session: Session, site_id: int, bay_id: int, *, is_locked: bool = False) -> Bay:
    """Return a bay of the site."""
    lock = {"key_share": True} if is_locked else None
    found = session.get(Bay, bay_id, with_for_update=lock, populate_existing=is_locked)
    if found is None or found.site_id != site_id:
        raise missing("bay", bay_id)
    return found


def bay_by_code(session: Session, site_id: int, code: str) -> Bay:
    """Return the bay with this code."""
    found = session.scalar(select(Bay).where(col(Bay.site_id) == site_id, col(Bay.code) == code))
    if found is None:
        raise missing("bay", code)
    return found


def lot(session: Session, site_id: int, lot_id: int) -> Lot:
    """Return a lot of the site."""
    found = session.get(Lot, lot_id)
    if found is None or found.site_id != site_id:
        raise missing("lot", lot_id)
    return found


def lot_by_code(session: Session, site_id: int, product_id: int, code: str) -> Lot:
    """Return a product's lot with this code."""
    found = session.scalar(
        select(Lot).where(
            col(Lot.site_id) == site_id, col(Lot.product_id) == product_id, col(Lot.code) == code
        )
    )
    if found is None:
        raise missing("lot", code)
    return found


def products(site_id: int) -> Listing:
    """Return the statement for the site's products, and its order."""
    return select(Product).where(col(Product.site_id) == site_id), [col(Product.id)]


def zone_page(site_id: int) -> Listing:
    """Return the statement for the site's zones, and its order."""
    return select(Zone).where(col(Zone.site_id) == site_id), [col(Zone.id)]


def bays(site_id: int, *, zone_id: int | None = None) -> Listing:
    """Return the statement for the site's bays, and its order."""
    statement = select(Bay).where(col(Bay.site_id) == site_id)
    if zone_id is not None:
        statement = statement.where(col(Bay.zone_id) == zone_id)
    return statement, [col(Bay.id)]


def lots(site_id: int, *, product_id: int | None = None, qa_state: str | None = None) -> Listing:
    """Return the statement for the site's lots, and its order."""
    statement = select(Lot).where(col(Lot.site_id) == site_id)
    if product_id is not None:
        statement = statement.where(col(Lot.product_id) == product_id)
    if qa_state is not None:
        statement = statement.where(col(Lot.qa_state) == qa_state)
    return statement, [col(Lot.id)]
