"""Readings that move, are corrected and thinned; excursions to a signed end."""

import sqlalchemy as sa
from alembic import op

from rimekeep.platform import columns, partitions
from rimekeep.platform.alter import add, change_check, is_sqlite

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

KINDS = "kind IN ('too_warm', 'too_cold', 'silent')"
MORE_KINDS = "kind IN ('too_warm', 'too_cold', 'silent', 'disagree', 'calibration')"
# Where sensors stood so far: where they stand, from before any reading could be taken.
EARLIEST_MS = 946_857_600_000
EARLIEST_AT = "2000-01-03 00:00:00"


def upgrade() -> None:
    _make_tables()
    _alter_cold()
    _split_readings()


def _make_tables() -> None:
    op.create_table(
        "reading_books",
        sa.Column("site_id", sa.BigInteger(), nullable=False),
        sa.Column("closed_until_ms", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_reading_books__site_id")),
        sa.PrimaryKeyConstraint("site_id", name=op.f("pk_reading_books")),
    )
    op.create_table(
        "air_change",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("zone_id", columns.BigId, nullable=False),
        sa.Column("from_ms", sa.BigInteger(), nullable=False),
        sa.Column("until_ms", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_air_change__site_id")),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_air_change__zone_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_air_change")),
    )
    op.create_table(
        "quarantined_reading",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("sensor_id", columns.BigId, nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("temp_c", sa.Float(), nullable=False),
        sa.Column("sent", sa.String(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("received_at", columns.UtcDateTime(), nullable=False),
        sa.Column("outcome", sa.String(), nullable=True),
        sa.Column("settled_at", columns.UtcDateTime(), nullable=True),
        sa.Column("settled_by_id", columns.BigId, nullable=True),
        sa.Column("settled_reason", sa.String(), nullable=True),
        sa.CheckConstraint(
            "outcome IN ('as sent', 'as fahrenheit', 'discarded')",
            name=op.f("ck_quarantined_reading__outcome"),
        ),
        sa.ForeignKeyConstraint(["sensor_id"], ["sensor.id"], name=op.f("fk_quarantined_reading__sensor_id")),
        sa.ForeignKeyConstraint(
            ["settled_by_id"], ["principal.id"], name=op.f("fk_quarantined_reading__settled_by_id")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_quarantined_reading__site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_quarantined_reading")),
    )
    op.create_index(
        "ix_quarantined_reading__sensor", "quarantined_reading", ["sensor_id", "at_ms"], unique=False
    )
    op.create_index(
        "ix_quarantined_reading__waiting",
        "quarantined_reading",
        ["site_id", "sensor_id"],
        unique=False,
        postgresql_where=sa.text("settled_at IS NULL"),
        sqlite_where=sa.text("settled_at IS NULL"),
    )
    op.create_table(
        "reading_correction",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("sensor_id", columns.BigId, nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("before_c", sa.Float(), nullable=True),
        sa.Column("after_c", sa.Float(), nullable=True),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("author_id", columns.BigId, nullable=True),
        sa.Column("at", columns.UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["author_id"], ["principal.id"], name=op.f("fk_reading_correction__author_id")
        ),
        sa.ForeignKeyConstraint(["sensor_id"], ["sensor.id"], name=op.f("fk_reading_correction__sensor_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_reading_correction__site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reading_correction")),
    )
    op.create_index(
        "ix_reading_correction__sensor", "reading_correction", ["sensor_id", "at_ms"], unique=False
    )
    op.create_table(
        "reading_hour",
        sa.Column("site_id", sa.BigInteger(), nullable=False),
        sa.Column("sensor_id", sa.BigInteger(), nullable=False),
        sa.Column("hour", sa.BigInteger(), nullable=False),
        sa.Column("min_c", sa.Float(), nullable=False),
        sa.Column("mean_c", sa.Float(), nullable=False),
        sa.Column("max_c", sa.Float(), nullable=False),
        sa.Column("heard_s", sa.Float(), nullable=False),
        sa.Column("readings", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["sensor_id"], ["sensor.id"], name=op.f("fk_reading_hour__sensor_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_reading_hour__site_id")),
        sa.PrimaryKeyConstraint("site_id", "sensor_id", "hour", name=op.f("pk_reading_hour")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "sensor_offset",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("sensor_id", columns.BigId, nullable=False),
        sa.Column("from_ms", sa.BigInteger(), nullable=False),
        sa.Column("offset_c", sa.Float(), nullable=False),
        sa.Column("calibrated_on", sa.Date(), nullable=False),
        sa.Column("due_on", sa.Date(), nullable=True),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("author_id", columns.BigId, nullable=True),
        sa.Column("at", columns.UtcDateTime(), nullable=False),
        sa.CheckConstraint("offset_c BETWEEN -10 AND 10", name=op.f("ck_sensor_offset__offset")),
        sa.ForeignKeyConstraint(["author_id"], ["principal.id"], name=op.f("fk_sensor_offset__author_id")),
        sa.ForeignKeyConstraint(["sensor_id"], ["sensor.id"], name=op.f("fk_sensor_offset__sensor_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sensor_offset")),
    )
    op.create_index("ix_sensor_offset__sensor", "sensor_offset", ["sensor_id", "from_ms"], unique=False)
    op.create_table(
        "sensor_place",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("sensor_id", columns.BigId, nullable=False),
        sa.Column("zone_id", columns.BigId, nullable=False),
        sa.Column("from_ms", sa.BigInteger(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("author_id", columns.BigId, nullable=True),
        sa.Column("at", columns.UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(["author_id"], ["principal.id"], name=op.f("fk_sensor_place__author_id")),
        sa.ForeignKeyConstraint(["sensor_id"], ["sensor.id"], name=op.f("fk_sensor_place__sensor_id")),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_sensor_place__zone_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sensor_place")),
    )
    op.create_index("ix_sensor_place__sensor", "sensor_place", ["sensor_id", "from_ms"], unique=False)
    op.create_index("ix_sensor_place__zone", "sensor_place", ["zone_id", "sensor_id"], unique=False)
    op.create_table(
        "excursion_decision",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("excursion_id", columns.BigId, nullable=False),
        sa.Column("lot_id", columns.BigId, nullable=False),
        sa.Column("decision", sa.String(), nullable=False),
        sa.Column("best_before_on", sa.Date(), nullable=True),
        sa.Column("best_before_was_on", sa.Date(), nullable=True),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("units", sa.Integer(), nullable=False),
        sa.Column("decided_at", columns.UtcDateTime(), nullable=False),
        sa.Column("decided_by", columns.BigId, nullable=False),
        sa.Column("signed", sa.String(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.CheckConstraint(
            "decision IN ('release', 'reject', 'shorten date')", name=op.f("ck_excursion_decision__decision")
        ),
        sa.ForeignKeyConstraint(
            ["decided_by"], ["principal.id"], name=op.f("fk_excursion_decision__decided_by")
        ),
        sa.ForeignKeyConstraint(
            ["excursion_id"], ["excursion.id"], name=op.f("fk_excursion_decision__excursion_id")
        ),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_excursion_decision__lot_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_excursion_decision__site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_excursion_decision")),
    )
    op.create_index(
        "ix_excursion_decision__excursion",
        "excursion_decision",
        ["excursion_id", "lot_id", "id"],
        unique=False,
    )
    op.create_table(
        "excursion_hold",
        sa.Column("excursion_id", sa.BigInteger(), nullable=False),
        sa.Column("unit_id", sa.BigInteger(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["excursion_id"], ["excursion.id"], name=op.f("fk_excursion_hold__excursion_id")
        ),
        sa.ForeignKeyConstraint(["unit_id"], ["unit.id"], name=op.f("fk_excursion_hold__unit_id")),
        sa.PrimaryKeyConstraint("excursion_id", "unit_id", name=op.f("pk_excursion_hold")),
    )
    op.create_index("ix_excursion_hold__unit", "excursion_hold", ["unit_id"], unique=False)


def _alter_cold() -> None:
    add("sensor", f"stands_since_ms BIGINT NOT NULL DEFAULT {EARLIEST_MS}")
    add("sensor", f"registered_at INSTANT NOT NULL DEFAULT '{EARLIEST_AT}'")
    add("sensor", "last_c FLOAT")
    add("sensor", "heard_ms BIGINT")
    add("sensor", "has_quarantined BOOLEAN NOT NULL DEFAULT FALSE")
    op.execute(
        "UPDATE sensor SET heard_ms = last_at_ms, last_c = (SELECT temp_c FROM reading"
        " WHERE reading.site_id = sensor.site_id AND reading.sensor_id = sensor.id"
        " AND reading.at_ms = sensor.last_at_ms)"
    )
    op.execute(
        "INSERT INTO sensor_place (sensor_id, zone_id, from_ms, reason, at)"
        f" SELECT id, zone_id, {EARLIEST_MS}, 'registered', '{EARLIEST_AT}' FROM sensor"
    )
    add("excursion_rule", "product_id ID CONSTRAINT fk_excursion_rule__product_id REFERENCES product (id)")
    add(
        "excursion_rule",
        "hysteresis_c FLOAT NOT NULL DEFAULT 0"
        " CONSTRAINT ck_excursion_rule__hysteresis CHECK (hysteresis_c >= 0)",
    )
    # What was watched without a guard band is so from now on too; null would mean the sensor's own error.
    add("excursion_rule", "guard_c FLOAT CONSTRAINT ck_excursion_rule__guard CHECK (guard_c >= 0)")
    op.execute("UPDATE excursion_rule SET guard_c = 0")
    add(
        "excursion_rule",
        "escalate_after_s INTEGER CONSTRAINT ck_excursion_rule__escalation CHECK (escalate_after_s > 0)",
    )
    change_check("excursion", "kind", KINDS, MORE_KINDS)
    add("excursion", "other_sensor_id ID CONSTRAINT fk_excursion__other_sensor_id REFERENCES sensor (id)")
    add("excursion", "is_end_told BOOLEAN NOT NULL DEFAULT FALSE")
    add("excursion", "escalate_after_s INTEGER")
    add("excursion", "escalation_level INTEGER NOT NULL DEFAULT 0")
    add("excursion", "escalated_at INSTANT")
    add("excursion", "merged_into_id ID CONSTRAINT fk_excursion__merged_into_id REFERENCES excursion (id)")
    add("excursion", "touched_from VARCHAR NOT NULL DEFAULT ''")
    add("excursion", "touched_at INSTANT")
    op.execute("UPDATE excursion SET is_end_told = TRUE WHERE ended_at IS NOT NULL")
    op.drop_index("uq_excursion__silent", table_name="excursion")
    for name, on, where, is_unique in EXCURSION_INDEXES:
        op.create_index(
            name,
            "excursion",
            on,
            unique=is_unique,
            sqlite_where=sa.text(where),
            postgresql_where=sa.text(where),
        )


EXCURSION_INDEXES = (
    ("ix_excursion__running", ["site_id"], "ended_at IS NULL", False),
    ("ix_excursion__unanswered", ["site_id"], "acknowledged_at IS NULL", False),
    (
        "uq_excursion__pair",
        ["sensor_id", "other_sensor_id", "started_at"],
        "other_sensor_id IS NOT NULL",
        True,
    ),
    (
        "uq_excursion__sensor",
        ["sensor_id", "kind", "started_at"],
        "sensor_id IS NOT NULL AND other_sensor_id IS NULL",
        True,
    ),
)


READING = (
    "site_id BIGINT NOT NULL, sensor_id BIGINT NOT NULL, at_ms BIGINT NOT NULL, temp_c FLOAT NOT NULL,"
    " received_at_ms BIGINT NOT NULL, CONSTRAINT pk_reading PRIMARY KEY (site_id, sensor_id, at_ms)"
)
READING_KEYS = (
    ", CONSTRAINT fk_reading__site_id FOREIGN KEY(site_id) REFERENCES site (id)"
    ", CONSTRAINT fk_reading__sensor_id FOREIGN KEY(sensor_id) REFERENCES sensor (id)"
)


def _split_readings() -> None:
    """Cut the readings by month on PostgreSQL; take their foreign keys away on both."""
    if not is_sqlite():
        partitions.split_by_month(op.get_bind(), "reading", "at_ms")
    else:
        _make_readings_anew(READING)


def _make_readings_anew(columns_sql: str) -> None:
    op.execute("ALTER TABLE reading RENAME TO reading_before")
    op.execute(f"CREATE TABLE reading ({columns_sql}) WITHOUT ROWID")
    op.execute("INSERT INTO reading SELECT * FROM reading_before")
    op.execute("DROP TABLE reading_before")


def downgrade() -> None:
    _join_readings()
    _alter_cold_back()
    _drop_tables()


def _join_readings() -> None:
    if is_sqlite():
        _make_readings_anew(READING + READING_KEYS)
        return
    partitions.join_months(op.get_bind(), "reading")
    for name, other in (("site_id", "site"), ("sensor_id", "sensor")):
        op.create_foreign_key(op.f(f"fk_reading__{name}"), "reading", other, [name], ["id"])


def _alter_cold_back() -> None:
    op.execute("DELETE FROM excursion_decision")
    op.execute("DELETE FROM excursion_hold")
    op.execute(
        f"DELETE FROM excursion_content WHERE excursion_id IN (SELECT id FROM excursion WHERE NOT ({KINDS}))"
    )
    for name, _, _, _ in EXCURSION_INDEXES:
        op.drop_index(name, table_name="excursion")
    for name in (
        "touched_at",
        "touched_from",
        "merged_into_id",
        "escalated_at",
        "escalation_level",
        "escalate_after_s",
        "is_end_told",
        "other_sensor_id",
    ):
        op.drop_column("excursion", name)
    op.execute(f"DELETE FROM excursion WHERE NOT ({KINDS})")
    change_check("excursion", "kind", MORE_KINDS, KINDS)
    where = sa.text("sensor_id IS NOT NULL")
    op.create_index(
        "uq_excursion__silent",
        "excursion",
        ["sensor_id", "started_at"],
        unique=True,
        sqlite_where=where,
        postgresql_where=where,
    )
    for name in ("escalate_after_s", "guard_c", "hysteresis_c", "product_id"):
        op.drop_column("excursion_rule", name)
    for name in ("has_quarantined", "heard_ms", "last_c", "registered_at", "stands_since_ms"):
        op.drop_column("sensor", name)


def _drop_tables() -> None:
    op.drop_index("ix_excursion_hold__unit", table_name="excursion_hold")
    op.drop_table("excursion_hold")
    op.drop_index("ix_excursion_decision__excursion", table_name="excursion_decision")
    op.drop_table("excursion_decision")
    op.drop_index("ix_sensor_place__zone", table_name="sensor_place")
    op.drop_index("ix_sensor_place__sensor", table_name="sensor_place")
    op.drop_table("sensor_place")
    op.drop_index("ix_sensor_offset__sensor", table_name="sensor_offset")
    op.drop_table("sensor_offset")
    op.drop_table("reading_hour")
    op.drop_index("ix_reading_correction__sensor", table_name="reading_correction")
    op.drop_table("reading_correction")
    op.drop_index("ix_quarantined_reading__waiting", table_name="quarantined_reading")
    op.drop_index("ix_quarantined_reading__sensor", table_name="quarantined_reading")
    op.drop_table("quarantined_reading")
    op.drop_table("air_change")
    op.drop_table("reading_books")
