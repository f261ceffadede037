"""Endpoints of sensors: registered, moved, calibrated, switched off."""

from rimekeep.access.dependencies import QaDep, QaOrLeadDep, ReaderDep
from rimekeep.climate import queries, schemas, usecases
from rimekeep.climate.routes.router import routes
from rimekeep.platform.http import Now, SessionDep
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id


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


@routes.post("/sensors/{sensor_id}/move")
def move_sensor(
    sensor_id: Id, body: schemas.MoveIn, session: SessionDep, now: Now, caller: QaOrLeadDep
) -> schemas.SensorOut:
    """Say that a sensor stands in another room since an instant, past ones included."""
    found = usecases.move_sensor(session, now, caller, sensor_id=sensor_id, **body.model_dump())
    return schemas.SensorOut.model_validate(found)


@routes.get("/sensors/{sensor_id}/places")
def list_places(
    sensor_id: Id, session: SessionDep, caller: ReaderDep, asked: PageDep
) -> Page[schemas.PlaceOut]:
    """List where a sensor was said to stand, in the order it was said."""
    found = queries.sensor(session, caller.site_id, sensor_id)
    return asked.show(session, queries.places(found.id), schemas.PlaceOut)


@routes.post("/sensors/{sensor_id}/calibrations", status_code=201)
def calibrate_sensor(
    sensor_id: Id, body: schemas.CalibrationIn, session: SessionDep, now: Now, caller: QaDep
) -> schemas.CalibrationOut:
    """Put a calibration on record; its offset is added to the readings from a date on."""
    added = usecases.calibrate_sensor(session, now, caller, sensor_id=sensor_id, **body.model_dump())
    return schemas.CalibrationOut.model_validate(added)


@routes.get("/sensors/{sensor_id}/calibrations")
def list_calibrations(
    sensor_id: Id, session: SessionDep, caller: ReaderDep, asked: PageDep
) -> Page[schemas.CalibrationOut]:
    """List a sensor's calibrations, in the order they were put on record."""
    found = queries.sensor(session, caller.site_id, sensor_id)
    return asked.show(session, queries.calibrations(found.id), schemas.CalibrationOut)
