"""The fleet."""

from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.loading.core.fit_out import missing_data
from rimekeep.loading.tables import Vehicle
from rimekeep.web.setup.queries.listing import Asked, Listed, listed


@dataclass(frozen=True, slots=True)
class VehicleRow:
    """A vehicle in a list."""

    id: int
    code: str
    name: str
    is_active: bool
    truck: dict[str, Any]

    @property
    def missing(self) -> dict[str, list[str]]:
        """Return what it lacks, use by use."""
        return missing_data(self.truck)


def vehicle_page(session: Session, site_id: int, asked: Asked) -> Listed[VehicleRow]:
    """Return vehicles, those out of use too."""
    statement: Select[*tuple[Any, ...]] = select(
        col(Vehicle.id), col(Vehicle.code), col(Vehicle.name), col(Vehicle.is_active), col(Vehicle.truck)
    ).where(col(Vehicle.site_id) == site_id)
    searched = [col(Vehicle.code), col(Vehicle.name)]
    return listed(session, statement, asked, code=col(Vehicle.code), searched=searched, row=VehicleRow)
