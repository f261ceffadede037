"""The one router of alerts' endpoints."""

from rimekeep.platform.http import router

routes = router("", "alerts")
