"""What goes on which truck."""

from datetime import date, datetime
from typing import Any

from sqlalchemy import BigInteger, CheckConstraint, Index, String, UniqueConstraint, text
from sqlmodel import Field, SQLModel

from rimekeep.loading.core.states import Deviation, Empty, Fate, JobState, Measured, PlanState
from rimekeep.platform.columns import document, instant, key, one_of, ref, worded


class Vehicle(SQLModel, table=True):
    """A truck. Its load space is a zone of its own, so that a trip ages what is on board."""

    __tablename__ = "vehicle"
    __table_args__ = (UniqueConstraint("site_id", "code"),)
    id: int = key()
    site_id: int = ref("site.id")
    code: str
    name: str
    zone_id: int = ref("zone.id")
    # Axles, tares, limits and deck rows, as loading.core.request reads them.
    truck: dict[str, Any] = document()
    is_active: bool = True


class LoadPlanRow(SQLModel, table=True):
    """A plan for one day's deliveries, with the request it answers."""

    __tablename__ = "load_plan"
    __table_args__ = (
        one_of("state", PlanState),
        CheckConstraint("status IN ('optimal', 'feasible', 'infeasible')", name="status"),
        Index("ix_load_plan__day", "site_id", "ship_on"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    ship_on: date
    state: str = Field(sa_type=String)
    status: str
    lower_bound: int
    visits: int
    request: dict[str, Any] = document()
    reasons: list[str] = worded(default=list)
    made_at: datetime = instant()
    confirmed_at: datetime | None = instant(nullable=True)
    confirmed_by: int | None = ref("principal.id", nullable=True)


class PlanningJob(SQLModel, table=True):
    """Planning asked for in the background."""

    __tablename__ = "planning_job"
    __table_args__ = (
        one_of("state", JobState),
        CheckConstraint("(plan_id IS NOT NULL) = (state = 'done')", name="plan"),
        Index("ix_planning_job__day", "site_id", "ship_on"),
        # The queue; most jobs are over.
        Index(
            "ix_planning_job__open",
            "id",
            sqlite_where=text("state IN ('waiting', 'running')"),
            postgresql_where=text("state IN ('waiting', 'running')"),
        ),
    )
    id: int = key()
    site_id: int = ref("site.id")
    ship_on: date
    state: str = Field(sa_type=String)
    # What was asked, as `plan_day` takes it.
    asked: dict[str, Any] = document()
    asked_at: datetime = instant()
    asked_by: int = ref("principal.id")
    begun_at: datetime | None = instant(nullable=True)
    # When the process that plans was last heard from.
    heard_at: datetime | None = instant(nullable=True)
    ended_at: datetime | None = instant(nullable=True)
    stage: str
    # The fewest vehicles found so far, and that no plan needs fewer than.
    vehicles: int | None = None
    lower_bound: int | None = None
    wants_stop: bool = False
    plan_id: int | None = ref("load_plan.id", nullable=True)
    # Why there is no plan, in the form of a problem.
    problem: dict[str, Any] = worded()


class Trip(SQLModel, table=True):
    """One trip of a vehicle by a plan; it may make several, one after the other."""

    __tablename__ = "trip"
    __table_args__ = (UniqueConstraint("plan_id", "vehicle_id", "trip_no"),)
    id: int = key()
    site_id: int = ref("site.id")
    plan_id: int = ref("load_plan.id")
    vehicle_id: int = ref("vehicle.id")
    # From 1 on, in the order they leave.
    trip_no: int = 1
    # Which of the request's trucks (kind and layout) its deck is.
    truck_no: int = 0
    setpoint_min_c: float
    setpoint_max_c: float
    # Weights on every axle at departure and after every drop.
    axle_table: list[Any] = document(default=list)
    # What was said of the road ahead, and what it came to when it was last reckoned.
    road: dict[str, Any] = document()
    cold: dict[str, Any] = worded()
    departed_at: datetime | None = instant(nullable=True)
    # Nothing of it is on board any more, and what came back is in the store again.
    ended_at: datetime | None = instant(nullable=True)


class DropDelivery(SQLModel, table=True):
    """One drop of a trip, delivered: when, and what the driver had to say."""

    __tablename__ = "drop_delivery"
    __table_args__ = (UniqueConstraint("trip_id", "drop_no"),)
    id: int = key()
    site_id: int = ref("site.id")
    trip_id: int = ref("trip.id")
    drop_no: int
    delivered_at: datetime = instant()
    note: str = ""
    recorded_at: datetime = instant()
    recorded_by: int = ref("principal.id")


class DeckPlace(SQLModel, table=True):
    """Which unit stands where on a trip."""

    __tablename__ = "deck_place"
    __table_args__ = (
        UniqueConstraint("trip_id", "unit_id"),
        # What was delivered has left its place to what was refused of it.
        Index(
            "uq_deck_place__standing",
            "trip_id",
            "row_no",
            "lane_no",
            "part_no",
            "tier_no",
            unique=True,
            sqlite_where=text("off_at IS NULL"),
            postgresql_where=text("off_at IS NULL"),
        ),
        one_of("fate", Fate),
    )
    id: int = key()
    site_id: int = ref("site.id")
    trip_id: int = ref("trip.id")
    unit_id: int = ref("unit.id", index=True)
    order_id: int = ref("sales_order.id", index=True)
    row_no: int
    lane_no: int
    # Of two half pallets that share a place, which; 0 for one that has it alone.
    part_no: int = 0
    # 0 on the deck, 1 on top of the unit that stands there.
    tier_no: int = 0
    drop_no: int
    mass_kg: float
    # The dispatcher's word that it stays where it is.
    is_pinned: bool = False
    # By 90° against the way its row has its units.
    is_turned: bool = False
    loaded_at: datetime | None = instant(nullable=True)
    # Refused goods ride along until the trip ends.
    fate: str | None = Field(default=None, sa_type=String, nullable=True)
    off_at: datetime | None = instant(nullable=True)


class LoadTemperature(SQLModel, table=True):
    """A unit's temperature as it was taken at loading; rows are only added, and accepted once."""

    __tablename__ = "load_temperature"
    __table_args__ = (
        one_of("kind", Measured),
        CheckConstraint("(accepted_at IS NULL) = (accepted_by IS NULL)", name="accepted"),
        Index("ix_load_temperature__unit", "trip_id", "unit_id", "id"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    trip_id: int = ref("trip.id")
    unit_id: int = ref("unit.id")
    kind: str = Field(sa_type=String)
    temp_c: float
    # What it was taken with, as the probe's own label says.
    probe: str
    # The range everything on the unit may be carried at, as it was then.
    carry_min_c: float
    carry_max_c: float
    measured_at: datetime = instant()
    measured_by: int = ref("principal.id")
    accepted_at: datetime | None = instant(nullable=True)
    accepted_by: int | None = ref("principal.id", nullable=True)
    accepted_reason: str = ""

    @property
    def is_in_range(self) -> bool:
        """Tell whether it was within the range, its ends included."""
        return self.carry_min_c <= self.temp_c <= self.carry_max_c

    @property
    def may_load(self) -> bool:
        """Tell whether the unit may go on board by it."""
        return self.is_in_range or self.accepted_at is not None


class RoadDefaults(SQLModel, table=True):
    """What a site takes for its trips where nobody said otherwise; see `core.road_facts`."""

    __tablename__ = "road_defaults"
    site_id: int = Field(primary_key=True, foreign_key="site.id", sa_type=BigInteger)
    facts: dict[str, Any] = document()
    set_at: datetime = instant()
    set_by: int = ref("principal.id")


class LoadDeviation(SQLModel, table=True):
    """What was loaded otherwise than planned, by whose word, and why; rows are only added."""

    __tablename__ = "load_deviation"
    __table_args__ = (one_of("kind", Deviation), Index("ix_load_deviation__trip", "trip_id", "id"))
    id: int = key()
    site_id: int = ref("site.id")
    trip_id: int = ref("trip.id")
    unit_id: int = ref("unit.id")
    kind: str = Field(sa_type=String)
    # What the plan said, and what was done.
    detail: str
    reason: str
    at: datetime = instant()
    by: int = ref("principal.id")


class DropRefusal(SQLModel, table=True):
    """Cases a customer would not take: all of a unit, or some of it, which then have a unit of their own."""

    __tablename__ = "drop_refusal"
    __table_args__ = (
        CheckConstraint("cases > 0", name="cases"),
        Index("ix_drop_refusal__trip", "trip_id", "drop_no"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    trip_id: int = ref("trip.id")
    drop_no: int
    # What was to be delivered, and what rides along; the same where all of it was refused.
    unit_id: int = ref("unit.id")
    refused_unit_id: int = ref("unit.id")
    cases: int
    reason: str


class EmptiesCorrection(SQLModel, table=True):
    """What was said of a drop's empties was wrong, and why; rows are only added."""

    __tablename__ = "empties_correction"
    __table_args__ = (Index("ix_empties_correction__trip", "trip_id", "drop_no"),)
    id: int = key()
    site_id: int = ref("site.id")
    trip_id: int = ref("trip.id")
    drop_no: int
    reason: str
    corrected_at: datetime = instant()
    corrected_by: int = ref("principal.id")


class DropEmpties(SQLModel, table=True):
    """Empties taken back at a drop; of several reports the one that came last holds, the others stay."""

    __tablename__ = "drop_empties"
    __table_args__ = (
        one_of("kind", Empty),
        CheckConstraint("pieces > 0 AND mass_kg >= 0", name="pieces"),
        Index("ix_drop_empties__trip", "trip_id", "drop_no"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    trip_id: int = ref("trip.id")
    drop_no: int
    kind: str = Field(sa_type=String)
    pieces: int
    # Of all of them; null: nobody said.
    mass_kg: float | None = None
    # Places they take on the deck, and what was told then: row, places and kg of each row they go to.
    places: int | None = None
    stowed: list[Any] = document(default=list)
    # By which correction they were said; null: with the delivery.
    correction_id: int | None = ref("empties_correction.id", nullable=True)


class CustomerReturn(SQLModel, table=True):
    """Cases of one lot that a customer sent back after they were handed over; rows are only added."""

    __tablename__ = "customer_return"
    __table_args__ = (
        CheckConstraint("cases > 0", name="cases"),
        Index("ix_customer_return__unit", "unit_id", "trip_id"),
        Index("ix_customer_return__lot", "site_id", "lot_id"),
        Index("ix_customer_return__customer", "site_id", "customer_id", "id"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    customer_id: int = ref("customer.id")
    order_id: int = ref("sales_order.id")
    trip_id: int = ref("trip.id")
    # What was delivered, and what came back; the same where all of it did.
    unit_id: int = ref("unit.id")
    returned_unit_id: int = ref("unit.id")
    # The cases as they came back.
    content_id: int = ref("unit_content.id")
    lot_id: int = ref("lot.id")
    cases: int
    reason: str
    returned_at: datetime = instant()
    recorded_at: datetime = instant()
    recorded_by: int = ref("principal.id")


class ReturnRule(SQLModel, table=True):
    """What goods that come back need to be sold again without QA's word, at a site."""

    __tablename__ = "return_rule"
    site_id: int = Field(primary_key=True, foreign_key="site.id", sa_type=BigInteger)
    min_life_days: float
    most_unmeasured_s: int
    set_at: datetime = instant()
    set_by: int = ref("principal.id")
