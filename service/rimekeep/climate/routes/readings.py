"""Endpoints of readings: taken in, listed, corrected."""

from typing import Annotated, Any

from fastapi import Depends, Query, Request, Response
from pydantic_core import to_json

from rimekeep.access.dependencies import GatewayDep, QaDep, ReaderDep
from rimekeep.climate import queries, schemas, usecases
from rimekeep.climate.core.batch import Batch
from rimekeep.climate.core.corrections import Wish
from rimekeep.climate.core.readings import to_celsius
from rimekeep.climate.routes.router import routes
from rimekeep.platform.http import Now, SessionDep, SettingsDep
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id, Instant
from rimekeep.platform.straight_routes import StraightRoute

SENML_JSON = "application/senml+json"
# Documented here because the body is read by hand: a bad reading must not cost its neighbours.
READINGS_BODY: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "content": {
            "application/json": {
                "schema": {
                    "type": "object",
                    "required": ["readings"],
                    "additionalProperties": False,
                    "properties": {
                        "readings": {
                            "type": "array",
                            "maxItems": usecases.MAX_BATCH,
                            "items": {
                                "type": "object",
                                "required": ["sensor", "at", "temp"],
                                "properties": {
                                    "sensor": {"type": "string", "description": "Code of the sensor."},
                                    "at": {"type": "string", "format": "date-time"},
                                    "temp": {"type": "number"},
                                    "unit": {"enum": ["Cel", "C", "°C", "F", "°F", "K"], "default": "Cel"},
                                },
                            },
                        }
                    },
                },
                "example": {"readings": [{"sensor": "room2:air", "at": "2026-03-16T05:50:00Z", "temp": 3.4}]},
            },
            SENML_JSON: {
                "schema": {"type": "array", "items": {"type": "object"}},
                "example": [{"bn": "room2:", "bt": 1773640200, "bu": "Cel", "n": "air", "v": 3.4}],
            },
        },
    }
}


async def raw_body(request: Request) -> bytes:
    """Return the body as it came."""
    return await request.body()


def sent_batch(request: Request, body: Annotated[bytes, Depends(raw_body)], now: Now) -> Batch:
    """Return the readings of a body, JSON or SenML."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    return usecases.read_senml(body, received_at=now) if kind == SENML_JSON else usecases.read_json(body)


def take_readings(
    batch: Annotated[Batch, Depends(sent_batch)],
    session: SessionDep,
    now: Now,
    caller: GatewayDep,
    settings: SettingsDep,
) -> Response:
    """Take in up to 10,000 readings, in any order, late or repeated; each is answered for itself."""
    taken = usecases.take_batch(session, now, caller.site_id, batch, clock_skew_s=settings.clock_skew_s)
    return Response(to_json(taken.summary()), media_type="application/json")


class ReadingsRoute(StraightRoute):
    """The way of readings: gateways send them day and night."""

    read = staticmethod(sent_batch)


routes.add_api_route(
    "/readings",
    take_readings,
    methods=["POST"],
    response_model=schemas.TakenOut,
    openapi_extra=READINGS_BODY,
    route_class_override=ReadingsRoute,
)


@routes.get("/sensors/{sensor_id}/readings")
def list_readings(
    sensor_id: Id,
    session: SessionDep,
    caller: ReaderDep,
    asked: PageDep,
    from_at: Annotated[Instant | None, Query(alias="from", description="Default: the oldest held.")] = None,
    until_at: Annotated[Instant | None, Query(alias="to", description="Not included.")] = None,
) -> Page[schemas.ReadingOut]:
    """List what is held of a sensor reading by reading, oldest first, as it was sent: before any offset."""
    found = queries.sensor(session, caller.site_id, sensor_id)
    listing = queries.held_readings(caller.site_id, found.id, from_at, until_at)
    return asked.show(session, listing, schemas.ReadingOut)


@routes.post("/readings/corrections")
def correct_readings(
    body: schemas.CorrectionsIn, session: SessionDep, now: Now, caller: QaDep
) -> schemas.CorrectionsOut:
    """Put other values in place of readings, or strike them out; what was held before stays on record."""
    wishes = [
        Wish(one.sensor, one.at, None if one.temp is None else to_celsius(one.temp, one.unit))
        for one in body.corrections
    ]
    done = usecases.correct_readings(session, now, caller, wishes, reason=body.reason)
    return schemas.CorrectionsOut(
        items=[
            schemas.CorrectedOut(
                index=index,
                outcome=one.word,
                before_c=one.before_c,
                after_c=one.after_c,
                field=f"corrections[{index}].{one.field}" if one.field else None,
                detail=one.detail or None,
                mend=one.mend or None,
            )
            for index, one in enumerate(done)
        ]
    )


@routes.get("/readings/corrections")
def list_corrections(
    session: SessionDep, caller: ReaderDep, asked: PageDep, sensor_id: Id | None = None
) -> Page[schemas.CorrectionOut]:
    """List what was put in place of readings, why and by whom."""
    listing = queries.corrections(caller.site_id, sensor_id=sensor_id)
    return asked.show(session, listing, schemas.CorrectionOut)
