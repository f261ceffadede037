"""Endpoints of alerts."""

from rimekeep.alerts.routes import answers, receivers, stream
from rimekeep.alerts.routes.router import routes

__all__ = ["answers", "receivers", "routes", "stream"]
