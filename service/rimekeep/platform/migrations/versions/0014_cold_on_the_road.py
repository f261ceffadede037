"""What the road ahead does to a trip's cold, and temperatures taken at loading."""

import sqlalchemy as sa
from alembic import op

from rimekeep.platform import columns
from rimekeep.platform.alter import add

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None


def upgrade() -> None:
    add("trip", "road DOC NOT NULL DEFAULT '{}'")
    add("trip", "cold DOC NOT NULL DEFAULT '{}'")
    op.create_table(
        "road_defaults",
        sa.Column("site_id", sa.BigInteger(), nullable=False),
        sa.Column("facts", columns.Json, nullable=False),
        sa.Column("set_at", columns.UtcDateTime(), nullable=False),
        sa.Column("set_by", columns.BigId, nullable=False),
        sa.ForeignKeyConstraint(["set_by"], ["principal.id"], name=op.f("fk_road_defaults__set_by")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_road_defaults__site_id")),
        sa.PrimaryKeyConstraint("site_id", name=op.f("pk_road_defaults")),
    )
    op.create_table(
        "load_temperature",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("trip_id", columns.BigId, nullable=False),
        sa.Column("unit_id", columns.BigId, nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("temp_c", sa.Float(), nullable=False),
        sa.Column("probe", sa.String(), nullable=False),
        sa.Column("carry_min_c", sa.Float(), nullable=False),
        sa.Column("carry_max_c", sa.Float(), nullable=False),
        sa.Column("measured_at", columns.UtcDateTime(), nullable=False),
        sa.Column("measured_by", columns.BigId, nullable=False),
        sa.Column("accepted_at", columns.UtcDateTime(), nullable=True),
        sa.Column("accepted_by", columns.BigId, nullable=True),
        sa.Column("accepted_reason", sa.String(), nullable=False),
        sa.CheckConstraint("kind IN ('core', 'surface')", name=op.f("ck_load_temperature__kind")),
        sa.CheckConstraint(
            "(accepted_at IS NULL) = (accepted_by IS NULL)", name=op.f("ck_load_temperature__accepted")
        ),
        sa.ForeignKeyConstraint(
            ["accepted_by"], ["principal.id"], name=op.f("fk_load_temperature__accepted_by")
        ),
        sa.ForeignKeyConstraint(
            ["measured_by"], ["principal.id"], name=op.f("fk_load_temperature__measured_by")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_load_temperature__site_id")),
        sa.ForeignKeyConstraint(["trip_id"], ["trip.id"], name=op.f("fk_load_temperature__trip_id")),
        sa.ForeignKeyConstraint(["unit_id"], ["unit.id"], name=op.f("fk_load_temperature__unit_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_load_temperature")),
    )
    op.create_index(
        "ix_load_temperature__unit", "load_temperature", ["trip_id", "unit_id", "id"], unique=False
    )


def downgrade() -> None:
    op.drop_index("ix_load_temperature__unit", table_name="load_temperature")
    op.drop_table("load_temperature")
    op.drop_table("road_defaults")
    op.drop_column("trip", "cold")
    op.drop_column("trip", "road")
