"""Requests and responses about products, places, lots and units."""

from datetime import date
from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from rimekeep.platform.schemas import Body, Cases, Celsius, Code, Id, Instant, Name, Reason, View
from rimekeep.stock.core.states import BayRole, Footprint, Package, QaState, UnitState, ZoneKind

Gtin = Annotated[
    str,
    StringConstraints(max_length=40),
    Field(description="8, 12, 13 or 14 digits.", examples=["19521234000010"]),
]
# Longer than an SSCC is, so that one digit too many is named as such.
SsccText = Annotated[
    str, StringConstraints(max_length=40), Field(description="18 digits.", examples=["095212340000000013"])
]
LotCode = Annotated[
    str,
    StringConstraints(min_length=1, max_length=20),
    Field(description="As on the label, GS1 AI 10.", examples=["L2603A"]),
]


Money = Annotated[float, Field(ge=0, le=1_000_000)]


class ProductIn(Body):
    """A new product: one beer in one package."""

    sku: Code
    name: Name
    gtin: Gtin | None = None
    package: Package
    abv_pct: float = Field(ge=0, le=25)
    original_extract_p: float | None = Field(None, ge=0, le=40, description="Original extract, °P.")
    alcohol_mass_pct: float | None = Field(None, ge=0, le=20, description="Alcohol by mass, %.")
    case_mass_kg: float = Field(ge=0.01, le=1500, description="One full case, tray or keg.")
    cases_per_layer: int = Field(ge=1, le=1000)
    layers_per_pallet: int = Field(ge=1, le=100)
    pallet_tare_kg: float = Field(ge=0, le=200)
    footprint: Footprint
    carry_min_c: Celsius = Field(description="Coldest air it may be carried at.")
    carry_max_c: Celsius = Field(description="Warmest air it may be carried at.")
    value_per_case: Money | None = Field(
        None, description="What a case written off is worth, in the site's currency; null: not said."
    )
    case_height_mm: float | None = Field(None, ge=1, le=3000, description="For mixed pallets.")
    crush_limit_kg: float | None = Field(
        None,
        ge=0,
        le=5000,
        description="Mass one case bears on top; null: what it bears in its own full pallet.",
    )


class ProductOut(View):
    """A product."""

    id: int
    sku: str
    name: str
    gtin: str | None = Field(description="Always 14 digits.")
    package: Package
    abv_pct: float
    original_extract_p: float | None
    alcohol_mass_pct: float | None
    case_mass_kg: float
    cases_per_layer: int
    layers_per_pallet: int
    pallet_tare_kg: float
    footprint: Footprint
    carry_min_c: float
    carry_max_c: float
    value_per_case: float | None
    case_height_mm: float | None
    crush_limit_kg: float | None


class ZoneIn(Body):
    """A new room or area. A vehicle's load space comes with the vehicle."""

    code: Code
    name: Name
    kind: Literal["store", "staging", "dock", "customer"]
    planned_c: Celsius = Field(description="What the room is meant to hold.")
    slot_pitch_m: float | None = Field(None, ge=0.01, le=100, description="Between two slots of an aisle.")
    aisle_pitch_m: float | None = Field(None, ge=0.01, le=100, description="Between two aisles.")
    cross_aisle_offset_m: float | None = Field(
        None, ge=0, le=100, description="From a cross aisle to the first slot."
    )
    slots_front_block: int | None = Field(
        None, ge=1, le=1000, description="Slots before the middle cross aisle; null where there is none."
    )
    cross_aisles_after: list[int] | None = Field(
        None, max_length=5, description="Slots behind which cross aisles run, where there are several."
    )
    level_penalty_m: float = Field(
        0.0, ge=0, le=1000, description="Metres of walk that each level above reach (1) costs."
    )
    is_one_way: bool = Field(False, description="Odd aisles are walked away from the dock, even ones back.")
    units_per_walk: int | None = Field(
        None, ge=1, le=50, description="Units a picker takes along; null: an order's, however many."
    )
    max_unit_height_mm: float | None = Field(
        None, ge=200, le=4000, description="Staging and docks: the most a built unit may measure."
    )
    max_unit_mass_kg: float | None = Field(
        None, ge=50, le=3000, description="Staging and docks: the most a built unit may weigh."
    )


