"""Pages for setting the store up: what there is to say of it, part by part."""

from fastapi import APIRouter

from rimekeep.web.setup import alerts, imports, people, routes, start

router = APIRouter()
for part in (routes, start, people, alerts, imports):
    router.include_router(part.router)

__all__ = ["router"]
