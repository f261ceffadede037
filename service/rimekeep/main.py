"""Build the application: every feature's routes on one database."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.metadata import version
from typing import Any
from weakref import WeakKeyDictionary

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from fastapi.routing import APIRoute
from sqlalchemy import text
from sqlalchemy.exc import SQLAlchemyError
from starlette.requests import Request
from starlette.responses import JSONResponse

from rimekeep.access.dependencies import Admits
from rimekeep.access.routes import routes as access_routes
from rimekeep.alerts.routes import routes as alerts_routes
from rimekeep.climate.routes import routes as climate_routes
from rimekeep.excursions.routes import routes as excursions_routes
from rimekeep.imports.routes import routes as imports_routes
from rimekeep.loading.returns.routes import routes as returns_routes
from rimekeep.loading.road.routes import routes as road_routes
from rimekeep.loading.routes import routes as loading_routes
from rimekeep.loading.trips.routes import routes as trips_routes
from rimekeep.orders.routes import routes as orders_routes
from rimekeep.picking.floor.routes import routes as floor_routes
from rimekeep.picking.handheld import routes as handheld_routes
from rimekeep.picking.routes import routes as picking_routes
from rimekeep.platform.compute import Compute
from rimekeep.platform.database import Database
from rimekeep.platform.http import RequestLog, read_clock
from rimekeep.platform.migrate import is_current
from rimekeep.platform.problems import install_problems, problem
from rimekeep.platform.settings import Settings, load_settings
from rimekeep.platform.straight_routes import StraightRoute, StraightWay
from rimekeep.shelflife.routes import routes as shelflife_routes
from rimekeep.stock.routes import routes as stock_routes
from rimekeep.tracing.epcis.routes import routes as epcis_routes
from rimekeep.tracing.recall.routes import routes as recall_routes
from rimekeep.tracing.routes import routes as tracing_routes
from rimekeep.web.pages import install_pages

# Climate first: addresses are searched in this order, and gateways call by far the most often.
FEATURES = (
    climate_routes,
    access_routes,
    stock_routes,
    shelflife_routes,
    excursions_routes,
    orders_routes,
    picking_routes,
    floor_routes,
    handheld_routes,
    loading_routes,
    trips_routes,
    returns_routes,
    road_routes,
    tracing_routes,
    epcis_routes,
    recall_routes,
    alerts_routes,
    imports_routes,
)


def create_app(settings: Settings | None = None, *, database: Database | None = None) -> FastAPI:
    """Return the application on the database the settings name."""
    settings = settings or load_settings()

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        yield
        app.state.compute.close()
        if database is None:
            app.state.database.dispose()

    app = FastAPI(
        title="rimekeep",
        version=version("rimekeep"),
        summary="Life left, first-expired picking and legal truck loads for a brewery's cold store.",
        lifespan=lifespan,
        docs_url=None,
        redoc_url=None,
    )
    app.state.settings = settings
    app.state.database = database or Database(settings)
    app.state.clock = read_clock
    app.state.writing_gates = WeakKeyDictionary()
    app.state.gatherings = WeakKeyDictionary()
    app.state.compute = Compute(settings.compute_workers)
    install_problems(app)
    app.add_middleware(StraightWay, routes=[one for one in endpoints() if isinstance(one, StraightRoute)])
    for routes in FEATURES:
        app.include_router(routes)
    app.add_api_route("/healthz", healthz, tags=["operation"])
    app.add_api_route("/readyz", readyz, tags=["operation"], responses={503: {"description": "Not ready."}})
    install_pages(app)
    app.add_middleware(RequestLog)
    app.openapi = lambda: describe(app)  # type: ignore[method-assign]
    return app


def healthz() -> dict[str, str]:
    """Tell that the process answers."""
    return {"status": "ok"}


def readyz(request: Request) -> JSONResponse:
    """Tell whether requests can be served: the database answers and has this version's tables."""
    try:
        with request.app.state.database.transaction(readonly=True) as session:
            session.execute(text("SELECT 1"))
        current = is_current(request.app.state.database.engine)
    except SQLAlchemyError:
        return problem(request, 503, "database-unavailable", "The database does not answer.")
    if not current:
        return problem(request, 503, "migration-needed", "Run `rimekeep db upgrade` first.")
    return JSONResponse({"status": "ready"})


def describe(app: FastAPI) -> dict[str, Any]:
    """Return the OpenAPI document, each operation with the roles it admits."""
    if app.openapi_schema is None:
        document = get_openapi(
            title=app.title,
            version=app.version,
            summary=app.summary,
            routes=app.routes,
            openapi_version="3.1.0",
        )
        for route in endpoints():
            for method in route.methods or ():
                document["paths"][route.path_format][method.lower()]["x-roles"] = sorted(roles_of(route))
        app.openapi_schema = document
    return app.openapi_schema


def endpoints() -> list[APIRoute]:
    """Return every endpoint of the features."""
    return [route for routes in FEATURES for route in routes.routes if isinstance(route, APIRoute)]


def roles_of(route: APIRoute) -> frozenset[str]:
    """Return the roles a route admits; empty for one that anybody may ask."""
    asked = list(route.dependant.dependencies)
    while asked:
        dependency = asked.pop()
        if isinstance(dependency.call, Admits):
            return dependency.call.roles
        asked += dependency.dependencies
    return frozenset()
