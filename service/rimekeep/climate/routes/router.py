"""The router all endpoints of climate hang on."""

from rimekeep.platform.http import router

routes = router("", "climate")
