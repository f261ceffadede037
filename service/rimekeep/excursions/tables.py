"""Rules for the cold, where they were broken, which stock it touched, and what QA decided about it."""

from datetime import date, datetime
from typing import Any

from sqlalchemy import BigInteger, CheckConstraint, Index, String, text
from sqlmodel import Field, SQLModel

from rimekeep.excursions.core.states import ExcursionKind, Severity, Side, Word
from rimekeep.platform.columns import document, instant, key, one_of, ref


class ExcursionRule(SQLModel, table=True):
    """How long the air of a zone may be how warm or cold."""

    __tablename__ = "excursion_rule"
    __table_args__ = (
        one_of("side", Side),
        one_of("severity", Severity),
        CheckConstraint("kind IN ('single', 'cumulative')", name="kind"),
        CheckConstraint("allowed_s >= 0", name="allowed"),
        CheckConstraint("hysteresis_c >= 0", name="hysteresis"),
        CheckConstraint("guard_c >= 0", name="guard"),
        CheckConstraint("escalate_after_s > 0", name="escalation"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    zone_id: int = ref("zone.id", index=True)
    # Only stock of this product counts as touched; null: all that stood there.
    product_id: int | None = ref("product.id", nullable=True)
    name: str
    side: str = Field(sa_type=String)
    limit_c: float
    kind: str
    allowed_s: int
    # It ends once the air is back inside by more than this.
    hysteresis_c: float = 0.0
    # How far the limit is moved inwards; null: by the stated error of the sensor that speaks for the room. No
    # other default: it would be taken for a null.
    guard_c: float | None = None
    severity: str = Field(sa_type=String)
    # How long people have to acknowledge before they are told again; null: for ever.
    escalate_after_s: int | None = None
    holds_stock: bool = False
    is_active: bool = True
    # A cumulative count starts here; QA starts a new one by moving it.
    counts_from_at: datetime = instant()


class Excursion(SQLModel, table=True):
    """Air outside a rule for longer than it allows, or sensors that cannot be relied on."""

    __tablename__ = "excursion"
    __table_args__ = (
        one_of("kind", ExcursionKind),
        Index("ix_excursion__zone", "site_id", "zone_id", "started_at"),
        # One excursion per rule, sensor or pair of sensors and start, however often the check runs.
        Index(
            "uq_excursion__rule",
            "rule_id",
            "started_at",
            unique=True,
            sqlite_where=text("rule_id IS NOT NULL"),
            postgresql_where=text("rule_id IS NOT NULL"),
        ),
        Index(
            "uq_excursion__sensor",
            "sensor_id",
            "kind",
            "started_at",
            unique=True,
            sqlite_where=text("sensor_id IS NOT NULL AND other_sensor_id IS NULL"),
            postgresql_where=text("sensor_id IS NOT NULL AND other_sensor_id IS NULL"),
        ),
        Index(
            "uq_excursion__pair",
            "sensor_id",
            "other_sensor_id",
            "started_at",
            unique=True,
            sqlite_where=text("other_sensor_id IS NOT NULL"),
            postgresql_where=text("other_sensor_id IS NOT NULL"),
        ),
        # What is looked for on every check: those that run, and those nobody has answered.
        Index(
            "ix_excursion__running",
            "site_id",
            sqlite_where=text("ended_at IS NULL"),
            postgresql_where=text("ended_at IS NULL"),
        ),
        Index(
            "ix_excursion__unanswered",
            "site_id",
            sqlite_where=text("acknowledged_at IS NULL"),
            postgresql_where=text("acknowledged_at IS NULL"),
        ),
    )
    id: int = key()
    site_id: int = ref("site.id")
    zone_id: int = ref("zone.id")
    # In a vehicle: the trip it spoiled.
    trip_id: int | None = Field(default=None, sa_type=BigInteger, nullable=True)
    kind: str = Field(sa_type=String)
    rule_id: int | None = ref("excursion_rule.id", nullable=True)
    sensor_id: int | None = ref("sensor.id", nullable=True)
    # The second of two sensors that disagree, by key.
    other_sensor_id: int | None = ref("sensor.id", nullable=True)
    severity: str = Field(sa_type=String)
    # First reading outside the limit; when the rule's time was used up; first reading back inside.
    started_at: datetime = instant()
    alarm_at: datetime = instant()
    ended_at: datetime | None = instant(nullable=True)
    # Of two sensors that disagree, the greatest distance and the one allowed.
    peak_c: float | None = None
    limit_c: float | None = None
    detected_at: datetime = instant()
    # People were told that it is over, and are told so once.
    is_end_told: bool = False
    acknowledged_at: datetime | None = instant(nullable=True)
    acknowledged_by: int | None = ref("principal.id", nullable=True)
    escalate_after_s: int | None = None
    escalation_level: int = 0
    escalated_at: datetime | None = instant(nullable=True)
    # Readings that came late showed it to be one failure with another, which goes on for both.
    merged_into_id: int | None = ref("excursion.id", nullable=True)
    # What its stock was last listed from, and when; the same again is not priced again.
    touched_from: str = ""
    touched_at: datetime | None = instant(nullable=True)


class TripWatch(SQLModel, table=True):
    """
    Time in which goods of one trip are on board: only then is a vehicle's air watched.

    Written by whoever runs the trips, so that nothing here need know how. A trip that was unloaded and loaded
    again has several.
    """

    __tablename__ = "trip_watch"
    __table_args__ = (
        CheckConstraint("until_at >= from_at", name="order"),
        Index("ix_trip_watch__zone", "site_id", "zone_id", "from_at"),
        Index("ix_trip_watch__trip", "trip_id"),
        # A vehicle makes one trip at a time.
        Index(
            "uq_trip_watch__open",
            "zone_id",
            unique=True,
            sqlite_where=text("until_at IS NULL"),
            postgresql_where=text("until_at IS NULL"),
        ),
    )
    id: int = key()
    site_id: int = ref("site.id")
    zone_id: int = ref("zone.id")
    trip_id: int = Field(sa_type=BigInteger)
    vehicle: str
    from_at: datetime = instant()
    until_at: datetime | None = instant(nullable=True)
    # What goes where: drop, customer, name, unit_ids; in order of delivery.
    drops: list[Any] = document(default=list)


class ExcursionContent(SQLModel, table=True):
    """Stock that was in the zone meanwhile, and the life it cost."""

    __tablename__ = "excursion_content"
    excursion_id: int = Field(primary_key=True, foreign_key="excursion.id", sa_type=BigInteger)
    content_id: int = Field(primary_key=True, foreign_key="unit_content.id", sa_type=BigInteger)
    cases: int
    from_at: datetime = instant()
    until_at: datetime = instant()
    # Against the same time in air as the zone is planned, in days at the profile's planned temperature; null
    # for a product without a profile.
    life_lost_days: float | None = None


class ExcursionHold(SQLModel, table=True):
    """
    A unit an excursion stopped, or found stopped by another; on hold while its reason is such a one.

    A unit on the road cannot be stopped: for it this is a mark, by which it is held if it comes back.
    """

    __tablename__ = "excursion_hold"
    __table_args__ = (Index("ix_excursion_hold__unit", "unit_id"),)
    excursion_id: int = Field(primary_key=True, foreign_key="excursion.id", sa_type=BigInteger)
    unit_id: int = Field(primary_key=True, foreign_key="unit.id", sa_type=BigInteger)
    reason: str


class ExcursionDecision(SQLModel, table=True):
    """QA's word on a lot an excursion touched, signed. Never changed, never removed; the newest stands."""

    __tablename__ = "excursion_decision"
    __table_args__ = (
        one_of("decision", Word),
        Index("ix_excursion_decision__excursion", "excursion_id", "lot_id", "id"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    excursion_id: int = ref("excursion.id")
    lot_id: int = ref("lot.id")
    decision: str = Field(sa_type=String)
    # The date it was shortened to, and the one before.
    best_before_on: date | None = None
    best_before_was_on: date | None = None
    reason: str
    # How many units it let go, or stopped for good, when it was said.
    units: int
    decided_at: datetime = instant()
    decided_by: int = ref("principal.id")
    # What was signed, in canonical JSON, and its SHA-256.
    signed: str
    sha256: str
