"""The dispatcher's pages: a day's loads, a trip's deck, loading at the door."""

from rimekeep.web.loads.routes import router

__all__ = ["router"]
