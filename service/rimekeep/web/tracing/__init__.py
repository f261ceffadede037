"""Where it all went, and calling it back: the pages."""

from rimekeep.web.tracing.pages import router

__all__ = ["router"]
