"""What goes first: allocations, pick lists, picks."""

from datetime import datetime

from sqlalchemy import BigInteger, CheckConstraint, Index, String, UniqueConstraint, text
from sqlmodel import Field, SQLModel

from rimekeep.picking.core.counts import CountState, Finding
from rimekeep.picking.core.refill import RefillState
from rimekeep.picking.core.states import AllocationState, Handling, ListState, PickState
from rimekeep.platform.columns import document, instant, key, one_of, ref


class Allocated(SQLModel, table=True):
    """Cases on one unit that serve one order line."""

    __tablename__ = "allocation"
    __table_args__ = (
        one_of("state", AllocationState),
        one_of("how", Handling),
        CheckConstraint("cases > 0", name="cases"),
        Index("ix_allocation__line", "line_id", "state"),
        # Looked through every few seconds: only what is still to be picked, not all there ever was.
        Index(
            "ix_allocation__reserved",
            "site_id",
            sqlite_where=text("state = 'reserved'"),
            postgresql_where=text("state = 'reserved'"),
        ),
    )
    id: int = key()
    site_id: int = ref("site.id")
    line_id: int = ref("order_line.id")
    content_id: int = ref("unit_content.id", index=True)
    cases: int
    how: str = Field(sa_type=String)
    state: str = Field(sa_type=String)
    at: datetime = instant()


class ShortLine(SQLModel, table=True):
    """Cases of a line that could not be served, and why."""

    __tablename__ = "short_line"
    line_id: int = Field(primary_key=True, foreign_key="order_line.id", sa_type=BigInteger)
    site_id: int = ref("site.id", index=True)
    cases: int
    reason: str
    at: datetime = instant()


def _index_of_lists(state: ListState, name: str, *columns: str) -> Index:
    only = text(f"state = '{state}'")
    return Index(f"ix_pick_list__{name}", *columns, sqlite_where=only, postgresql_where=only)


