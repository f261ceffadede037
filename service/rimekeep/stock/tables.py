"""What is where: products, lots, units and what is on them, zones, bays, stays."""

from datetime import date, datetime

from sqlalchemy import CheckConstraint, Index, String, UniqueConstraint, text
from sqlmodel import Field, SQLModel

from rimekeep.platform.columns import instant, key, one_of, ref
from rimekeep.stock.core.states import Footprint, Package, QaState, UnitState, ZoneKind


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


class Bay(SQLModel, table=True):
    """An addressable place in a zone."""

    __tablename__ = "bay"
    __table_args__ = (
        UniqueConstraint("site_id", "code"),
        CheckConstraint("aisle >= 1 AND slot >= 1 AND level >= 0", name="address"),
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
    is_opened: bool = False
    received_at: datetime = instant()
    # Core temperature it came in with; null: as the air of its first zone.
    start_core_c: float | None = None


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
