"""What was refused at drops, case by case, empties taken back, and what goods that come back need."""

import sqlalchemy as sa
from alembic import op

from rimekeep.platform import columns
from rimekeep.platform.alter import is_sqlite, tie_check

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None

STANDING = ["trip_id", "row_no", "lane_no"]
ONCE = "uq_deck_place__trip_id_row_no_lane_no"


def _deck_place() -> sa.Table:
    """Return the table as it was, for a copy of it: SQLite drops no constraint in place."""
    return sa.Table(
        "deck_place",
        sa.MetaData(),
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("trip_id", columns.BigId, nullable=False),
        sa.Column("unit_id", columns.BigId, nullable=False),
        sa.Column("order_id", columns.BigId, nullable=False),
        sa.Column("row_no", sa.Integer(), nullable=False),
        sa.Column("lane_no", sa.Integer(), nullable=False),
        sa.Column("drop_no", sa.Integer(), nullable=False),
        sa.Column("mass_kg", sa.Float(), nullable=False),
        sa.Column("loaded_at", columns.UtcDateTime(), nullable=True),
        sa.Column("fate", sa.String(), nullable=True),
        sa.Column("off_at", columns.UtcDateTime(), nullable=True),
        sa.Column("is_pinned", sa.Boolean(), server_default=sa.text("false"), nullable=False),
        sa.ForeignKeyConstraint(["order_id"], ["sales_order.id"], name="fk_deck_place__order_id"),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name="fk_deck_place__site_id"),
        sa.ForeignKeyConstraint(["trip_id"], ["trip.id"], name="fk_deck_place__trip_id"),
        sa.ForeignKeyConstraint(["unit_id"], ["unit.id"], name="fk_deck_place__unit_id"),
        sa.PrimaryKeyConstraint("id", name="pk_deck_place"),
        sa.UniqueConstraint("trip_id", "unit_id", name="uq_deck_place__trip_id_unit_id"),
        sa.Index("ix_deck_place__order_id", "order_id"),
        sa.Index("ix_deck_place__unit_id", "unit_id"),
    )


def _hold_places_once(*, is_always: bool) -> None:
    """Hold a place to one unit: at any time of a trip, or at a time."""
    if is_sqlite():
        before = _deck_place()
        if not is_always:
            before.append_constraint(sa.UniqueConstraint(*STANDING, name=ONCE))
        with op.batch_alter_table("deck_place", copy_from=before, recreate="always") as batch:
            if is_always:
                batch.create_unique_constraint(ONCE, STANDING)
            else:
                batch.drop_constraint(ONCE, type_="unique")
        tie_check("deck_place", "fate", "VARCHAR", "fate", "fate IN ('delivered', 'refused', 'returned')")
    elif is_always:
        op.create_unique_constraint(op.f(ONCE), "deck_place", STANDING)
    else:
        op.drop_constraint(op.f(ONCE), "deck_place", type_="unique")


def upgrade() -> None:
    _hold_places_once(is_always=False)
    op.create_index(
        "uq_deck_place__standing",
        "deck_place",
        STANDING,
        unique=True,
        sqlite_where=sa.text("off_at IS NULL"),
        postgresql_where=sa.text("off_at IS NULL"),
    )
    _make_tables()


def downgrade() -> None:
    op.drop_table("return_rule")
    op.drop_table("drop_empties")
    op.drop_table("drop_refusal")
    # Refused parts stand where what they were taken from stood; the version before knows no such thing.
    op.execute(
        "UPDATE deck_place SET lane_no = lane_no + 1000 WHERE off_at IS NOT NULL AND EXISTS ("
        "SELECT 1 FROM deck_place AS other WHERE other.trip_id = deck_place.trip_id"
        " AND other.row_no = deck_place.row_no AND other.lane_no = deck_place.lane_no"
        " AND other.id > deck_place.id)"
    )
    op.drop_index("uq_deck_place__standing", table_name="deck_place")
    _hold_places_once(is_always=True)


def _make_tables() -> None:
    op.create_table(
        "drop_refusal",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("trip_id", columns.BigId, nullable=False),
        sa.Column("drop_no", sa.Integer(), nullable=False),
        sa.Column("unit_id", columns.BigId, nullable=False),
        sa.Column("refused_unit_id", columns.BigId, nullable=False),
        sa.Column("cases", sa.Integer(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.CheckConstraint("cases > 0", name=op.f("ck_drop_refusal__cases")),
        sa.ForeignKeyConstraint(
            ["refused_unit_id"], ["unit.id"], name=op.f("fk_drop_refusal__refused_unit_id")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_drop_refusal__site_id")),
        sa.ForeignKeyConstraint(["trip_id"], ["trip.id"], name=op.f("fk_drop_refusal__trip_id")),
        sa.ForeignKeyConstraint(["unit_id"], ["unit.id"], name=op.f("fk_drop_refusal__unit_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_drop_refusal")),
    )
    op.create_index("ix_drop_refusal__trip", "drop_refusal", ["trip_id", "drop_no"], unique=False)
    op.create_table(
        "drop_empties",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("trip_id", columns.BigId, nullable=False),
        sa.Column("drop_no", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("pieces", sa.Integer(), nullable=False),
        sa.Column("mass_kg", sa.Float(), nullable=True),
        sa.CheckConstraint(
            "kind IN ('pallet', 'keg', 'crate', 'tier-sheet')", name=op.f("ck_drop_empties__kind")
        ),
        sa.CheckConstraint("pieces > 0 AND mass_kg >= 0", name=op.f("ck_drop_empties__pieces")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_drop_empties__site_id")),
        sa.ForeignKeyConstraint(["trip_id"], ["trip.id"], name=op.f("fk_drop_empties__trip_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_drop_empties")),
    )
    op.create_index("ix_drop_empties__trip", "drop_empties", ["trip_id", "drop_no"], unique=False)
    op.create_table(
        "return_rule",
        sa.Column("site_id", sa.BigInteger(), nullable=False),
        sa.Column("min_life_days", sa.Float(), nullable=False),
        sa.Column("most_unmeasured_s", sa.Integer(), nullable=False),
        sa.Column("set_at", columns.UtcDateTime(), nullable=False),
        sa.Column("set_by", columns.BigId, nullable=False),
        sa.ForeignKeyConstraint(["set_by"], ["principal.id"], name=op.f("fk_return_rule__set_by")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_return_rule__site_id")),
        sa.PrimaryKeyConstraint("site_id", name=op.f("pk_return_rule")),
    )