class PickList(SQLModel, table=True):
    """The work for one picker: one walk from the dock and back."""

    __tablename__ = "pick_list"
    __table_args__ = (
        one_of("state", ListState),
        # What a handheld asks for must not be looked for among all lists ever done.
        _index_of_lists(ListState.READY, "next", "site_id", "id"),
        _index_of_lists(ListState.TAKEN, "own", "site_id", "device_id", "id"),
        _index_of_lists(ListState.TAKEN, "lease", "site_id", "leased_until", "id"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    # Null: the walk serves several orders; each pick's line tells whose it is.
    order_id: int | None = ref("sales_order.id", nullable=True, index=True)
    zone_id: int = ref("zone.id")
    state: str = Field(sa_type=String)
    walk_m: float
    made_at: datetime = instant()
    device_id: int | None = ref("principal.id", nullable=True)
    leased_until: datetime | None = instant(nullable=True)
    done_at: datetime | None = instant(nullable=True)
    # The device the lead took the list from: what it still sends of it later counts no more.
    taken_over_from_id: int | None = ref("principal.id", nullable=True)
    taken_over_at: datetime | None = instant(nullable=True)


class PlannedUnit(SQLModel, table=True):
    """
    A pallet that is to be built on a list, for one order, under the SSCC its label carries.

    ``unit_id`` is set once the first cases are on it.
    """

    __tablename__ = "planned_unit"
    __table_args__ = (UniqueConstraint("list_id", "number"), UniqueConstraint("site_id", "sscc"))
    id: int = key()
    site_id: int = ref("site.id")
    list_id: int = ref("pick_list.id")
    order_id: int = ref("sales_order.id")
    number: int
    sscc: str
    unit_id: int | None = ref("unit.id", nullable=True, index=True)


class Pick(SQLModel, table=True):
    """One line of a pick list: go to a bay, take cases of a lot from a unit."""

    __tablename__ = "pick"
    __table_args__ = (
        UniqueConstraint("list_id", "stop"),
        one_of("state", PickState),
        CheckConstraint("picked_cases >= 0", name="picked"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    list_id: int = ref("pick_list.id")
    # Its number on the list, which it keeps.
    stop: int
    # Its place in the walk, which may be ordered anew; stops are worked in this order.
    walk_no: int
    allocation_id: int = ref("allocation.id", index=True)
    bay_id: int | None = ref("bay.id", nullable=True)
    # The pallet the cases go onto and their lowest tier there, 1 at the bottom; null: the unit goes as it is.
    planned_unit_id: int | None = ref("planned_unit.id", nullable=True, index=True)
    tier: int | None = None
    state: str = Field(sa_type=String)
    picked_cases: int = 0
    # The unit that now holds the picked cases: the pallet itself, or the one built for the order.
    to_unit_id: int | None = ref("unit.id", nullable=True)
    reason: str = ""
    # One line for the picker: what changed about this pick after it was given out.
    note: str = ""
    done_at: datetime | None = instant(nullable=True)


class WasteTold(SQLModel, table=True):
    """A lot people were told of that it will not sell in time; each is told of once."""

    __tablename__ = "waste_told"
    lot_id: int = Field(primary_key=True, foreign_key="lot.id", sa_type=BigInteger)
    site_id: int = ref("site.id", index=True)
    cases: int
    told_at: datetime = instant()


class Count(SQLModel, table=True):
    """A bay, or a unit that stands in none, that is to be counted."""

    __tablename__ = "stock_count"
    __table_args__ = (
        one_of("state", CountState),
        CheckConstraint("bay_id IS NOT NULL OR unit_id IS NOT NULL", name="place"),
        Index("ix_stock_count__state", "site_id", "state", "id"),
        # Nobody is sent twice to the same place.
        Index(
            "uq_stock_count__bay",
            "bay_id",
            unique=True,
            sqlite_where=text("state <> 'done' AND unit_id IS NULL"),
            postgresql_where=text("state <> 'done' AND unit_id IS NULL"),
        ),
        Index(
            "uq_stock_count__unit",
            "unit_id",
            unique=True,
            sqlite_where=text("state <> 'done' AND unit_id IS NOT NULL"),
            postgresql_where=text("state <> 'done' AND unit_id IS NOT NULL"),
        ),
    )
    id: int = key()
    site_id: int = ref("site.id")
    zone_id: int = ref("zone.id")
    bay_id: int | None = ref("bay.id", nullable=True)
    unit_id: int | None = ref("unit.id", nullable=True)
    state: str = Field(sa_type=String)
    score: float
    reasons: list[str] = document(default=list)
    # 1; 2 and more once it is counted again, by somebody else.
    round: int = 1
    counter_id: int | None = ref("principal.id", nullable=True)
    leased_until: datetime | None = instant(nullable=True)
    # Who counted the round before.
    before_id: int | None = ref("principal.id", nullable=True)
    made_at: datetime = instant()
    counted_at: datetime | None = instant(nullable=True)
    done_at: datetime | None = instant(nullable=True)
    decided_by: int | None = ref("principal.id", nullable=True)
    reason: str = ""


class CountLine(SQLModel, table=True):
    """What one round of a count found of one lot on one unit, or about a unit."""

    __tablename__ = "count_line"
    __table_args__ = (
        one_of("finding", Finding),
        CheckConstraint("counted_cases >= 0 AND recorded_cases >= 0", name="cases"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    count_id: int = ref("stock_count.id", index=True)
    round: int
    finding: str = Field(sa_type=String)
    sscc: str
    unit_id: int | None = ref("unit.id", nullable=True)
    content_id: int | None = ref("unit_content.id", nullable=True)
    lot_id: int | None = ref("lot.id", nullable=True)
    counted_cases: int = 0
    # At the moment of the count, moves confirmed since undone.
    recorded_cases: int = 0
    # By how much the record was changed in the end; null: nobody decided yet, or nothing was to be.
    adjusted_cases: int | None = None


class Replenishment(SQLModel, table=True):
    """Bring cases from a bulk bay to a pick bay."""

    __tablename__ = "replenishment"
    __table_args__ = (
        one_of("state", RefillState),
        CheckConstraint("cases > 0", name="cases"),
        Index("ix_replenishment__next", "site_id", "state", "id"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    pick_face_id: int = ref("pick_face.id", index=True)
    content_id: int = ref("unit_content.id")
    cases: int
    is_whole_unit: bool
    state: str = Field(sa_type=String)
    driver_id: int | None = ref("principal.id", nullable=True)
    leased_until: datetime | None = instant(nullable=True)
    made_at: datetime = instant()
    done_at: datetime | None = instant(nullable=True)
    # The unit that stands in the pick bay now.
    to_unit_id: int | None = ref("unit.id", nullable=True)
    note: str = ""
