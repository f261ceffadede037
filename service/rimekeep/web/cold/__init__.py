"""QA's pages: rooms and their temperatures, excursions and decisions, calibrations."""

from rimekeep.web.cold.routes import router

__all__ = ["router"]
