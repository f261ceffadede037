"""Endpoints of excursions."""

from rimekeep.platform.http import router

routes = router("", "excursions")
