"""Requests and responses about allocations, pick lists and picks."""

from datetime import date
from typing import Annotated

from pydantic import Field, model_validator

from rimekeep.access.core.promises import PromisesBy
from rimekeep.orders.schemas import Day, OrderOut
from rimekeep.platform.schemas import Body, Cases, Id, Instant, Reason, Text, View

OrderIds = Annotated[list[Id], Field(min_length=1, max_length=2000)]
Scan = Annotated[
    str,
    Field(
        min_length=1,
        max_length=200,
        description="What the scanner sent: an SSCC, or a GS1 element string with SSCC, or GTIN and lot.",
        examples=["00195298760000000017"],
    ),
]
CheckCode = Annotated[Text, Field(max_length=40, description="Read from the label of the bay itself.")]


class WaveIn(Body):
    """Which orders to allocate."""

    ship_on: Day | None = Field(None, description="All orders of this day that are not picked yet.")
    order_ids: OrderIds | None = Field(None, description="These orders; picked ones are topped up.")

    @model_validator(mode="after")
    def name_one(self) -> "WaveIn":
        """Ask for one of the two."""
        if (self.ship_on is None) == (self.order_ids is None):
            raise ValueError("ship_on and order_ids say the same in two ways | Give exactly one of them.")
        return self


class TakenOut(View):
    """Cases of one pallet that serve a line."""

    content_id: int
    unit_id: int
    sscc: str
    lot_id: int
    lot_code: str
    best_before_on: date
    expires_on: date = Field(description="Last full day of the life that is left by the median; it sorts.")
    promised_on: date = Field(description="Last full day the customer is promised, by `promises_by`.")
    cases: int
    how: str = Field(description="pallet: as it stands; layers; or single cases.")
    zone_id: int
    bay_code: str | None


class ShortOut(View):
    """Cases a line does not get."""

    cases: int
    reason: str = Field(description="Stable word for programs.")
    text: str = Field(description="The same in plain words.")
    causes: list[tuple[str, int]] = Field([], description="All causes with the cases each keeps away.")


class AllocatedLineOut(View):
    """What one line gets."""

    line_id: int
    line_no: int
    order_id: int
    order_code: str
    customer_code: str
    product_id: int
    sku: str
    cases: int
    had: int = Field(description="Cases reserved or picked before.")
    taken: list[TakenOut]
    short: ShortOut | None


class WaveOut(View):
    """What the orders get."""

    wanted_cases: int = Field(description="Cases that were missing before.")
    served_cases: int
    bound_cases: int = Field(description="No allocation within the rules serves more.")
    is_proven: bool = Field(description="Most cases and earliest expiries are both proven.")
    promises_by: PromisesBy = Field(description="The end of life the site's customers are promised by.")
    lines: list[AllocatedLineOut]


class OrderAllocationOut(View):
    """Cases on one unit that serve a line, as they stand now."""

    id: int
    line_no: int
    content_id: int
    unit_id: int
    sscc: str
    unit_state: str
    zone_id: int
    bay_code: str | None
    lot_id: int
    lot_code: str
    best_before_on: date
    product_id: int
    sku: str
    cases: int
    how: str
    state: str


class FullLineOut(View):
    """A line with what is short of it."""

    id: int
    line_no: int
    product_id: int
    cases: int
    min_life_days: int | None
    short: ShortOut | None


class FullOrderOut(OrderOut):
    """An order with its lines, what serves them, and what is short."""

    lines: list[FullLineOut]
    allocations: list[OrderAllocationOut]


class CancelIn(Body):
    """Why an order is cancelled."""

    reason: Reason


class ListsIn(Body):
    """Which orders to make pick lists for."""

    order_ids: OrderIds


class PickOut(View):
    """One stop of a pick list."""

    id: int
    stop: int
    state: str
    sku: str
    product_name: str
    lot_code: str
    best_before_on: date
    sscc: str = Field(description="Where the cases are: before the pick, the pallet to go to.")
    bay_code: str | None
    aisle: int | None
    slot: int | None
    level: int | None
    cases: int
    layers: int = Field(description="Full layers among the cases.")
    loose_cases: int = Field(description="Cases beside the full layers.")
    how: str
    picked_cases: int
    reason: str


class ListOut(View):
    """A pick list with its stops in walking order."""

    id: int
    order_id: int
    order_code: str
    customer_name: str
    zone_id: int
    zone_code: str
    state: str
    walk_m: float = Field(
        description="Shortest walk from the dock and back; 0 where the aisles are not known."
    )
    made_at: Instant
    device_id: int | None
    leased_until: Instant | None
    done_at: Instant | None
    picks: list[PickOut]


class ConfirmIn(Body):
    """What the picker did."""

    scan: Scan
    bay_check_code: CheckCode | None = Field(
        None, description="Not needed where the pallet stands in no bay."
    )
    cases: Cases


class ShortIn(Body):
    """What the picker found instead of what was asked for."""

    cases_found: Annotated[int, Field(ge=0, le=100_000, strict=True)] = Field(
        description="Taken of the pick."
    )
    reason: Reason
    scan: Scan | None = Field(None, description="Needed when cases were taken.")
    bay_check_code: CheckCode | None = None


class PickedOut(View):
    """What a confirmation did."""

    pick_id: int
    state: str
    picked_cases: int
    to_unit_id: int | None
    to_sscc: str | None = Field(description="Unit the cases are on now; a new one gets its label.")
    picks_left: int = Field(description="Stops left on the list.")
    is_list_done: bool
    is_order_picked: bool
