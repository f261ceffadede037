"""What handhelds say beside taking lists and confirming picks, and what they say all at once."""

from rimekeep.picking.handheld.routes import routes

__all__ = ["routes"]
