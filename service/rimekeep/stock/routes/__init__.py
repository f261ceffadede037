"""Endpoints of what is where."""

from rimekeep.stock.routes import edits, store
from rimekeep.stock.routes.router import routes

__all__ = ["edits", "routes", "store"]
