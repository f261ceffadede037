"""Who wants what."""

from datetime import date, datetime, time

from sqlalchemy import BigInteger, CheckConstraint, Index, String, UniqueConstraint, text
from sqlmodel import Field, SQLModel

from rimekeep.orders.core.states import OrderState
from rimekeep.platform.columns import instant, key, one_of, ref


class Customer(SQLModel, table=True):
    """Who is delivered to, and their rules."""

    __tablename__ = "customer"
    __table_args__ = (
        UniqueConstraint("site_id", "code"),
        CheckConstraint("min_life_days >= 0", name="min_life"),
        CheckConstraint("min_life_fraction BETWEEN 0 AND 1", name="min_life_fraction"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    code: str
    name: str
    # Whom to call for deliveries and recalls, and how to reach them.
    contact: str = ""
    phone: str = ""
    mail: str = ""
    address: str = ""
    min_life_days: int = 0
    # Of the lot's whole life, from the day it was packaged to the printed date; null: no such rule.
    min_life_fraction: float | None = None
    no_backward_date: bool = False
    max_lots_per_line: int | None = None


class CustomerRule(SQLModel, table=True):
    """What a customer wants of one product in particular; null: what they want of all."""

    __tablename__ = "customer_rule"
    __table_args__ = (
        UniqueConstraint("customer_id", "product_id"),
        CheckConstraint("min_life_days >= 0", name="min_life"),
        CheckConstraint("min_life_fraction BETWEEN 0 AND 1", name="min_life_fraction"),
        CheckConstraint("max_lots_per_line >= 1", name="max_lots"),
    )
    id: int = key()
    site_id: int = ref("site.id", index=True)
    customer_id: int = ref("customer.id")
    product_id: int = ref("product.id")
    min_life_days: int | None = None
    min_life_fraction: float | None = None
    no_backward_date: bool | None = None
    max_lots_per_line: int | None = None


class CustomerDrop(SQLModel, table=True):
    """A place a customer is delivered to."""

    __tablename__ = "customer_drop"
    __table_args__ = (
        UniqueConstraint("customer_id", "code"),
        CheckConstraint("latitude BETWEEN -90 AND 90 AND longitude BETWEEN -180 AND 180", name="coordinates"),
        CheckConstraint("(latitude IS NULL) = (longitude IS NULL)", name="both_coordinates"),
        CheckConstraint("opens_at < closes_at", name="window"),
        CheckConstraint("(opens_at IS NULL) = (closes_at IS NULL)", name="both_times"),
    )
    id: int = key()
    site_id: int = ref("site.id", index=True)
    customer_id: int = ref("customer.id")
    code: str
    name: str
    address: str = ""
    contact: str = ""
    # Degrees north and east by WGS 84.
    latitude: float | None = None
    longitude: float | None = None
    # The clock of the place itself; goods are taken in from one to the other.
    opens_at: time | None = None
    closes_at: time | None = None


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
    # Null: the customer's own address.
    drop_id: int | None = ref("customer_drop.id", nullable=True, index=True)
    code: str
    # The number the customer knows it by.
    external_reference: str = ""
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
        CheckConstraint("cases >= 0", name="cases"),
        CheckConstraint("min_life_fraction BETWEEN 0 AND 1", name="min_life_fraction"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    order_id: int = ref("sales_order.id")
    line_no: int
    product_id: int = ref("product.id")
    # 0: taken off the order after stock had served it; the line stays, because its history refers to it.
    cases: int
    # Overrides the customer's own where a contract says so.
    min_life_days: int | None = None
    min_life_fraction: float | None = None


class LastDelivered(SQLModel, table=True):
    """The newest printed date a customer got of a product, for those who take none older."""

    __tablename__ = "last_delivered"
    customer_id: int = Field(primary_key=True, foreign_key="customer.id", sa_type=BigInteger)
    product_id: int = Field(primary_key=True, foreign_key="product.id", sa_type=BigInteger)
    printed_on: date


class DemandForecast(SQLModel, table=True):
    """Cases expected to be delivered on a day; a newer word on the same day takes the place of the older."""

    __tablename__ = "demand_forecast"
    __table_args__ = (
        CheckConstraint("cases >= 0", name="cases"),
        Index(
            "uq_demand_forecast__customer",
            "site_id",
            "product_id",
            "customer_id",
            "day",
            unique=True,
            sqlite_where=text("customer_id IS NOT NULL"),
            postgresql_where=text("customer_id IS NOT NULL"),
        ),
        Index(
            "uq_demand_forecast__nobody",
            "site_id",
            "product_id",
            "day",
            unique=True,
            sqlite_where=text("customer_id IS NULL"),
            postgresql_where=text("customer_id IS NULL"),
        ),
        Index("ix_demand_forecast__day", "site_id", "day"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    product_id: int = ref("product.id")
    # Null: of nobody in particular, who asks for no life beyond the day.
    customer_id: int | None = ref("customer.id", nullable=True)
    day: date
    cases: int
    given_at: datetime = instant()


class ForecastVersion(SQLModel, table=True):
    """
    A forecast as it was entered; rows are only added, so that what was known when can be told.

    They go only with their customer.
    """

    __tablename__ = "forecast_version"
    __table_args__ = (
        CheckConstraint("cases >= 0", name="cases"),
        Index("ix_forecast_version__day", "site_id", "day"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    product_id: int = ref("product.id")
    customer_id: int | None = ref("customer.id", nullable=True)
    day: date
    cases: int
    entered_at: datetime = instant()
