"""Sensors and what they said."""

from datetime import date, datetime

from sqlalchemy import BigInteger, CheckConstraint, Index, UniqueConstraint, text
from sqlmodel import Field, SQLModel

from rimekeep.climate.core.quarantine import Verdict
from rimekeep.platform.columns import instant, key, one_of, ref


class Sensor(SQLModel, table=True):
    """A logger of air temperature in one zone at a time."""

    __tablename__ = "sensor"
    __table_args__ = (
        UniqueConstraint("site_id", "code"),
        CheckConstraint("interval_s > 0", name="interval"),
        CheckConstraint("error_c >= 0", name="error"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    # Where it stands now, and since when; where it stood before is in `SensorPlace`.
    zone_id: int = ref("zone.id", index=True)
    stands_since_ms: int = Field(sa_type=BigInteger)
    # Its name in SenML packs too.
    code: str
    interval_s: int
    error_c: float = 0.5
    # The zone's air is read from its first sensor by rank; the next ones stand in for its gaps.
    rank: int = 1
    calibration_due_on: date | None = None
    is_active: bool = True
    registered_at: datetime = instant()
    # Newest reading held, as it was sent: a silent sensor is found, and a new reading judged, without a
    # look at the readings.
    last_at_ms: int | None = Field(default=None, sa_type=BigInteger)
    last_c: float | None = None
    # Newest instant anything was ever said about, struck out or in quarantine too: later ones are surely new.
    heard_ms: int | None = Field(default=None, sa_type=BigInteger)
    # Some readings wait for QA's word.
    has_quarantined: bool = False


class Reading(SQLModel, table=True):
    """
    One air temperature at one time.

    The instant is kept as whole milliseconds since 1970: the largest table by far, read into arrays and
    partitioned by month on PostgreSQL, wants a plain number. No foreign keys: whoever writes holds the
    sensor's row, sensors are never deleted, and a month could not be attached without locking their table.
    """

    __tablename__ = "reading"
    __table_args__ = {"sqlite_with_rowid": False, "postgresql_partition_by": "RANGE (at_ms)"}
    site_id: int = Field(primary_key=True, sa_type=BigInteger)
    sensor_id: int = Field(primary_key=True, sa_type=BigInteger)
    at_ms: int = Field(primary_key=True, sa_type=BigInteger)
    temp_c: float
    received_at_ms: int = Field(sa_type=BigInteger)


class ReadingHour(SQLModel, table=True):
    """
    What is kept of a sensor's readings of an hour, after its offset, when they are thinned.

    The mean is over time, over the `heard_s` seconds in which a reading stood for the air.
    [°C, hours since 1970]
    """

    __tablename__ = "reading_hour"
    __table_args__ = {"sqlite_with_rowid": False}
    site_id: int = Field(primary_key=True, foreign_key="site.id", sa_type=BigInteger)
    sensor_id: int = Field(primary_key=True, foreign_key="sensor.id", sa_type=BigInteger)
    hour: int = Field(primary_key=True, sa_type=BigInteger)
    min_c: float
    mean_c: float
    max_c: float
    heard_s: float
    readings: int


class ReadingBooks(SQLModel, table=True):
    """Up to when the readings of a site are thinned: what was measured before is settled."""

    __tablename__ = "reading_books"
    site_id: int = Field(primary_key=True, foreign_key="site.id", sa_type=BigInteger)
    closed_until_ms: int = Field(sa_type=BigInteger)


class ReadingCorrection(SQLModel, table=True):
    """What QA put in place of a reading, and what was held before; null is no reading."""

    __tablename__ = "reading_correction"
    __table_args__ = (Index("ix_reading_correction__sensor", "sensor_id", "at_ms"),)
    id: int = key()
    site_id: int = ref("site.id")
    sensor_id: int = ref("sensor.id")
    at_ms: int = Field(sa_type=BigInteger)
    before_c: float | None = None
    after_c: float | None = None
    reason: str
    author_id: int | None = ref("principal.id", nullable=True)
    at: datetime = instant()


class QuarantinedReading(SQLModel, table=True):
    """A reading that can hardly be meant as it was sent: kept, but no part of the air until QA settles it."""

    __tablename__ = "quarantined_reading"
    __table_args__ = (
        Index("ix_quarantined_reading__sensor", "sensor_id", "at_ms"),
        Index(
            "ix_quarantined_reading__waiting",
            "site_id",
            "sensor_id",
            postgresql_where=text("settled_at IS NULL"),
            sqlite_where=text("settled_at IS NULL"),
        ),
        one_of("outcome", Verdict),
    )
    id: int = key()
    site_id: int = ref("site.id")
    sensor_id: int = ref("sensor.id")
    at_ms: int = Field(sa_type=BigInteger)
    # As understood from what was sent; `sent` shows it as it came.
    temp_c: float
    sent: str
    reason: str
    received_at: datetime = instant()
    outcome: str | None = None
    settled_at: datetime | None = instant(nullable=True)
    settled_by_id: int | None = ref("principal.id", nullable=True)
    settled_reason: str | None = None


class SensorPlace(SQLModel, table=True):
    """
    Where a sensor stood from an instant on.

    Rows are only added. Of two that begin at one instant the later said holds.
    """

    __tablename__ = "sensor_place"
    __table_args__ = (
        Index("ix_sensor_place__sensor", "sensor_id", "from_ms"),
        Index("ix_sensor_place__zone", "zone_id", "sensor_id"),
    )
    id: int = key()
    sensor_id: int = ref("sensor.id")
    zone_id: int = ref("zone.id")
    from_ms: int = Field(sa_type=BigInteger)
    reason: str
    author_id: int | None = ref("principal.id", nullable=True)
    at: datetime = instant()


class SensorOffset(SQLModel, table=True):
    """
    What a calibration adds to a sensor's raw readings from an instant on. [K]

    Rows are only added. Of two that begin at one instant the later said holds.
    """

    __tablename__ = "sensor_offset"
    __table_args__ = (
        Index("ix_sensor_offset__sensor", "sensor_id", "from_ms"),
        CheckConstraint("offset_c BETWEEN -10 AND 10", name="offset"),
    )
    id: int = key()
    sensor_id: int = ref("sensor.id")
    from_ms: int = Field(sa_type=BigInteger)
    offset_c: float
    calibrated_on: date
    due_on: date | None = None
    reason: str
    author_id: int | None = ref("principal.id", nullable=True)
    at: datetime = instant()


class AirChange(SQLModel, table=True):
    """
    A stretch of time over which what a room's air was has changed; whoever computes from the air looks here.

    Rows are only added and, when worked off, removed, so that gateways do not wait for each other.
    """

    __tablename__ = "air_change"
    id: int = key()
    site_id: int = ref("site.id")
    zone_id: int = ref("zone.id")
    from_ms: int = Field(sa_type=BigInteger)
    until_ms: int = Field(sa_type=BigInteger)
