"""What QA's pages show, each in one statement however large the store is."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import Select, func, or_, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.tables import Principal
from rimekeep.climate.tables import Sensor, SensorOffset
from rimekeep.excursions.tables import Excursion, ExcursionContent
from rimekeep.shelflife.tables import Calibration
from rimekeep.stock.tables import Product, UnitContent, Zone

PAGE = 50
# A picture with more of them shows nothing.
MOST_MARKED = 40


@dataclass(frozen=True, slots=True)
class ExcursionRow:
    """An excursion in a list, with the stock that was there."""

    id: int
    zone_id: int
    zone: str
    kind: str
    severity: str
    started_at: datetime
    ended_at: datetime | None
    peak_c: float | None
    limit_c: float | None
    acknowledged_at: datetime | None
    merged_into_id: int | None
    units: int
    worst_days: float | None


def excursion_page(
    session: Session,
    site_id: int,
    *,
    show: str,
    zone_id: int | None = None,
    before_id: int | None = None,
    most: int = PAGE + 1,
) -> list[ExcursionRow]:
    """Return excursions, the newest first: "running", "unseen" or all; `most` or a page and one."""
    some = select(col(Excursion.id)).where(col(Excursion.site_id) == site_id)
    if show == "running":
        some = some.where(col(Excursion.ended_at).is_(None), col(Excursion.merged_into_id).is_(None))
    elif show == "unseen":
        some = some.where(col(Excursion.acknowledged_at).is_(None), col(Excursion.merged_into_id).is_(None))
    if zone_id is not None:
        some = some.where(col(Excursion.zone_id) == zone_id)
    if before_id is not None:
        some = some.where(col(Excursion.id) < before_id)
    keys = some.order_by(col(Excursion.id).desc()).limit(most).subquery()
    rows: Select[*tuple[Any, ...]] = (
        select(
            col(Excursion.id),
            col(Excursion.zone_id),
            col(Zone.name),
            col(Excursion.kind),
            col(Excursion.severity),
            col(Excursion.started_at),
            col(Excursion.ended_at),
            col(Excursion.peak_c),
            col(Excursion.limit_c),
            col(Excursion.acknowledged_at),
            col(Excursion.merged_into_id),
            func.count(col(UnitContent.unit_id).distinct()),
            func.max(col(ExcursionContent.life_lost_days)),
        )
        .join(keys, keys.c.id == col(Excursion.id))
        .join(Zone, col(Zone.id) == col(Excursion.zone_id))
        .outerjoin(ExcursionContent, col(ExcursionContent.excursion_id) == col(Excursion.id))
        .outerjoin(UnitContent, col(UnitContent.id) == col(ExcursionContent.content_id))
        .group_by(col(Excursion.id), col(Zone.name))
        .order_by(col(Excursion.id).desc())
    )
    return [ExcursionRow(*row) for row in session.execute(rows)]


@dataclass(frozen=True, slots=True)
class OpenThere:
    """What is wrong in a room now."""

    id: int
    kind: str
    started_at: datetime


def open_by_zone(session: Session, site_id: int) -> dict[int, list[OpenThere]]:
    """Return what runs in each room now, the newest first."""
    rows = session.execute(
        select(col(Excursion.zone_id), col(Excursion.id), col(Excursion.kind), col(Excursion.started_at))
        .where(col(Excursion.site_id) == site_id, col(Excursion.ended_at).is_(None))
        .where(col(Excursion.merged_into_id).is_(None))
        .order_by(col(Excursion.started_at).desc(), col(Excursion.id).desc())
    )
    found: dict[int, list[OpenThere]] = {}
    for zone_id, excursion_id, kind, started_at in rows:
        found.setdefault(zone_id, []).append(OpenThere(excursion_id, kind, started_at))
    return found


def excursions_between(
    session: Session, site_id: int, zone_id: int, from_at: datetime, until_at: datetime
) -> list[Excursion]:
    """Return a room's excursions that reach into a stretch of time, the oldest first."""
    rows = session.scalars(
        select(Excursion)
        .where(col(Excursion.site_id) == site_id, col(Excursion.zone_id) == zone_id)
        .where(col(Excursion.merged_into_id).is_(None), col(Excursion.started_at) < until_at)
        .where(or_(col(Excursion.ended_at).is_(None), col(Excursion.ended_at) > from_at))
        .order_by(col(Excursion.started_at).desc(), col(Excursion.id).desc())
        .limit(MOST_MARKED)
    )
    return list(rows)[::-1]


@dataclass(frozen=True, slots=True)
class SensorRow:
    """A sensor, where it stands, and the calibration put on record last."""

    id: int
    code: str
    zone: str
    error_c: float
    is_active: bool
    due_on: date | None
    offset_c: float | None
    calibrated_on: date | None


def sensor_rows(session: Session, site_id: int) -> list[SensorRow]:
    """Return the sensors of a site, those in use first."""
    newest = (
        select(col(SensorOffset.sensor_id), func.max(col(SensorOffset.id)).label("id"))
        .group_by(col(SensorOffset.sensor_id))
        .subquery()
    )
    rows: Select[*tuple[Any, ...]] = (
        select(
            col(Sensor.id),
            col(Sensor.code),
            col(Zone.name),
            col(Sensor.error_c),
            col(Sensor.is_active),
            col(Sensor.calibration_due_on),
            col(SensorOffset.offset_c),
            col(SensorOffset.calibrated_on),
        )
        .join(Zone, col(Zone.id) == col(Sensor.zone_id))
        .outerjoin(newest, newest.c.sensor_id == col(Sensor.id))
        .outerjoin(SensorOffset, col(SensorOffset.id) == newest.c.id)
        .where(col(Sensor.site_id) == site_id)
        .order_by(col(Sensor.is_active).desc(), col(Zone.name), col(Sensor.rank), col(Sensor.id))
    )
    return [SensorRow(*row) for row in session.execute(rows)]


@dataclass(frozen=True, slots=True)
class FitRow:
    """A calibration by forced ageing in a list."""

    id: int
    sku: str
    product: str
    route: str
    state: str
    is_thin: bool
    created_at: datetime
    author: str


def fit_page(session: Session, site_id: int, before_id: int | None) -> list[FitRow]:
    """Return calibrations by forced ageing, the newest first, one more than a page has."""
    rows: Select[*tuple[Any, ...]] = (
        select(
            col(Calibration.id),
            col(Product.sku),
            col(Product.name),
            col(Calibration.route),
            col(Calibration.state),
            col(Calibration.is_thin),
            col(Calibration.created_at),
            col(Principal.name),
        )
        .join(Product, col(Product.id) == col(Calibration.product_id))
        .join(Principal, col(Principal.id) == col(Calibration.author_id))
        .where(col(Calibration.site_id) == site_id)
        .order_by(col(Calibration.id).desc())
        .limit(PAGE + 1)
    )
    if before_id is not None:
        rows = rows.where(col(Calibration.id) < before_id)
    return [FitRow(*row) for row in session.execute(rows)]


def names_of(session: Session, principal_ids: Collection[int]) -> dict[int, str]:
    """Return what people are called."""
    rows = session.execute(
        select(col(Principal.id), col(Principal.name)).where(col(Principal.id).in_(sorted(principal_ids)))
    )
    return {row[0]: row[1] for row in rows}
