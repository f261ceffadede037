"""Requests and responses about recalls."""

from datetime import date
from typing import Any

from pydantic import Field, SecretStr, model_validator

from rimekeep.platform.schemas import Body, Id, Instant, Name, Reason, Text, View, wrong
from rimekeep.tracing.recall.core.states import CustomerState, Ending, Place, ScopeKind, Way

DAY_S = 86_400


class RecallScopeIn(Body):
    """What to call back: lots, or what stood in a zone within a window, or what an excursion touched."""

    lot_ids: list[Id] | None = Field(None, min_length=1, max_length=10_000, description="Whole lots.")
    and_same_day: bool = Field(
        False, description="With lots: all lots of the same product packaged on the same day, too."
    )
    zone_id: Id | None = Field(
        None, description="All lots of which units stood in this zone in the window, wherever they are now."
    )
    from_at: Instant | None = None
    until_at: Instant | None = None
    excursion_id: Id | None = Field(
        None, description="The stock it touched, not its whole lots, and what was taken off that since."
    )

    @model_validator(mode="after")
    def say_one_thing(self) -> "RecallScopeIn":
        """Ask for exactly one kind of scope, whole."""
        window = (self.zone_id, self.from_at, self.until_at)
        given = [
            self.lot_ids is not None,
            any(one is not None for one in window),
            self.excursion_id is not None,
        ]
        if sum(given) != 1:
            raise wrong(
                "it is not clear what to call back",
                "Give lot_ids, or zone_id with from_at and until_at, or excursion_id; one of them.",
            )
        if given[1] and None in window:
            raise wrong("the window is not whole", "Give zone_id, from_at and until_at together.")
        if self.and_same_day and self.lot_ids is None:
            raise wrong("and_same_day goes with lots", "Give lot_ids, or leave it out.")
        return self

    @property
    def kind(self) -> ScopeKind:
        """Return which kind of scope this is."""
        if self.lot_ids is not None:
            return ScopeKind.LOTS
        return ScopeKind.WINDOW if self.zone_id is not None else ScopeKind.EXCURSION

    @property
    def plain(self) -> dict[str, Any]:
        """Return the scope as it is stored."""
        if self.lot_ids is not None:
            return {"lot_ids": sorted(set(self.lot_ids)), "and_same_day": self.and_same_day}
        if self.from_at is not None and self.until_at is not None:
            return {
                "zone_id": self.zone_id,
                "from_at": self.from_at.isoformat(),
                "until_at": self.until_at.isoformat(),
            }
        return {"excursion_id": self.excursion_id}


class RecallStartIn(Body):
    """Start a recall, and sign for it."""

    reason: Reason
    signature_token: SecretStr = Field(description="Your own token, once more: it stands for your signature.")
    answer_within_s: int = Field(
        DAY_S, ge=3600, le=90 * DAY_S, description="How long customers have before people are reminded. [s]"
    )


class RecallCloseIn(Body):
    """Close a recall, and sign for it."""

    reason: Reason
    stock: Ending = Field(
        description="What becomes of the stock it stopped: release, reject, or hold: left to QA's word."
    )
    signature_token: SecretStr = Field(description="Your own token, once more: it stands for your signature.")


class RecallNotificationIn(Body):
    """A time a customer was told."""

    how: Way
    to: Name = Field(description="Whom you spoke or wrote to.", examples=["A. Barkeep (invented)"])
    at: Instant | None = Field(None, description="When; default: now.")
    note: Text = ""


class RecallAnswerIn(Body):
    """What a customer says became of the cases they were delivered."""

    held_cases: int = Field(
        0, ge=0, le=10_000_000, strict=True, description="Still there, kept back. [cases]"
    )
    sold_on_cases: int = Field(0, ge=0, le=10_000_000, strict=True, description="Sold on or used up. [cases]")
    returned_cases: int = Field(0, ge=0, le=10_000_000, strict=True, description="Sent back. [cases]")
    destroyed_cases: int = Field(
        0, ge=0, le=10_000_000, strict=True, description="Destroyed at the customer's. [cases]"
    )
    rest_explained: Text = Field("", description="Why the rest cannot be told of, if it cannot.")
    at: Instant | None = Field(None, description="When it was received; default: now.")
    note: Text = ""


