"""Endpoints of climate."""

from rimekeep.platform.http import router

routes = router("", "climate")
