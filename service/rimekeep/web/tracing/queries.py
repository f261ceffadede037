"""Finding a lot, a unit or a customer by what somebody types or scans."""

from dataclasses import dataclass

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.orders.tables import Customer
from rimekeep.stock.tables import Lot, Product, Unit

MOST = 50
SSCC_DIGITS = 18
# Fewer would find any unit.
LEAST_DIGITS = 4


@dataclass(frozen=True, slots=True)
class Found:
    """Something found: where its page is, what it is called, and what else tells it apart."""

    address: str
    name: str
    more: str


@dataclass(frozen=True, slots=True)
class Finds:
    """What was found, at most `MOST` of each kind."""

    lots: list[Found]
    units: list[Found]
    customers: list[Found]

    @property
    def only(self) -> Found | None:
        """Return the one thing found, if it is one."""
        every = [*self.lots, *self.units, *self.customers]
        return every[0] if len(every) == 1 else None


def find(session: Session, site_id: int, text: str) -> Finds:
    """
    Find what begins with ``text``: lot codes, SSCCs (a scanned "(00)" before it is left out), customers.

    Customers are found by a part of their name too.
    """
    typed = text.strip()
    begins = typed.lower()
    digits = "".join(filter(str.isdigit, typed))
    if len(digits) == SSCC_DIGITS + 2 and digits.startswith("00"):
        digits = digits[2:]
    lots = session.execute(
        select(col(Lot.id), col(Lot.code), col(Product.name))
        .join(Product, col(Product.id) == col(Lot.product_id))
        .where(col(Lot.site_id) == site_id, func.lower(col(Lot.code)).startswith(begins, autoescape=True))
        .order_by(col(Lot.packaged_at).desc(), col(Lot.id))
        .limit(MOST)
    )
    ssccs = (
        select(col(Unit.sscc))
        .where(col(Unit.site_id) == site_id, col(Unit.sscc).startswith(digits))
        .order_by(col(Unit.sscc))
        .limit(MOST)
    )
    units = session.scalars(ssccs).all() if len(digits) >= LEAST_DIGITS else []
    name = func.lower(col(Customer.name))
    customers = session.execute(
        select(col(Customer.id), col(Customer.code), col(Customer.name))
        .where(
            col(Customer.site_id) == site_id,
            or_(
                func.lower(col(Customer.code)).startswith(begins, autoescape=True),
                name.contains(begins, autoescape=True),
            ),
        )
        .order_by(col(Customer.code))
        .limit(MOST)
    )
    return Finds(
        [Found(f"/trace/lots/{row[0]}", row[1], row[2]) for row in lots],
        [Found(f"/trace/units/{sscc}", sscc, "") for sscc in units],
        [Found(f"/trace/customers/{row[0]}", row[1], row[2]) for row in customers],
    )
