"""Endpoints of picking."""

from rimekeep.platform.http import router

routes = router("", "picking")
