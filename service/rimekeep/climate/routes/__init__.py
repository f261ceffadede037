"""Endpoints of climate."""

from rimekeep.climate.routes import air, quarantine, readings, sensors
from rimekeep.climate.routes.router import routes

__all__ = ["air", "quarantine", "readings", "routes", "sensors"]