class RecallOut(View):
    """A recall or a drill."""

    id: int
    state: str
    is_mock: bool
    kind: str
    scope: dict[str, Any]
    reason: str
    answer_within_s: int | None
    made_at: Instant
    made_by: int
    started_at: Instant | None
    started_by: int | None
    started_sha256: str = Field(description="Of what was signed at the start; empty: not started.")
    figures: dict[str, Any] = Field(description="As they were at the start, or in the drill.")
    closed_at: Instant | None
    closed_by: int | None
    close_reason: str
    closed_sha256: str
    ending: str | None


class RecipientOut(View):
    """Whom to call."""

    id: int
    code: str
    name: str
    contact: str
    phone: str
    mail: str
    address: str


class RecallDeliveryOut(View):
    """Cases of one lot on one unit that went to a customer."""

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
    departed_at: Instant
    off_at: Instant | None = Field(
        description="When it was handed over; null: nobody has told, it is on the way."
    )
    unit_id: int
    sscc: str
    lot_id: int
    lot_code: str
    best_before_on: date
    sku: str
    product_name: str
    cases: int


class RecallToldOut(View):
    """A time the customer was told."""

    at: Instant
    how: str
    to_whom: str
    note: str
    by: int
    by_name: str


class RecallAnswerOut(View):
    """The four figures of an answer."""

    held: int
    sold_on: int
    returned: int
    destroyed: int
    explanation: str


class RecallSaidOut(View):
    """An answer, and who wrote it down; the last one counts."""

    received_at: Instant
    answer: RecallAnswerOut
    note: str
    by: int
    by_name: str


class RecallBalanceOut(View):
    """Delivered = returned + destroyed + sold on + outstanding."""

    delivered: int
    returned: int = Field(description="Back by the customer's word or by the store's, whichever is more.")
    taken_back: int = Field(description="Of them, cases that stand in the store again since the start.")
    outstanding: int
    is_done: bool


class RecallCustomerPartOut(View):
    """One customer's part."""

    customer: RecipientOut
    state: CustomerState
    balance: RecallBalanceOut
    on_the_way_cases: int
    notified_at: Instant | None
    due_at: Instant | None
    told: list[RecallToldOut]
    said: list[RecallSaidOut]
    deliveries: list[RecallDeliveryOut]


class RecallTotalsOut(View):
    """All customers together: delivered = returned + destroyed + sold on + outstanding. [cases]"""

    delivered: int
    returned: int
    destroyed: int
    sold_on: int
    held: int
    outstanding: int


class RecallCustomersOut(View):
    """The complete list of customers."""

    recall_id: int
    totals: RecallTotalsOut
    open_customers: list[str] = Field(
        description="Codes of those whose rest is neither nought nor explained."
    )
    customers: list[RecallCustomerPartOut]


class RecallStoppedOut(View):
    """Cases no customer has."""

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


class RecallTripOut(View):
    """A truck with recalled cases on board."""

    trip_id: int
    vehicle: str
    cases: int
    ssccs: list[str]
    drops: list[int]


class RecallDetailOut(RecallOut):
    """A recall with what it reaches now: where its cases stand, and how many customers have some."""

    now: dict[str, Any] = Field(description="The figures as they are now, or were when it was closed.")
    trips_to_call: list[RecallTripOut] = Field(description="On the road: their drivers have to be called.")
    trips_to_unload: list[RecallTripOut] = Field(
        description="At the dock with some on board: none departs with it."
    )
    stopped: list[RecallStoppedOut]
