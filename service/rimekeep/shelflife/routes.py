"""Endpoints of shelflife."""

from rimekeep.platform.http import router

routes = router("", "shelflife")
