"""What goes first: allocations, pick lists, picks."""

from datetime import datetime

from sqlalchemy import BigInteger, CheckConstraint, Index, String, UniqueConstraint
from sqlmodel import Field, SQLModel

from rimekeep.picking.core.states import AllocationState, Handling, ListState, PickState
from rimekeep.platform.columns import instant, key, one_of, ref


class Allocated(SQLModel, table=True):
    """Cases on one unit that serve one order line."""

    __tablename__ = "allocation"
    __table_args__ = (
        one_of("state", AllocationState),
        one_of("how", Handling),
        CheckConstraint("cases > 0", name="cases"),
        Index("ix_allocation__line", "line_id", "state"),
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


class PickList(SQLModel, table=True):
    """The work for one picker: one walk from the dock and back."""

    __tablename__ = "pick_list"
    __table_args__ = (
        one_of("state", ListState),
        Index("ix_pick_list__next", "site_id", "state", "id"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    order_id: int = ref("sales_order.id", index=True)
    zone_id: int = ref("zone.id")
    state: str = Field(sa_type=String)
    walk_m: float
    made_at: datetime = instant()
    device_id: int | None = ref("principal.id", nullable=True)
    leased_until: datetime | None = instant(nullable=True)
    done_at: datetime | None = instant(nullable=True)


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
    stop: int
    allocation_id: int = ref("allocation.id", index=True)
    bay_id: int | None = ref("bay.id", nullable=True)
    state: str = Field(sa_type=String)
    picked_cases: int = 0
    # The unit that now holds the picked cases: the pallet itself, or the one built for the order.
    to_unit_id: int | None = ref("unit.id", nullable=True)
    reason: str = ""
    done_at: datetime | None = instant(nullable=True)
