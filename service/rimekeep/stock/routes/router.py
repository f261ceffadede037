"""The router all endpoints of stock hang on."""

from rimekeep.platform.http import router

routes = router("", "stock")
