"""What a recall's queries return."""

from dataclasses import dataclass
from datetime import date, datetime

from rimekeep.tracing.recall.core.reconcile import Answer, Balance
from rimekeep.tracing.recall.core.states import CustomerState, Place


@dataclass(frozen=True, slots=True)
class Source:
    """What is asked after: whole lots, or single contents where ``content_ids`` is not None."""

    lot_ids: tuple[int, ...]
    content_ids: tuple[int, ...] | None = None


@dataclass(frozen=True, slots=True)
class Delivery:
    """
    Cases of one lot on one unit that went to a customer.

    ``off_at`` is None while nobody has told of the delivery: they are on the way as far as is known.
    """

    customer_id: int
    drop_code: str | None
    drop_name: str | None
    drop_address: str | None
    drop_contact: str | None
    order_id: int
    order_code: str
    external_reference: str
    deliver_on: date
    trip_id: int
    vehicle: str
    drop_no: int
    departed_at: datetime
    off_at: datetime | None
    unit_id: int
    sscc: str
    lot_id: int
    lot_code: str
    best_before_on: date
    sku: str
    product_name: str
    content_id: int
    cases: int


@dataclass(frozen=True, slots=True)
class Customer:
    """Whom to call."""

    id: int
    code: str
    name: str
    contact: str
    phone: str
    mail: str
    address: str


@dataclass(frozen=True, slots=True)
class Stopped:
    """Cases that are still here, or on the road with nobody to take them."""

    place: Place
    unit_id: int
    sscc: str
    zone: str
    bay: str | None
    lot_id: int
    lot_code: str
    cases: int
    reserved_cases: int
    trip_id: int | None
    vehicle: str | None


@dataclass(frozen=True, slots=True)
class Told:
    """A time a customer was told."""

    customer_id: int
    at: datetime
    how: str
    to_whom: str
    note: str
    by: int
    by_name: str


@dataclass(frozen=True, slots=True)
class Said:
    """What a customer answered, and who wrote it down."""

    customer_id: int
    received_at: datetime
    answer: Answer
    note: str
    by: int
    by_name: str


@dataclass(frozen=True, slots=True)
class CustomerPart:
    """One customer's part in a recall."""

    customer: Customer
    deliveries: tuple[Delivery, ...]
    balance: Balance
    state: CustomerState
    notified_at: datetime | None
    due_at: datetime | None
    told: tuple[Told, ...]
    said: tuple[Said, ...]

    @property
    def on_the_way_cases(self) -> int:
        """Return the cases nobody has told the delivery of."""
        return sum(one.cases for one in self.deliveries if one.off_at is None)
