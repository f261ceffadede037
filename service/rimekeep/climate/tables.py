"""Sensors and what they said."""

from datetime import date

from sqlalchemy import BigInteger, CheckConstraint, UniqueConstraint
from sqlmodel import Field, SQLModel

from rimekeep.platform.columns import key, ref


class Sensor(SQLModel, table=True):
    """A logger of air temperature in one zone."""

    __tablename__ = "sensor"
    __table_args__ = (
        UniqueConstraint("site_id", "code"),
        CheckConstraint("interval_s > 0", name="interval"),
        CheckConstraint("error_c >= 0", name="error"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    zone_id: int = ref("zone.id", index=True)
    # Its name in SenML packs too.
    code: str
    interval_s: int
    error_c: float = 0.5
    # The zone's air is read from its first sensor by rank; the next ones stand in for its gaps.
    rank: int = 1
    calibration_due_on: date | None = None
    is_active: bool = True
    # Newest reading held, so that a silent sensor is found without a look at the readings.
    last_at_ms: int | None = Field(default=None, sa_type=BigInteger)


class Reading(SQLModel, table=True):
    """
    One air temperature at one time.

    The instant is kept as whole milliseconds since 1970: the largest table by far, read into arrays and
    partitioned by time, wants a plain number.
    """

    __tablename__ = "reading"
    __table_args__ = {"sqlite_with_rowid": False}
    site_id: int = Field(primary_key=True, foreign_key="site.id", sa_type=BigInteger)
    sensor_id: int = Field(primary_key=True, foreign_key="sensor.id", sa_type=BigInteger)
    at_ms: int = Field(primary_key=True, sa_type=BigInteger)
    temp_c: float
    received_at_ms: int = Field(sa_type=BigInteger)
