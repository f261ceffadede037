"""Requests and responses about allocations, pick lists and picks."""

from datetime import date
from typing import Annotated

from pydantic import Field, model_validator

from rimekeep.access.core.promises import PromisesBy
from rimekeep.orders.schemas import Day, OrderOut
from rimekeep.orders.schemas.amend import GivenBackOut
from rimekeep.picking.core.outlook.demand import Basis
from rimekeep.picking.core.states import ListsBy
from rimekeep.platform.language import Worded
from rimekeep.platform.schemas import Body, Id, Instant, Reason, Text, View, wrong

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
DeviceTime = Annotated[
    Instant | None,
    Field(description="When by the device's own clock; it stays on record, and nothing is reckoned by it."),
]


class WaveIn(Body):
    """Which orders to allocate."""

    ship_on: Day | None = Field(None, description="All orders of this day that are not picked yet.")
    order_ids: OrderIds | None = Field(None, description="These orders; picked ones are topped up.")

    @model_validator(mode="after")
    def name_one(self) -> "WaveIn":
        """Ask for one of the two."""
        if (self.ship_on is None) == (self.order_ids is None):
            raise wrong("ship_on and order_ids say the same in two ways", "Give exactly one of them.")
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


class RemedyOut(View):
    """One change that would serve missing cases of a line."""

    change: str = Field(description="Stable word for programs.", examples=["accept_less_life"])
    cases: int = Field(description="Missing cases it serves.")
    lots: list[tuple[str, int]] = Field(description="Lot codes with the cases each would give.")
    amount: int | None = Field(description="How much: days less, older, newer or later; lots more.")
    on: date | None = Field(description="The other ship day, or the day by which cases must be made.")
    lasts_until: date | None = Field(description="The day through which cases that are made must last.")
    text: Worded = Field(description="The same in plain words.")


class ShortOut(View):
    """Cases a line does not get."""

    cases: int
    reason: str = Field(description="Stable word for programs.")
    text: Worded = Field(description="The same in plain words.")
    causes: list[tuple[str, int]] = Field([], description="All causes with the cases each keeps away.")
    remedies: list[RemedyOut] = Field(
        [],
        description="What would serve missing cases as things stand, for this line alone, the smallest "
        "change first. In answers about many orders they are told for the first 200 short lines.",
    )


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


class RecheckIn(Body):
    """Which lines to look at."""

    line_ids: Annotated[list[Id], Field(min_length=1, max_length=2000)] | None = Field(
        None, description="Only these order lines; default: all of the site."
    )


class WithdrawnOut(View):
    """Cases that were reserved for a line and may not serve it any more."""

    lot_id: int
    lot_code: str
    unit_id: int
    sscc: str
    cases: int
    reason: str = Field(description="Stable word for programs.")
    text: Worded = Field(description="The same in plain words.")
    list_id: int | None = Field(description="The pick list they were on.")


class ReservedAnewOut(View):
    """A line that lost reserved stock, with what it got instead and what it misses now."""

    line: AllocatedLineOut
    withdrawn: list[WithdrawnOut]


class ReallocatedOut(View):
    """Every line that lost reserved stock."""

    lines: list[ReservedAnewOut]


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
    min_life_fraction: float | None
    short: ShortOut | None


class FullOrderOut(OrderOut):
    """An order with its lines, what serves them, and what is short."""

    lines: list[FullLineOut]
    allocations: list[OrderAllocationOut]


class AmendedOut(FullOrderOut):
    """An order as it is now, and what the change did to the stock that served it."""

    given_back: list[GivenBackOut]
    unfit: list[GivenBackOut] = Field(
        description="Picked, and not within the order's rules any more: it stays; decide whether to send it."
    )


class PutBackIn(Body):
    """Which unit the cases were taken off."""

    scan: Scan


class CancelIn(Body):
    """Why an order is cancelled."""

    reason: Reason


