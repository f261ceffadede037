"""Units pinned on a deck; planning in the background; what was loaded otherwise than planned."""

import sqlalchemy as sa
from alembic import op

from rimekeep.platform import columns
from rimekeep.platform.alter import add

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None


def upgrade() -> None:
    add("deck_place", "is_pinned BOOLEAN NOT NULL DEFAULT false")
    op.create_table(
        "planning_job",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("ship_on", sa.Date(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("asked", columns.Json, nullable=False),
        sa.Column("asked_at", columns.UtcDateTime(), nullable=False),
        sa.Column("asked_by", columns.BigId, nullable=False),
        sa.Column("begun_at", columns.UtcDateTime(), nullable=True),
        sa.Column("heard_at", columns.UtcDateTime(), nullable=True),
        sa.Column("ended_at", columns.UtcDateTime(), nullable=True),
        sa.Column("stage", sa.String(), nullable=False),
        sa.Column("vehicles", sa.Integer(), nullable=True),
        sa.Column("lower_bound", sa.Integer(), nullable=True),
        sa.Column("wants_stop", sa.Boolean(), nullable=False),
        sa.Column("plan_id", columns.BigId, nullable=True),
        sa.Column("problem", columns.Json, nullable=False),
        sa.CheckConstraint(
            "state IN ('waiting', 'running', 'done', 'cancelled', 'failed', 'interrupted')",
            name=op.f("ck_planning_job__state"),
        ),
        sa.CheckConstraint("(plan_id IS NOT NULL) = (state = 'done')", name=op.f("ck_planning_job__plan")),
        sa.ForeignKeyConstraint(["asked_by"], ["principal.id"], name=op.f("fk_planning_job__asked_by")),
        sa.ForeignKeyConstraint(["plan_id"], ["load_plan.id"], name=op.f("fk_planning_job__plan_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_planning_job__site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_planning_job")),
    )
    op.create_table(
        "load_deviation",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("trip_id", columns.BigId, nullable=False),
        sa.Column("unit_id", columns.BigId, nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("detail", sa.String(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("at", columns.UtcDateTime(), nullable=False),
        sa.Column("by", columns.BigId, nullable=False),
        sa.CheckConstraint("kind IN ('wrong-order', 'wrong-place')", name=op.f("ck_load_deviation__kind")),
        sa.ForeignKeyConstraint(["by"], ["principal.id"], name=op.f("fk_load_deviation__by")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_load_deviation__site_id")),
        sa.ForeignKeyConstraint(["trip_id"], ["trip.id"], name=op.f("fk_load_deviation__trip_id")),
        sa.ForeignKeyConstraint(["unit_id"], ["unit.id"], name=op.f("fk_load_deviation__unit_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_load_deviation")),
    )
    op.create_index("ix_load_deviation__trip", "load_deviation", ["trip_id", "id"], unique=False)
    op.create_index("ix_planning_job__day", "planning_job", ["site_id", "ship_on"], unique=False)
    op.create_index(
        "ix_planning_job__open",
        "planning_job",
        ["id"],
        unique=False,
        sqlite_where=sa.text("state IN ('waiting', 'running')"),
        postgresql_where=sa.text("state IN ('waiting', 'running')"),
    )


def downgrade() -> None:
    op.drop_table("load_deviation")
    op.drop_table("planning_job")
    op.drop_column("deck_place", "is_pinned")
