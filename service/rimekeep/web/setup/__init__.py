"""Pages for setting the store up: what there is to say of it, part by part."""

from fastapi import APIRouter

from rimekeep.web.setup import alerts, people, routes

router = APIRouter()
for part in (routes, people, alerts):
    router.include_router(part.router)

__all__ = ["router"]
