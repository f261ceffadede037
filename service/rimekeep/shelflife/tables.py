"""Ageing profiles and the life that is left."""

from datetime import datetime
from typing import Any

from sqlalchemy import BigInteger, CheckConstraint, Index, String, UniqueConstraint, text
from sqlmodel import Field, SQLModel

from rimekeep.platform.columns import document, instant, key, one_of, ref
from rimekeep.shelflife.core.stages import Stage
from rimekeep.shelflife.core.states import CalibrationState


class AgeingProfile(SQLModel, table=True):
    """One version of how a product ages. Never edited: a change is a new version."""

    __tablename__ = "ageing_profile"
    __table_args__ = (
        UniqueConstraint("site_id", "product_id", "version"),
        CheckConstraint("tau_h >= 0", name="tau"),
        CheckConstraint("oxygen_exponent >= 0", name="oxygen_exponent"),
        CheckConstraint("oxygen_exponent = 0 OR oxygen_ref_ppb IS NOT NULL", name="oxygen_ref"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    product_id: int = ref("product.id")
    version: int
    # Time constant of the pack's core behind the air, and the temperature it is planned to be kept at.
    tau_h: float
    planned_c: float
    freezing_c: float
    freezing_minutes: int
    # Each with its form, name, reference_c, reference_life_days, the form's own parameter, their standard
    # deviations and correlation, source, and the remarks of the calibration it came from.
    routes: list[dict[str, Any]] = document(default=list)
    # Oxygen at packaging scales lives by (reference/oxygen)^exponent; no published law gives one.
    oxygen_ref_ppb: float | None = None
    oxygen_exponent: float = 0.0
    # The approved calibration that made this version, if one did.
    calibration_id: int | None = ref("calibration.id", nullable=True)
    reason: str
    author_id: int | None = ref("principal.id", nullable=True)
    created_at: datetime = instant()


class ForcedAgeingScore(SQLModel, table=True):
    """One score of a forced-ageing series; replicates are rows of their own."""

    __tablename__ = "forced_ageing_score"
    __table_args__ = (
        Index("ix_forced_ageing_score__series", "site_id", "product_id", "series"),
        CheckConstraint("day >= 0", name="day"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    product_id: int = ref("product.id")
    series: str
    temp_c: float
    day: float
    score: float


class Calibration(SQLModel, table=True):
    """A fit to forced-ageing data, proposed for one route of a product, and QA's word on it."""

    __tablename__ = "calibration"
    __table_args__ = (
        Index("ix_calibration__product", "site_id", "product_id", "id"),
        one_of("state", CalibrationState),
        CheckConstraint("(state = 'proposed') = (decided_at IS NULL)", name="decided"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    product_id: int = ref("product.id")
    route: str
    # Name of the imported series the data were taken from; null when they came with the request.
    series: str | None = None
    # What was fitted, as it was then: temperature [°C], day and score of each sample.
    observations: list[list[float]] = document(default=list)
    # direction, limit, start_score, kinetics, form, reference_c.
    asked: dict[str, Any] = document()
    source: str
    fit: dict[str, Any] = document()
    remarks: list[dict[str, Any]] = document(default=list)
    is_thin: bool
    state: str = Field(sa_type=String)
    author_id: int = ref("principal.id")
    created_at: datetime = instant()
    decided_by: int | None = ref("principal.id", nullable=True)
    decided_at: datetime | None = instant(nullable=True)
    decision_reason: str | None = None
    # SHA-256 of what was signed for: the decision and every fact above.
    signed_sha256: str | None = None


class Life(SQLModel, table=True):
    """What is left of cases of one lot on one unit, as picking and pages go by it."""

    __tablename__ = "life"
    __table_args__ = (Index("ix_life__expiry", "site_id", "expires_at"),)
    content_id: int = Field(primary_key=True, foreign_key="unit_content.id", sa_type=BigInteger)
    site_id: int = ref("site.id")
    profile_id: int | None = ref("ageing_profile.id", nullable=True)
    as_of_at: datetime = instant()
    expires_at: datetime = instant()
    # One pack in ten ends before this, by what is known of profile and gaps; never after expires_at.
    cautious_at: datetime = instant()
    # Name of the route that ends it first, or "best before" when the label does.
    limited_by: str
    # When its core had been frozen for the profile's minutes; the unit was put on hold then.
    frozen_at: datetime | None = instant(nullable=True)


class LifeState(SQLModel, table=True):
    """
    Where the reckoning of one content's life stands; binary columns hold doubles, least byte first.

    ``entry`` is the sums and the core with which it came into the zone at ``entered_s``; ``held`` those at
    ``at_s``. A settled pack's core is the room's from ``at_s`` on, and its ``held`` counts from the start of
    ``block``: what it has used now is ``held`` plus the room's sums since then, so a whole group of packs
    moves together and no row is touched.
    """

    __tablename__ = "life_state"
    __table_args__ = (
        one_of("stage", Stage),
        Index("ix_life_state__group", "site_id", "zone_id", "profile_id", "block"),
        Index(
            "ix_life_state__young",
            "site_id",
            sqlite_where=text("stage = 'young'"),
            postgresql_where=text("stage = 'young'"),
        ),
    )
    content_id: int = Field(primary_key=True, foreign_key="unit_content.id", sa_type=BigInteger)
    site_id: int = ref("site.id")
    zone_id: int = ref("zone.id")
    profile_id: int = ref("ageing_profile.id")
    stage: str = Field(sa_type=String)
    block: int | None = None
    entered_s: float
    entry: bytes
    at_s: float
    held: bytes
    # Tells whether the stays before this one are those that were reckoned with.
    path_key: str


class LifeGroup(SQLModel, table=True):
    """
    Settled packs of one room, profile and block: how far their dates have moved since they were written.

    ``low`` and ``high`` are the least and the greatest shift of the group's ends [days] any of its rows was
    written with, route by route. While the shift now is near both, no row can be far off.
    """

    __tablename__ = "life_group"
    zone_id: int = Field(primary_key=True, foreign_key="zone.id", sa_type=BigInteger)
    profile_id: int = Field(primary_key=True, foreign_key="ageing_profile.id", sa_type=BigInteger)
    block: int = Field(primary_key=True, sa_type=BigInteger)
    site_id: int = ref("site.id", index=True)
    low: bytes
    high: bytes


class LifeRise(SQLModel, table=True):
    """
    Packs on their way of one room and profile, reckoned to the same hour: how far their dates have moved.

    ``low`` and ``high`` are as in `LifeGroup`, row by row for each whole degree from ``coldest_c`` to
    ``warmest_c`` that the packs' cores had at the hour's start. [°C]
    """

    __tablename__ = "life_rise"
    zone_id: int = Field(primary_key=True, foreign_key="zone.id", sa_type=BigInteger)
    profile_id: int = Field(primary_key=True, foreign_key="ageing_profile.id", sa_type=BigInteger)
    hour: int = Field(primary_key=True, sa_type=BigInteger)
    site_id: int = ref("site.id", index=True)
    coldest_c: int
    warmest_c: int
    low: bytes
    high: bytes


class ExposureRoom(SQLModel, table=True):
    """How far one room's hours are summed for one profile, and the room's core there."""

    __tablename__ = "exposure_room"
    zone_id: int = Field(primary_key=True, foreign_key="zone.id", sa_type=BigInteger)
    profile_id: int = Field(primary_key=True, foreign_key="ageing_profile.id", sa_type=BigInteger)
    site_id: int = ref("site.id", index=True)
    # Whole hours since 1970: from the first to before the last.
    first_hour: int
    until_hour: int
    core_c: float
    # Nobody had measured this room: its planned temperature stood in.
    is_assumed: bool


class ExposureDay(SQLModel, table=True):
    """A day's hours of one room and profile: 24 rows of core at the start, lowest core, and sums."""

    __tablename__ = "exposure_day"
    __table_args__ = (Index("ix_exposure_day__day", "site_id", "day"),)
    zone_id: int = Field(primary_key=True, foreign_key="zone.id", sa_type=BigInteger)
    profile_id: int = Field(primary_key=True, foreign_key="ageing_profile.id", sa_type=BigInteger)
    day: int = Field(primary_key=True, sa_type=BigInteger)
    site_id: int = ref("site.id")
    hours: bytes


class ExposureBlock(SQLModel, table=True):
    """The sums of one room and profile over the hours of a block that are summed so far."""

    __tablename__ = "exposure_block"
    zone_id: int = Field(primary_key=True, foreign_key="zone.id", sa_type=BigInteger)
    profile_id: int = Field(primary_key=True, foreign_key="ageing_profile.id", sa_type=BigInteger)
    block: int = Field(primary_key=True, sa_type=BigInteger)
    site_id: int = ref("site.id", index=True)
    total: bytes
