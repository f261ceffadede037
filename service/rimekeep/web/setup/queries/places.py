"""Zones, their sensors, and their bays with what stands on them."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.climate.tables import Sensor
from rimekeep.stock.core.states import HERE, ROOMS, BayRole, ZoneKind
from rimekeep.stock.tables import Bay, Unit, Zone
from rimekeep.web.setup.queries.listing import Asked, Listed, listed

# More of them nobody looks through.
MOST_PLACES = 300


@dataclass(frozen=True, slots=True)
class ZoneRow:
    """A room in a list."""

    id: int
    code: str
    name: str
    kind: str
    planned_c: float
    bays: int
    pick_bays: int
    sensors: int


def zone_page(session: Session, site_id: int, asked: Asked) -> Listed[ZoneRow]:
    """Return rooms; vehicles' load spaces are with the vehicles."""
    of_zone = select(func.count()).where(col(Bay.zone_id) == col(Zone.id))
    statement: Select[*tuple[Any, ...]] = select(
        col(Zone.id),
        col(Zone.code),
        col(Zone.name),
        col(Zone.kind),
        col(Zone.planned_c),
        of_zone.scalar_subquery(),
        of_zone.where(col(Bay.role) == BayRole.PICK).scalar_subquery(),
        select(func.count())
        .where(col(Sensor.zone_id) == col(Zone.id), col(Sensor.is_active))
        .scalar_subquery(),
    ).where(col(Zone.site_id) == site_id, col(Zone.kind).in_(ROOMS))
    return listed(
        session, statement, asked, code=col(Zone.code), searched=[col(Zone.code), col(Zone.name)], row=ZoneRow
    )


@dataclass(frozen=True, slots=True)
class SensorRow:
    """A sensor of a room."""

    id: int
    code: str
    interval_s: int
    error_c: float
    rank: int
    calibration_due_on: date | None
    is_active: bool


def sensors_of(session: Session, site_id: int, zone_id: int) -> list[SensorRow]:
    """Return the sensors that stand in a room, those in use first."""
    rows: Select[*tuple[Any, ...]] = (
        select(
            col(Sensor.id),
            col(Sensor.code),
            col(Sensor.interval_s),
            col(Sensor.error_c),
            col(Sensor.rank),
            col(Sensor.calibration_due_on),
            col(Sensor.is_active),
        )
        .where(col(Sensor.site_id) == site_id, col(Sensor.zone_id) == zone_id)
        .order_by(col(Sensor.is_active).desc(), col(Sensor.rank), col(Sensor.id))
    )
    return [SensorRow(*row) for row in session.execute(rows)]


def places_for_sensors(session: Session, site_id: int, zone_id: int) -> list[tuple[str, str]]:
    """Return where a sensor of one zone may be moved to: the other rooms first, then load spaces."""
    rows = session.execute(
        select(col(Zone.id), col(Zone.name))
        .where(col(Zone.site_id) == site_id, col(Zone.id) != zone_id)
        .order_by(col(Zone.kind) == ZoneKind.VEHICLE, col(Zone.id))
        .limit(MOST_PLACES)
    )
    return [(str(key), name) for key, name in rows]


@dataclass(frozen=True, slots=True)
class AisleRow:
    """An aisle of a room and how many bays it has."""

    aisle: int
    bays: int
    pick_bays: int


def aisles(session: Session, site_id: int, zone_id: int) -> list[AisleRow]:
    """Return the aisles of a room in their order."""
    picks = func.count().filter(col(Bay.role) == BayRole.PICK)
    rows = session.execute(
        select(col(Bay.aisle), func.count(), picks)
        .where(col(Bay.site_id) == site_id, col(Bay.zone_id) == zone_id)
        .group_by(col(Bay.aisle))
        .order_by(col(Bay.aisle))
    )
    return [AisleRow(*row) for row in rows]


@dataclass(frozen=True, slots=True)
class BayRow:
    """A bay and how many units stand on it."""

    id: int
    zone_id: int
    code: str
    aisle: int
    slot: int
    level: int
    check_code: str
    role: str
    depth: int
    capacity_units: int | None
    units: int

    @property
    def room(self) -> int:
        """Return how many units it holds; where nobody said, as many as stand behind one another."""
        return self.depth if self.capacity_units is None else self.capacity_units


def _bays(site_id: int) -> Select[*tuple[Any, ...]]:
    standing = (
        select(func.count())
        .where(col(Unit.bay_id) == col(Bay.id), col(Unit.state).in_(HERE))
        .scalar_subquery()
    )
    return select(
        col(Bay.id),
        col(Bay.zone_id),
        col(Bay.code),
        col(Bay.aisle),
        col(Bay.slot),
        col(Bay.level),
        col(Bay.check_code),
        col(Bay.role),
        col(Bay.depth),
        col(Bay.capacity_units),
        standing,
    ).where(col(Bay.site_id) == site_id)


def bays_of(session: Session, site_id: int, zone_id: int, aisles: Collection[int]) -> list[BayRow]:
    """Return the bays of some aisles of a room, as the aisles run."""
    rows = session.execute(
        _bays(site_id)
        .where(col(Bay.zone_id) == zone_id, col(Bay.aisle).in_(aisles))
        .order_by(col(Bay.aisle), col(Bay.slot), col(Bay.level), col(Bay.id))
    )
    return [BayRow(*row) for row in rows]


def bay_page(
    session: Session, site_id: int, asked: Asked, *, zone_id: int | None, aisle: int | None
) -> Listed[BayRow]:
    """Return bays, of one room and one aisle of it if asked."""
    statement = _bays(site_id)
    if zone_id is not None:
        statement = statement.where(col(Bay.zone_id) == zone_id)
    if aisle is not None:
        statement = statement.where(col(Bay.aisle) == aisle)
    return listed(session, statement, asked, code=col(Bay.code), searched=[col(Bay.code)], row=BayRow)


def units_on(session: Session, bay_id: int, most: int) -> list[str]:
    """Return the SSCCs of units that stand on a bay, the one in front first, at most so many."""
    rows = session.scalars(
        select(col(Unit.sscc))
        .where(col(Unit.bay_id) == bay_id, col(Unit.state).in_(HERE))
        .order_by(func.coalesce(col(Unit.placed_at), col(Unit.received_at)).desc(), col(Unit.id).desc())
        .limit(most)
    )
    return list(rows)
