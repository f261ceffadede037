"""Endpoints of access."""

from rimekeep.access.routes import audit, people, records
from rimekeep.access.routes.router import routes

__all__ = ["audit", "people", "records", "routes"]