class ListsIn(Body):
    """Which orders to make pick lists for."""

    order_ids: OrderIds
    by: ListsBy = Field(
        ListsBy.ORDER,
        description="batch: units of several orders share a walk where the zone's units_per_walk allows it.",
    )


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
    order_id: int
    order_code: str
    to_number: int | None = Field(description="Pallet of this list the cases go onto; null: goes as it is.")
    to_planned_sscc: str | None = Field(description="The number on that pallet's label.")
    tier: int | None = Field(description="Lowest tier of the cases on it, 1 at the bottom.")
    note: Worded = Field(description="One line for the picker: what changed after the list was made.")


class ListOut(View):
    """A pick list with its stops in order of work: the shortest walk, turned so that heavy comes first."""

    id: int
    order_id: int | None = Field(description="Null where the walk serves several orders; see the stops.")
    order_code: str | None
    customer_name: str | None
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


class LabelContentOut(View):
    """Cases of one lot on a unit."""

    sku: str
    product_name: str
    gtin: str | None
    lot_code: str
    best_before_on: date
    cases: int


class LabelOut(View):
    """What a unit's GS1 logistic label says."""

    sscc: str
    elements: dict[str, str] = Field(description="By GS1 application identifier, as the barcodes hold them.")
    element_strings: list[str] = Field(
        description="One a barcode of the A6 sheet, U+001D for FNC1; the SSCC last."
    )
    contents: list[LabelContentOut]
    cases: int
    mass_kg: float
    is_complete: bool = Field(description="Nothing is still to be picked onto it.")
    order_code: str | None
    customer_name: str | None


class WastedLotOut(View):
    """Cases of a lot that will not sell in time."""

    lot_id: int
    lot_code: str
    product_id: int
    sku: str
    last_on: date = Field(description="Last day of its beer, by the strictest of its dates.")
    cases: int = Field(description="Cases that will not sell.")
    sold_cases: int = Field(description="Cases of it that will.")
    value: float | None = Field(description="In the site's currency; null: nobody said what a case is worth.")
    saleable_until: date = Field(description="Last day on which a customer of the product accepts it.")
    act_by: date | None = Field(
        description="Last day on which an action saves all that can be saved: if from this day on every "
        "customer takes the product with no life left beyond the day of delivery, as much sells as if they "
        "did from today. Null: not even that saves any; a buyer outside the forecast is needed."
    )
    shown_on: date | None = Field(
        description="First day from which on it could be known: the lots in store by then, less what was "
        "delivered since, were more than the demand to come takes, by the forecasts and orders known on "
        "each day and the dates known now."
    )


class ProductOutlookOut(View):
    """What becomes of one product's free stock."""

    product_id: int
    sku: str
    name: str
    demand_from: Basis = Field(description="Where the demand beyond orders comes from.")
    free_cases: int = Field(description="Released and not reserved.")
    held_cases: int = Field(description="On hold or rejected; not counted as stock here.")
    sold_cases: int
    waste_cases: int
    left_cases: int = Field(description="Do not sell within the horizon, but still may after it.")
    unmet_cases: int = Field(description="Demand that no free stock serves.")
    value: float | None = Field(description="Of the waste.")


class SavingOut(View):
    """What it would save if a customer asked for fewer days of life."""

    customer_id: int
    customer_code: str
    product_id: int | None = Field(description="Null: on every product.")
    sku: str | None
    first_days: int = Field(description="Fewest days less that save anything.")
    first_cases: int
    best_days: int = Field(description="Fewest days less that save the most.")
    best_cases: int
    value: float | None = Field(description="Of the most.")


class OutlookOut(View):
    """Stock that will not sell in time."""

    today: date
    until: date
    currency: str | None
    waste_cases: int
    value: float = Field(description="Of all waste that is valued.")
    unvalued_cases: int = Field(description="Waste of products nobody said the worth of.")
    shown_on: date | None = Field(description="First day any of it could be known.")
    act_by: date | None = Field(description="First of the lots' days by which something must be done.")
    lots: list[WastedLotOut]
    products: list[ProductOutlookOut] = Field(description="Most waste first.")
    savings: list[SavingOut] = Field(description="By customer and product, most cases first.")
    customer_savings: list[SavingOut] = Field(description="By customer, the same days on every product.")
