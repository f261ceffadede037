"""Endpoints of climate."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any

from fastapi import Depends, Query, Request, Response
from pydantic_core import from_json, to_json

from rimekeep.access.dependencies import GatewayDep, QaOrLeadDep, ReaderDep
from rimekeep.climate import queries, schemas, usecases
from rimekeep.climate.core import senml
from rimekeep.climate.core.air import in_steps
from rimekeep.climate.core.batch import Outcome, Said, Word, read_batch
from rimekeep.climate.core.dewpoint import condenses, dew_point_c
from rimekeep.errors import invalid
from rimekeep.platform.http import Now, SessionDep, router
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id, Instant

routes = router("", "climate")

SENML_JSON = "application/senml+json"
MAX_STEPS = 5_000
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


@routes.post("/sensors", status_code=201)
def register_sensor(
    body: schemas.SensorIn, session: SessionDep, now: Now, caller: QaOrLeadDep
) -> schemas.SensorOut:
    """Register a logger of a room's air."""
    return schemas.SensorOut.model_validate(
        usecases.register_sensor(session, now, caller, **body.model_dump())
    )


@routes.get("/sensors")
def list_sensors(
    session: SessionDep,
    caller: ReaderDep,
    asked: PageDep,
    zone_id: Id | None = None,
) -> Page[schemas.SensorOut]:
    """List the sensors."""
    return asked.show(session, queries.sensors(caller.site_id, zone_id=zone_id), schemas.SensorOut)


@routes.post("/sensors/{sensor_id}/switch-off")
def switch_off_sensor(
    sensor_id: Id, body: schemas.ReasonIn, session: SessionDep, now: Now, caller: QaOrLeadDep
) -> schemas.SensorOut:
    """Listen to a sensor no longer; what it said stays."""
    found = usecases.switch_off_sensor(session, now, caller, sensor_id=sensor_id, reason=body.reason)
    return schemas.SensorOut.model_validate(found)


async def raw_body(request: Request) -> bytes:
    """Return the body as it came."""
    return await request.body()


@routes.post("/readings", response_model=schemas.TakenOut, openapi_extra=READINGS_BODY)
def take_readings(
    request: Request,
    body: Annotated[bytes, Depends(raw_body)],
    session: SessionDep,
    now: Now,
    caller: GatewayDep,
) -> Response:
    """Take in up to 10,000 readings, in any order, late or repeated; each is answered for itself."""
    is_senml = request.headers.get("content-type", "").partition(";")[0].strip().lower() == SENML_JSON
    read = _read_senml(body, now) if is_senml else read_batch(_decoded(body), largest=usecases.MAX_BATCH)
    good = [said for said in read if not isinstance(said, Outcome)]
    skew_s = request.app.state.settings.clock_skew_s
    taken = iter(usecases.take_readings(session, now, caller.site_id, good, clock_skew_s=skew_s))
    outcomes = [said if isinstance(said, Outcome) else next(taken) for said in read]
    return Response(to_json(_answer(outcomes)), media_type="application/json")


def _decoded(body: bytes) -> object:
    try:
        return from_json(body)
    except ValueError as error:
        raise invalid("body", f"The body is not JSON: {error}.", "Send a JSON document in UTF-8.") from None


def _read_senml(body: bytes, now: datetime) -> Sequence[Said | Outcome]:
    pack = _decoded(body)
    usecases.check_size(len(pack) if isinstance(pack, list) else 0)
    found: list[Said | Outcome] = []
    for name, at_s, temp_c in senml.readings(pack, received_at_s=now.timestamp()):
        try:
            found.append((name, datetime.fromtimestamp(at_s, UTC), temp_c))
        except (ValueError, OverflowError, OSError):
            found.append(Outcome(Word.NOT_AN_INSTANT, "t", f"{at_s} is no time.", "Send seconds since 1970."))
    return found


