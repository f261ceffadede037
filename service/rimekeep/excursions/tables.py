"""Rules for the cold, where they were broken, and which stock it touched."""

from datetime import datetime

from sqlalchemy import BigInteger, CheckConstraint, Index, String, text
from sqlmodel import Field, SQLModel

from rimekeep.excursions.core.states import ExcursionKind, Severity, Side
from rimekeep.platform.columns import instant, key, one_of, ref


class ExcursionRule(SQLModel, table=True):
    """How long the air of a zone may be how warm or cold."""

    __tablename__ = "excursion_rule"
    __table_args__ = (
        one_of("side", Side),
        one_of("severity", Severity),
        CheckConstraint("kind IN ('single', 'cumulative')", name="kind"),
        CheckConstraint("allowed_s >= 0", name="allowed"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    zone_id: int = ref("zone.id", index=True)
    name: str
    side: str = Field(sa_type=String)
    limit_c: float
    kind: str
    allowed_s: int
    severity: str = Field(sa_type=String)
    holds_stock: bool = False
    is_active: bool = True
    # A cumulative count starts here; QA starts a new one by moving it.
    counts_from_at: datetime = instant()


class Excursion(SQLModel, table=True):
    """Air outside a rule for longer than the rule allows, or a sensor that stopped talking."""

    __tablename__ = "excursion"
    __table_args__ = (
        one_of("kind", ExcursionKind),
        Index("ix_excursion__zone", "site_id", "zone_id", "started_at"),
        # One excursion per rule and start, however often the check runs.
        Index(
            "uq_excursion__rule",
            "rule_id",
            "started_at",
            unique=True,
            sqlite_where=text("rule_id IS NOT NULL"),
            postgresql_where=text("rule_id IS NOT NULL"),
        ),
        Index(
            "uq_excursion__silent",
            "sensor_id",
            "started_at",
            unique=True,
            sqlite_where=text("sensor_id IS NOT NULL"),
            postgresql_where=text("sensor_id IS NOT NULL"),
        ),
    )
    id: int = key()
    site_id: int = ref("site.id")
    zone_id: int = ref("zone.id")
    kind: str = Field(sa_type=String)
    rule_id: int | None = ref("excursion_rule.id", nullable=True)
    sensor_id: int | None = ref("sensor.id", nullable=True)
    severity: str = Field(sa_type=String)
    # First reading outside the limit; when the rule's time was used up; first reading back inside.
    started_at: datetime = instant()
    alarm_at: datetime = instant()
    ended_at: datetime | None = instant(nullable=True)
    peak_c: float | None = None
    limit_c: float | None = None
    detected_at: datetime = instant()
    acknowledged_at: datetime | None = instant(nullable=True)
    acknowledged_by: int | None = ref("principal.id", nullable=True)


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
