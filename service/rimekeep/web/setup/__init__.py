"""Pages for setting the store up: what there is to say of it, part by part."""

from rimekeep.web.setup.routes import router

__all__ = ["router"]
