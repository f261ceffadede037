"""Pages of orders, for the lead and the dispatcher."""

from rimekeep.web.orders.routes import router

__all__ = ["router"]
