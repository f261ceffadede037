"""What is where: products, lots, units and what is on them, zones, bays, stays."""

from datetime import date, datetime

from sqlalchemy import CheckConstraint, Index, String, UniqueConstraint, text
from sqlmodel import Field, SQLModel

from rimekeep.platform.columns import Json, instant, key, one_of, ref
from rimekeep.stock.core.states import BayRole, Footprint, Package, QaState, UnitState, ZoneKind


class Product(SQLModel, table=True):
    """One beer in one package."""

    __tablename__ = "product"
    __table_args__ = (
        UniqueConstraint("site_id", "sku"),
        UniqueConstraint("site_id", "gtin"),
        one_of("package", Package),
        one_of("footprint", Footprint),
        CheckConstraint("case_mass_kg > 0 AND pallet_tare_kg >= 0", name="masses"),
        CheckConstraint("cases_per_layer > 0 AND layers_per_pallet > 0", name="pattern"),
        CheckConstraint("carry_min_c <= carry_max_c", name="carry_range"),
        CheckConstraint("value_per_case >= 0", name="value"),
        CheckConstraint("case_height_mm > 0 AND crush_limit_kg >= 0", name="stacking"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    sku: str
    name: str
    gtin: str | None = None
    package: str = Field(sa_type=String)
    abv_pct: float
    original_extract_p: float | None = None
    alcohol_mass_pct: float | None = None
    case_mass_kg: float
    cases_per_layer: int
    layers_per_pallet: int
    pallet_tare_kg: float
    footprint: str = Field(sa_type=String)
    # The air temperatures it may be carried at; classes that share none never share a compartment.
    carry_min_c: float
    carry_max_c: float
    # For building mixed pallets: a case's height, and the mass one bears on top; null: not known.
    case_height_mm: float | None = None
    crush_limit_kg: float | None = None
    # What a case is worth when it is written off, in the site's currency; null: not said.
    value_per_case: float | None = None


class Zone(SQLModel, table=True):
    """A room or area with its own air temperature; a vehicle's load space is one too."""

    __tablename__ = "zone"
    __table_args__ = (UniqueConstraint("site_id", "code"), one_of("kind", ZoneKind))
    id: int = key()
    site_id: int = ref("site.id")
    code: str
    name: str
    kind: str = Field(sa_type=String)
    # What the room is meant to hold; life is projected at it.
    planned_c: float
    # The aisles' geometry, for the picker's walk; null where nothing is picked.
    slot_pitch_m: float | None = None
    aisle_pitch_m: float | None = None
    cross_aisle_offset_m: float | None = None
    slots_front_block: int | None = None
    # Slots behind which a cross aisle runs, where there is more than one in the middle.
    cross_aisles_after: list[int] | None = Field(default=None, sa_type=Json, nullable=True)
    # Metres of walk each level above reach costs; odd aisles up and even ones down only.
    level_penalty_m: float = 0.0
    is_one_way: bool = False
    # Units a picker takes along on one walk, of several orders where asked; null: an order's, however many.
    units_per_walk: int | None = None
    # The most a unit built for staging or a dock may measure and weigh there, the wood included.
    max_unit_height_mm: float | None = None
    max_unit_mass_kg: float | None = None


class Bay(SQLModel, table=True):
    """An addressable place in a zone."""

    __tablename__ = "bay"
    __table_args__ = (
        UniqueConstraint("site_id", "code"),
        CheckConstraint("aisle >= 1 AND slot >= 1 AND level >= 0", name="address"),
        one_of("role", BayRole),
        CheckConstraint("depth >= 1 AND capacity_units >= 1", name="room"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    zone_id: int = ref("zone.id", index=True)
    code: str
    aisle: int
    slot: int
    level: int = 0
    # Read from the bay's own label by the picker, so that a bay is confirmed by being there.
    check_code: str
    role: str = Field(default=BayRole.BULK, sa_type=String)
    # Units behind one another in a lane that is filled and emptied from the same end.
    depth: int = 1
    # Units it holds in all, on every depth; null: not said.
    capacity_units: int | None = None
    counted_at: datetime | None = instant(nullable=True)


class PickFace(SQLModel, table=True):
    """Cases of one product that a pick bay shall always hold, and how many fit."""

    __tablename__ = "pick_face"
    __table_args__ = (
        UniqueConstraint("bay_id", "product_id"),
        CheckConstraint("min_cases >= 0 AND max_cases > min_cases", name="cases"),
    )
    id: int = key()
    site_id: int = ref("site.id", index=True)
    bay_id: int = ref("bay.id")
    product_id: int = ref("product.id")
    min_cases: int
    max_cases: int


class Lot(SQLModel, table=True):
    """What one packaging run of one product made."""

    __tablename__ = "lot"
    __table_args__ = (
        UniqueConstraint("site_id", "product_id", "code"),
        one_of("qa_state", QaState),
        CheckConstraint("cases_made >= 0", name="cases_made"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    product_id: int = ref("product.id", index=True)
    code: str
    packaged_at: datetime = instant()
    best_before_on: date
    cases_made: int = 0
    # Oxygen in the package when it was filled, total; null: not measured.
    oxygen_ppb: float | None = None
    qa_state: str = Field(sa_type=String)
    qa_reason: str
    # Why a running recall stops it; only the recall's end lifts that. Null: none does.
    recall_reason: str | None = None


class Unit(SQLModel, table=True):
    """A GS1 logistic unit: a pallet, or part of one, that carries an SSCC."""

    __tablename__ = "unit"
    __table_args__ = (
        UniqueConstraint("site_id", "sscc"),
        Index("ix_unit__place", "site_id", "zone_id", "state"),
        one_of("state", UnitState),
        one_of("qa_state", QaState),
    )
    id: int = key()
    site_id: int = ref("site.id")
    sscc: str
    zone_id: int = ref("zone.id")
    bay_id: int | None = ref("bay.id", nullable=True, index=True)
    state: str = Field(sa_type=String)
    qa_state: str = Field(sa_type=String)
    qa_reason: str = ""
    # Why a running recall stops it, also on the road, where QA's word does not reach; null: none does.
    recall_reason: str | None = None
    is_opened: bool = False
    received_at: datetime = instant()
    # Core temperature it came in with; null: as the air of its first zone.
    start_core_c: float | None = None
    # When it was put where it stands; null: when it came. Of a lane's units the last one stands in front.
    placed_at: datetime | None = instant(nullable=True)
    counted_at: datetime | None = instant(nullable=True)


class UnitContent(SQLModel, table=True):
    """
    Cases of one lot on one unit.

    ``parent_id`` and ``split_at`` say from which content cases were taken and when, so that cases picked onto
    a new unit keep the temperature history of the pallet they came from.
    """

    __tablename__ = "unit_content"
    __table_args__ = (
        CheckConstraint("cases >= 0", name="cases"),
        # The last guard against overselling: no transaction can reserve more than there is.
        CheckConstraint("reserved_cases >= 0 AND reserved_cases <= cases", name="reserved"),
        Index("ix_unit_content__lot", "site_id", "lot_id"),
        # Most cases were never split; with their nulls among its keys the planner thinks the index useless.
        Index(
            "ix_unit_content__split",
            "parent_id",
            sqlite_where=text("parent_id IS NOT NULL"),
            postgresql_where=text("parent_id IS NOT NULL"),
        ),
        Index(
            "ix_unit_content__split_at",
            "site_id",
            "split_at",
            sqlite_where=text("split_at IS NOT NULL"),
            postgresql_where=text("split_at IS NOT NULL"),
        ),
    )
    id: int = key()
    site_id: int = ref("site.id")
    unit_id: int = ref("unit.id", index=True)
    lot_id: int = ref("lot.id")
    cases: int
    reserved_cases: int = 0
    parent_id: int | None = ref("unit_content.id", nullable=True)
    split_at: datetime | None = instant(nullable=True)


class Stay(SQLModel, table=True):
    """The time a unit spent in one zone."""

    __tablename__ = "stay"
    __table_args__ = (
        Index("ix_stay__zone", "site_id", "zone_id", "entered_at"),
        Index("ix_stay__left", "site_id", "zone_id", "left_at"),
        Index("ix_stay__unit", "unit_id", "entered_at"),
        Index(
            "uq_stay__open",
            "unit_id",
            unique=True,
            sqlite_where=text("left_at IS NULL"),
            postgresql_where=text("left_at IS NULL"),
        ),
    )
    id: int = key()
    site_id: int = ref("site.id")
    unit_id: int = ref("unit.id")
    zone_id: int = ref("zone.id")
    entered_at: datetime = instant()
    left_at: datetime | None = instant(nullable=True)


class UnitChange(SQLModel, table=True):
    """
    A unit whose stays or contents changed since its life was last worked out.

    Rows are only ever added, and taken away once worked through: whoever moves a unit waits for nobody.
    """

    __tablename__ = "unit_change"
    id: int = key()
    site_id: int = ref("site.id", index=True)
    unit_id: int = ref("unit.id")
