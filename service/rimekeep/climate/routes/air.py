"""Endpoints of what the air of rooms is and was."""

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Annotated, Any

from fastapi import Query, Request
from fastapi.responses import StreamingResponse

from rimekeep.access.dependencies import ReaderDep
from rimekeep.climate import queries, schemas
from rimekeep.climate.core.dewpoint import condenses, dew_point_c
from rimekeep.climate.core.steps import AIR_HEADER
from rimekeep.climate.dependencies import MAX_LINES, MAX_STEPS, WindowDep
from rimekeep.climate.routes.router import routes
from rimekeep.platform.http import Now, SessionDep
from rimekeep.platform.schemas import Id

AIR_CSV: dict[int | str, dict[str, Any]] = {
    200: {"content": {"text/csv": {"schema": {"type": "string"}}}, "description": "One line a step."}
}


@routes.get("/air")
def air_now(session: SessionDep, now: Now, caller: ReaderDep) -> schemas.ZonesNowOut:
    """Tell the air of every room now, and how old the reading is."""
    found = queries.zone_now(session, caller.site_id, now)
    return schemas.ZonesNowOut(items=[schemas.ZoneNowOut.model_validate(row) for row in found])


@routes.get("/zones/{zone_id}/air")
def zone_air(zone_id: Id, session: SessionDep, caller: ReaderDep, window: WindowDep) -> schemas.ZoneAirOut:
    """Show the air of a room in steps: least, mean over time, greatest."""
    asked = window.of_at_most(MAX_STEPS)
    part = queries.zone_history(session, caller.site_id, zone_id, asked.from_at, asked.until_at, asked.step_s)
    codes = queries.sensor_codes(session, caller.site_id, part.sensor_ids)
    return schemas.ZoneAirOut(
        zone_id=zone_id,
        from_at=asked.from_at,
        until_at=asked.until_at,
        step_s=asked.step_s,
        sensors=[codes[sensor_id] for sensor_id in part.sensor_ids],
        is_assumed=part.is_assumed,
        thinned_until=part.thinned_until,
        bridged=[
            schemas.StretchOut(
                from_at=datetime.fromtimestamp(start, UTC), until_at=datetime.fromtimestamp(end, UTC)
            )
            for start, end in part.bridged_s
        ],
        steps=[
            schemas.StepOut(
                at=datetime.fromtimestamp(at_s, UTC),
                min_c=round(low, 3),
                mean_c=round(mean, 3),
                max_c=round(high, 3),
                bridged_s=round(bridged),
                thinned_s=round(thinned),
            )
            for at_s, low, mean, high, bridged, thinned in part.steps.rows()
        ],
    )


@routes.get("/zones/{zone_id}/air.csv", response_class=StreamingResponse, responses=AIR_CSV)
def zone_air_csv(
    zone_id: Id, request: Request, session: SessionDep, caller: ReaderDep, window: WindowDep
) -> StreamingResponse:
    """Write the air of a room in steps as a table, with the sensors it was read from and their offsets."""
    asked = window.of_at_most(MAX_LINES)
    site_id, step_s = caller.site_id, asked.step_s
    windows = queries.history_windows(session, site_id, zone_id, asked.from_at, asked.until_at, step_s)
    database = request.app.state.database

    def written() -> Iterator[str]:
        yield AIR_HEADER
        for from_at, until_at in windows:
            # Each part by a transaction of its own: a slow reader must not hold one open.
            with database.transaction(readonly=True) as reading:
                lines = queries.history_lines(reading, site_id, zone_id, from_at, until_at, step_s)
            yield lines

    name = f"air-{zone_id}-{asked.from_at:%Y%m%dT%H%M}-{asked.until_at:%Y%m%dT%H%M}.csv"
    return StreamingResponse(
        written(),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
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