def _answer(outcomes: Sequence[Outcome]) -> dict[str, Any]:
    words = [outcome.word for outcome in outcomes]
    faults = [
        {
            "index": index,
            "outcome": outcome.word,
            "field": f"readings[{index}].{outcome.field}".rstrip("."),
            "detail": outcome.detail,
            "mend": outcome.mend,
        }
        for index, outcome in enumerate(outcomes)
        if outcome.is_refused
    ]
    return {
        "stored": words.count(Word.STORED),
        "repeated": words.count(Word.REPEATED),
        "refused": len(faults),
        "outcomes": words,
        "faults": faults,
    }


@routes.get("/air")
def air_now(session: SessionDep, now: Now, caller: ReaderDep) -> schemas.ZonesNowOut:
    """Tell the air of every room now, and how old the reading is."""
    found = queries.zone_now(session, caller.site_id, now)
    return schemas.ZonesNowOut(items=[schemas.ZoneNowOut.model_validate(row) for row in found])


@routes.get("/zones/{zone_id}/air")
def zone_air(
    zone_id: Id,
    session: SessionDep,
    now: Now,
    caller: ReaderDep,
    from_at: Annotated[
        Instant | None, Query(alias="from", description="Default: a day before the end.")
    ] = None,
    until_at: Annotated[Instant | None, Query(alias="to", description="Default, and at most: now.")] = None,
    step_s: Annotated[int, Query(ge=60, le=604_800, description="Length of a step. [s]")] = 600,
) -> schemas.ZoneAirOut:
    """Show the air of a room in steps: least, mean over time, greatest."""
    until_at = min(until_at or now, now)
    if min(until_at, from_at or until_at) < usecases.EARLIEST_AT:
        raise invalid("from", "Nothing was measured before 2000.", "Check the year.")
    from_at = from_at or until_at - timedelta(days=1)
    if not from_at < until_at:
        raise invalid(
            "from", "The stretch is empty or ends before it begins.", "Give a start before the end."
        )
    if (until_at - from_at).total_seconds() > MAX_STEPS * step_s:
        raise invalid(
            "step_s", f"That makes more than {MAX_STEPS} steps.", "Ask for longer steps or less time."
        )
    air = queries.zone_air(session, caller.site_id, zone_id, from_at, until_at)
    steps = in_steps(air, step_s)
    columns = zip(steps.at_s, steps.min_c, steps.mean_c, steps.max_c, steps.bridged_s, strict=True)
    codes = queries.sensor_codes(session, caller.site_id, air.sensor_ids)
    return schemas.ZoneAirOut(
        zone_id=zone_id,
        from_at=from_at,
        until_at=until_at,
        step_s=step_s,
        sensors=[codes[sensor_id] for sensor_id in air.sensor_ids],
        is_assumed=air.is_assumed,
        bridged=[
            schemas.StretchOut(
                from_at=datetime.fromtimestamp(start, UTC), until_at=datetime.fromtimestamp(end, UTC)
            )
            for start, end in air.bridged_s
        ],
        steps=[
            schemas.StepOut(
                at=datetime.fromtimestamp(at_s, UTC),
                min_c=round(low, 3),
                mean_c=round(mean, 3),
                max_c=round(high, 3),
                bridged_s=round(bridged),
            )
            for at_s, low, mean, high, bridged in columns
        ],
    )


@routes.get("/dew-point")
def dew_point(
    caller: ReaderDep,
    air_c: Annotated[float, Query(ge=-45, le=60, allow_inf_nan=False)],
    relative_humidity_pct: Annotated[float, Query(gt=0, le=100, allow_inf_nan=False)],
    surface_c: Annotated[float | None, Query(ge=-60, le=80, allow_inf_nan=False)] = None,
) -> schemas.DewPointOut:
    """Tell at which temperature a carton gets wet in this air (Magnus form, WMO-No. 8)."""
    return schemas.DewPointOut(
        dew_point_c=round(dew_point_c(air_c, relative_humidity_pct), 3),
        condenses=None
        if surface_c is None
        else condenses(surface_c, air_c=air_c, relative_humidity_pct=relative_humidity_pct),
    )