class ZoneOut(View):
    """A room, an area, or a vehicle's load space."""

    id: int
    code: str
    name: str
    kind: ZoneKind
    planned_c: float
    slot_pitch_m: float | None
    aisle_pitch_m: float | None
    cross_aisle_offset_m: float | None
    slots_front_block: int | None
    cross_aisles_after: list[int] | None
    level_penalty_m: float
    is_one_way: bool
    units_per_walk: int | None
    max_unit_height_mm: float | None
    max_unit_mass_kg: float | None


class BayIn(Body):
    """A new bay."""

    zone_id: Id
    code: Code
    aisle: int = Field(ge=1, le=1000)
    slot: int = Field(ge=1, le=10_000)
    level: int = Field(0, ge=0, le=100)
    check_code: str = Field(
        pattern=r"^[A-Za-z0-9]{1,10}$", description="Stands on the bay itself; read there by the picker."
    )
    role: BayRole = Field(BayRole.BULK, description="Pick bays are filled from bulk bays.")
    depth: int = Field(
        1, ge=1, le=50, description="Units behind one another; the last one in is the first one out."
    )
    capacity_units: int | None = Field(None, ge=1, le=1000, description="Units it holds; null: not said.")


class BayOut(View):
    """A bay."""

    id: int
    zone_id: int
    code: str
    aisle: int
    slot: int
    level: int
    check_code: str | None = Field(description="Told to the lead only; a picker reads it at the bay.")
    role: BayRole
    depth: int
    capacity_units: int | None


class LotIn(Body):
    """A new lot; it waits for QA's release."""

    product_id: Id
    code: LotCode
    packaged_at: Instant
    best_before_on: date
    cases_made: int = Field(
        0, ge=0, le=10_000_000, description="Cases not received one unit at a time with `is_new`."
    )


class LotOut(View):
    """A lot."""

    id: int
    product_id: int
    code: str
    packaged_at: Instant
    best_before_on: date
    cases_made: int
    qa_state: QaState
    qa_reason: str


class ReasonIn(Body):
    """Why QA says so."""

    reason: Reason


class ContentIn(Body):
    """Cases of one lot on a unit that comes in."""

    lot_id: Id
    cases: Cases


class UnitIn(Body):
    """A unit that comes in."""

    sscc: SsccText
    zone_id: Id
    bay_id: Id | None = None
    contents: list[ContentIn] = Field(min_length=1, max_length=100)
    received_at: Instant | None = Field(None, description="Now, if left out.")
    start_core_c: float | None = Field(
        None, ge=-40, le=60, description="Core temperature it came in with; left out: as the air of the zone."
    )
    is_new: bool = Field(True, description="The cases were just made, and count as made by their lots.")


class ContentOut(View):
    """Cases of one lot on a unit."""

    id: int
    lot_id: int
    lot_code: str
    lot_qa_state: QaState
    best_before_on: date
    product_id: int
    sku: str
    product_name: str
    cases: int
    reserved_cases: int


class UnitOut(View):
    """A unit, where it is and what is on it."""

    id: int
    sscc: str
    state: UnitState
    qa_state: QaState
    qa_reason: str
    is_opened: bool
    received_at: Instant
    start_core_c: float | None
    zone_id: int
    zone_code: str
    bay_id: int | None
    bay_code: str | None
    contents: list[ContentOut]


class MoveIn(Body):
    """A move of a unit."""

    zone_id: Id
    bay_id: Id | None = None
    from_zone_id: Id | None = Field(None, description="Where it was found; refused if the record differs.")
    at: Instant | None = Field(None, description="When; now, if left out.")


class AdjustIn(Body):
    """What was counted."""

    content_id: Id
    cases: int = Field(ge=0, le=100_000, strict=True, description="Cases counted.")
    was_cases: int | None = Field(
        None,
        ge=0,
        le=100_000,
        description="Cases on record when counting; refused if the record has changed.",
    )
    reason: Reason


class DestroyIn(Body):
    """What was destroyed."""

    content_id: Id
    cases: Cases
    reason: Reason


class ScanOut(View):
    """What a scanned code is."""

    kind: Literal["unit", "lot", "product", "bay"]
    elements: dict[str, str] = Field(description="What the label says, by GS1 application identifier.")
    unit: UnitOut | None = None
    lot: LotOut | None = None
    product: ProductOut | None = None
    bay: BayOut | None = None
