"""Endpoints of customers and orders."""

from rimekeep.orders.routes import batch, customers, forecasts, orders
from rimekeep.orders.routes.router import routes

__all__ = ["batch", "customers", "forecasts", "orders", "routes"]
