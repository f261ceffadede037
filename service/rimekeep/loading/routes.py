"""Endpoints of loading."""

from rimekeep.platform.http import router

routes = router("", "loading")
