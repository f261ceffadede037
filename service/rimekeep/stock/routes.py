"""Endpoints of stock."""

from rimekeep.platform.http import router

routes = router("", "stock")
