"""Corrections of the empties reported at a drop; what was reported before stays."""

import sqlalchemy as sa
from alembic import op

from rimekeep.platform import columns
from rimekeep.platform.alter import add

revision = "0032"
down_revision = "0031"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "empties_correction",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("trip_id", columns.BigId, nullable=False),
        sa.Column("drop_no", sa.Integer(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("corrected_at", columns.UtcDateTime(), nullable=False),
        sa.Column("corrected_by", columns.BigId, nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_empties_correction__site_id")),
        sa.ForeignKeyConstraint(["trip_id"], ["trip.id"], name=op.f("fk_empties_correction__trip_id")),
        sa.ForeignKeyConstraint(
            ["corrected_by"], ["principal.id"], name=op.f("fk_empties_correction__corrected_by")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_empties_correction")),
    )
    op.create_index("ix_empties_correction__trip", "empties_correction", ["trip_id", "drop_no"], unique=False)
    add(
        "drop_empties",
        "correction_id ID CONSTRAINT fk_drop_empties__correction_id REFERENCES empties_correction (id)",
    )


def downgrade() -> None:
    # The version before knows one report a drop: the one that holds.
    op.execute(
        "DELETE FROM drop_empties WHERE EXISTS (SELECT 1 FROM empties_correction AS c "
        "WHERE c.trip_id = drop_empties.trip_id AND c.drop_no = drop_empties.drop_no "
        "AND c.id > COALESCE(drop_empties.correction_id, 0))"
    )
    op.drop_column("drop_empties", "correction_id")
    op.drop_index("ix_empties_correction__trip", table_name="empties_correction")
    op.drop_table("empties_correction")
