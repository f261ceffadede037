"""Who wants what."""

from datetime import date, datetime

from sqlalchemy import BigInteger, CheckConstraint, Index, String, UniqueConstraint
from sqlmodel import Field, SQLModel

from rimekeep.orders.core.states import OrderState
from rimekeep.platform.columns import instant, key, one_of, ref


class Customer(SQLModel, table=True):
    """Who is delivered to, and their rules."""

    __tablename__ = "customer"
    __table_args__ = (
        UniqueConstraint("site_id", "code"),
        CheckConstraint("min_life_days >= 0", name="min_life"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    code: str
    name: str
    contact: str = ""
    address: str = ""
    min_life_days: int = 0
    no_backward_date: bool = False
    max_lots_per_line: int | None = None


class SalesOrder(SQLModel, table=True):
    """What a customer wants by a day. ("order" is a word of SQL's own.)"""

    __tablename__ = "sales_order"
    __table_args__ = (
        UniqueConstraint("site_id", "code"),
        Index("ix_sales_order__day", "site_id", "ship_on", "state"),
        one_of("state", OrderState),
        CheckConstraint("deliver_on >= ship_on", name="days"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    customer_id: int = ref("customer.id", index=True)
    code: str
    ship_on: date
    deliver_on: date
    priority: int = 0
    state: str = Field(sa_type=String)
    placed_at: datetime = instant()


class OrderLine(SQLModel, table=True):
    """One product of an order."""

    __tablename__ = "order_line"
    __table_args__ = (
        UniqueConstraint("order_id", "line_no"),
        CheckConstraint("cases > 0", name="cases"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    order_id: int = ref("sales_order.id")
    line_no: int
    product_id: int = ref("product.id")
    cases: int
    # Overrides the customer's own where a contract says so.
    min_life_days: int | None = None


class LastDelivered(SQLModel, table=True):
    """The newest printed date a customer got of a product, for those who take none older."""

    __tablename__ = "last_delivered"
    customer_id: int = Field(primary_key=True, foreign_key="customer.id", sa_type=BigInteger)
    product_id: int = Field(primary_key=True, foreign_key="product.id", sa_type=BigInteger)
    printed_on: date
