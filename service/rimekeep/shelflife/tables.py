"""Ageing profiles and the life that is left."""

from datetime import datetime
from typing import Any

from sqlalchemy import BigInteger, CheckConstraint, Index, UniqueConstraint
from sqlmodel import Field, SQLModel

from rimekeep.platform.columns import document, instant, key, ref


class AgeingProfile(SQLModel, table=True):
    """One version of how a product ages. Never edited: a change is a new version."""

    __tablename__ = "ageing_profile"
    __table_args__ = (
        UniqueConstraint("site_id", "product_id", "version"),
        CheckConstraint("tau_h >= 0", name="tau"),
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
    # Each with its name, reference_c, reference_life_days, activation_kj_mol and source.
    routes: list[dict[str, Any]] = document(default=list)
    reason: str
    author_id: int | None = ref("principal.id", nullable=True)
    created_at: datetime = instant()


class Life(SQLModel, table=True):
    """What is left of cases of one lot on one unit, as of an instant."""

    __tablename__ = "life"
    __table_args__ = (Index("ix_life__expiry", "site_id", "expires_at"),)
    content_id: int = Field(primary_key=True, foreign_key="unit_content.id", sa_type=BigInteger)
    site_id: int = ref("site.id")
    profile_id: int | None = ref("ageing_profile.id", nullable=True)
    as_of_at: datetime = instant()
    expires_at: datetime = instant()
    # Name of the route that ends it first, or "best before" when the label does.
    limited_by: str
    used: dict[str, float] = document()
    core_c: float | None = None
    # Seconds without readings that were bridged for the estimate.
    bridged_s: int = 0
    # When its core had been frozen for the profile's minutes; the unit was put on hold then.
    frozen_at: datetime | None = instant(nullable=True)
