"""The router all endpoints of orders hang on."""

from rimekeep.platform.http import router

routes = router("", "orders")
