"""The router all endpoints of access hang on."""

from rimekeep.platform.http import router

routes = router("", "access")
