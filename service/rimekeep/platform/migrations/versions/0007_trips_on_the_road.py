"""Trips watched on the road, delivered drop by drop, and ended."""

import sqlalchemy as sa
from alembic import op

from rimekeep.platform import columns

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "trip_watch",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("zone_id", columns.BigId, nullable=False),
        sa.Column("trip_id", sa.BigInteger(), nullable=False),
        sa.Column("vehicle", sa.String(), nullable=False),
        sa.Column("from_at", columns.UtcDateTime(), nullable=False),
        sa.Column("until_at", columns.UtcDateTime(), nullable=True),
        sa.Column("drops", columns.Json, nullable=False),
        sa.CheckConstraint("until_at >= from_at", name=op.f("ck_trip_watch__order")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_trip_watch__site_id")),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_trip_watch__zone_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_trip_watch")),
    )
    op.create_index("ix_trip_watch__trip", "trip_watch", ["trip_id"], unique=False)
    op.create_index("ix_trip_watch__zone", "trip_watch", ["site_id", "zone_id", "from_at"], unique=False)
    op.create_index(
        "uq_trip_watch__open",
        "trip_watch",
        ["zone_id"],
        unique=True,
        sqlite_where=sa.text("until_at IS NULL"),
        postgresql_where=sa.text("until_at IS NULL"),
    )

    op.create_table(
        "drop_delivery",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("trip_id", columns.BigId, nullable=False),
        sa.Column("drop_no", sa.Integer(), nullable=False),
        sa.Column("delivered_at", columns.UtcDateTime(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("recorded_at", columns.UtcDateTime(), nullable=False),
        sa.Column("recorded_by", columns.BigId, nullable=False),
        sa.ForeignKeyConstraint(
            ["recorded_by"], ["principal.id"], name=op.f("fk_drop_delivery__recorded_by")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_drop_delivery__site_id")),
        sa.ForeignKeyConstraint(["trip_id"], ["trip.id"], name=op.f("fk_drop_delivery__trip_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_drop_delivery")),
        sa.UniqueConstraint("trip_id", "drop_no", name=op.f("uq_drop_delivery__trip_id_drop_no")),
    )
    op.execute(
        "ALTER TABLE deck_place ADD COLUMN fate VARCHAR CONSTRAINT ck_deck_place__fate"
        " CHECK (fate IN ('delivered', 'refused', 'returned'))"
    )
    op.add_column("deck_place", sa.Column("off_at", columns.UtcDateTime(), nullable=True))
    op.add_column("excursion", sa.Column("trip_id", sa.BigInteger(), nullable=True))
    op.add_column("trip", sa.Column("ended_at", columns.UtcDateTime(), nullable=True))


def downgrade() -> None:
    op.drop_column("trip", "ended_at")
    op.drop_column("excursion", "trip_id")
    op.drop_column("deck_place", "off_at")
    op.drop_column("deck_place", "fate")
    op.drop_table("drop_delivery")
    op.drop_table("trip_watch")
