"""Pallets built, lists shared and taken over, counts, refills."""

import sqlalchemy as sa
from alembic import op

from rimekeep.platform import columns
from rimekeep.platform.alter import add, add_check, allow_null, change_check, drop_check

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None

PICKS = "state IN ('open', 'done', 'short')"
MORE_PICKS = "state IN ('open', 'done', 'short', 'withdrawn')"
ALLOCATIONS = "state IN ('reserved', 'picked', 'returned')"
MORE_ALLOCATIONS = "state IN ('reserved', 'picked', 'surplus', 'returned')"


def upgrade() -> None:
    _make_tables()
    _alter_tables()


def downgrade() -> None:
    # What the version before has no word for.
    op.execute("UPDATE pick SET state = 'short' WHERE state = 'withdrawn'")
    op.execute("UPDATE allocation SET state = 'picked' WHERE state = 'surplus'")
    allow_null("pick_list", "order_id", "INTEGER", is_allowed=False)
    change_check("allocation", "state", MORE_ALLOCATIONS, ALLOCATIONS)
    change_check("pick", "state", MORE_PICKS, PICKS)
    op.drop_column("zone", "max_unit_mass_kg")
    op.drop_column("zone", "max_unit_height_mm")
    op.drop_column("zone", "units_per_walk")
    op.drop_column("zone", "is_one_way")
    op.drop_column("zone", "level_penalty_m")
    op.drop_column("zone", "cross_aisles_after")
    op.drop_column("unit", "counted_at")
    op.drop_column("unit", "placed_at")
    op.drop_column("pick_list", "taken_over_at")
    op.drop_column("pick_list", "taken_over_from_id")
    op.drop_index(op.f("ix_pick__planned_unit_id"), table_name="pick")
    op.drop_column("pick", "note")
    op.drop_column("pick", "tier")
    op.drop_column("pick", "planned_unit_id")
    drop_check("bay", "room", "depth >= 1 AND capacity_units >= 1")
    op.drop_column("bay", "counted_at")
    op.drop_column("bay", "capacity_units")
    op.drop_column("bay", "depth")
    op.drop_column("bay", "role")
    op.drop_index("ix_allocation__reserved", table_name="allocation")
    op.drop_index("ix_replenishment__next", table_name="replenishment")
    op.drop_index(op.f("ix_replenishment__pick_face_id"), table_name="replenishment")
    op.drop_table("replenishment")
    op.drop_index(op.f("ix_planned_unit__unit_id"), table_name="planned_unit")
    op.drop_table("planned_unit")
    op.drop_index(op.f("ix_count_line__count_id"), table_name="count_line")
    op.drop_table("count_line")
    op.drop_index("ix_stock_count__state", table_name="stock_count")
    op.drop_index("uq_stock_count__bay", table_name="stock_count")
    op.drop_index("uq_stock_count__unit", table_name="stock_count")
    op.drop_table("stock_count")
    op.drop_index(op.f("ix_waste_told__site_id"), table_name="waste_told")
    op.drop_table("waste_told")
    op.drop_index(op.f("ix_pick_face__site_id"), table_name="pick_face")
    op.drop_table("pick_face")


def _make_tables() -> None:
    op.create_table(
        "pick_face",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("bay_id", columns.BigId, nullable=False),
        sa.Column("product_id", columns.BigId, nullable=False),
        sa.Column("min_cases", sa.Integer(), nullable=False),
        sa.Column("max_cases", sa.Integer(), nullable=False),
        sa.CheckConstraint("min_cases >= 0 AND max_cases > min_cases", name=op.f("ck_pick_face__cases")),
        sa.ForeignKeyConstraint(["bay_id"], ["bay.id"], name=op.f("fk_pick_face__bay_id")),
        sa.ForeignKeyConstraint(["product_id"], ["product.id"], name=op.f("fk_pick_face__product_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_pick_face__site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pick_face")),
        sa.UniqueConstraint("bay_id", "product_id", name=op.f("uq_pick_face__bay_id_product_id")),
    )
    op.create_index(op.f("ix_pick_face__site_id"), "pick_face", ["site_id"], unique=False)
    op.create_table(
        "waste_told",
        sa.Column("lot_id", sa.BigInteger(), nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("cases", sa.Integer(), nullable=False),
        sa.Column("told_at", columns.UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_waste_told__lot_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_waste_told__site_id")),
        sa.PrimaryKeyConstraint("lot_id", name=op.f("pk_waste_told")),
    )
    op.create_index(op.f("ix_waste_told__site_id"), "waste_told", ["site_id"], unique=False)
    op.create_table(
        "stock_count",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("zone_id", columns.BigId, nullable=False),
        sa.Column("bay_id", columns.BigId, nullable=True),
        sa.Column("unit_id", columns.BigId, nullable=True),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("score", sa.Float(), nullable=False),
        sa.Column("reasons", columns.Json, nullable=False),
        sa.Column("round", sa.Integer(), nullable=False),
        sa.Column("counter_id", columns.BigId, nullable=True),
        sa.Column("leased_until", columns.UtcDateTime(), nullable=True),
        sa.Column("before_id", columns.BigId, nullable=True),
        sa.Column("made_at", columns.UtcDateTime(), nullable=False),
        sa.Column("counted_at", columns.UtcDateTime(), nullable=True),
        sa.Column("done_at", columns.UtcDateTime(), nullable=True),
        sa.Column("decided_by", columns.BigId, nullable=True),
        sa.Column("reason", sa.String(), nullable=False),
        sa.CheckConstraint(
            "state IN ('open', 'taken', 'waiting', 'done')", name=op.f("ck_stock_count__state")
        ),
        sa.CheckConstraint("bay_id IS NOT NULL OR unit_id IS NOT NULL", name=op.f("ck_stock_count__place")),
        sa.ForeignKeyConstraint(["bay_id"], ["bay.id"], name=op.f("fk_stock_count__bay_id")),
        sa.ForeignKeyConstraint(["before_id"], ["principal.id"], name=op.f("fk_stock_count__before_id")),
        sa.ForeignKeyConstraint(["counter_id"], ["principal.id"], name=op.f("fk_stock_count__counter_id")),
        sa.ForeignKeyConstraint(["decided_by"], ["principal.id"], name=op.f("fk_stock_count__decided_by")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_stock_count__site_id")),
        sa.ForeignKeyConstraint(["unit_id"], ["unit.id"], name=op.f("fk_stock_count__unit_id")),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_stock_count__zone_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stock_count")),
    )
    op.create_index("ix_stock_count__state", "stock_count", ["site_id", "state", "id"], unique=False)
    op.create_index(
        "uq_stock_count__bay",
        "stock_count",
        ["bay_id"],
        unique=True,
        sqlite_where=sa.text("state <> 'done' AND unit_id IS NULL"),
        postgresql_where=sa.text("state <> 'done' AND unit_id IS NULL"),
    )
    op.create_index(
        "uq_stock_count__unit",
        "stock_count",
        ["unit_id"],
        unique=True,
        sqlite_where=sa.text("state <> 'done' AND unit_id IS NOT NULL"),
        postgresql_where=sa.text("state <> 'done' AND unit_id IS NOT NULL"),
    )
    op.create_table(
        "count_line",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("count_id", columns.BigId, nullable=False),
        sa.Column("round", sa.Integer(), nullable=False),
        sa.Column("finding", sa.String(), nullable=False),
        sa.Column("sscc", sa.String(), nullable=False),
        sa.Column("unit_id", columns.BigId, nullable=True),
        sa.Column("content_id", columns.BigId, nullable=True),
        sa.Column("lot_id", columns.BigId, nullable=True),
        sa.Column("counted_cases", sa.Integer(), nullable=False),
        sa.Column("recorded_cases", sa.Integer(), nullable=False),
        sa.Column("adjusted_cases", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "finding IN ('agrees', 'in hand', 'fewer', 'more', 'unclear', 'missing', 'wrong bay', "
            "'found again', 'not stock', 'unknown unit')",
            name=op.f("ck_count_line__finding"),
        ),
        sa.CheckConstraint("counted_cases >= 0 AND recorded_cases >= 0", name=op.f("ck_count_line__cases")),
        sa.ForeignKeyConstraint(["content_id"], ["unit_content.id"], name=op.f("fk_count_line__content_id")),
        sa.ForeignKeyConstraint(["count_id"], ["stock_count.id"], name=op.f("fk_count_line__count_id")),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_count_line__lot_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_count_line__site_id")),
        sa.ForeignKeyConstraint(["unit_id"], ["unit.id"], name=op.f("fk_count_line__unit_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_count_line")),
    )
    op.create_index(op.f("ix_count_line__count_id"), "count_line", ["count_id"], unique=False)
    op.create_table(
        "planned_unit",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("list_id", columns.BigId, nullable=False),
        sa.Column("order_id", columns.BigId, nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("sscc", sa.String(), nullable=False),
        sa.Column("unit_id", columns.BigId, nullable=True),
        sa.ForeignKeyConstraint(["list_id"], ["pick_list.id"], name=op.f("fk_planned_unit__list_id")),
        sa.ForeignKeyConstraint(["order_id"], ["sales_order.id"], name=op.f("fk_planned_unit__order_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_planned_unit__site_id")),
        sa.ForeignKeyConstraint(["unit_id"], ["unit.id"], name=op.f("fk_planned_unit__unit_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_planned_unit")),
        sa.UniqueConstraint("list_id", "number", name=op.f("uq_planned_unit__list_id_number")),
        sa.UniqueConstraint("site_id", "sscc", name=op.f("uq_planned_unit__site_id_sscc")),
    )
    op.create_index(op.f("ix_planned_unit__unit_id"), "planned_unit", ["unit_id"], unique=False)
    op.create_table(
        "replenishment",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("pick_face_id", columns.BigId, nullable=False),
        sa.Column("content_id", columns.BigId, nullable=False),
        sa.Column("cases", sa.Integer(), nullable=False),
        sa.Column("is_whole_unit", sa.Boolean(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("driver_id", columns.BigId, nullable=True),
        sa.Column("leased_until", columns.UtcDateTime(), nullable=True),
        sa.Column("made_at", columns.UtcDateTime(), nullable=False),
        sa.Column("done_at", columns.UtcDateTime(), nullable=True),
        sa.Column("to_unit_id", columns.BigId, nullable=True),
        sa.Column("note", sa.String(), nullable=False),
        sa.CheckConstraint(
            "state IN ('open', 'taken', 'done', 'dropped')", name=op.f("ck_replenishment__state")
        ),
        sa.CheckConstraint("cases > 0", name=op.f("ck_replenishment__cases")),
        sa.ForeignKeyConstraint(
            ["content_id"], ["unit_content.id"], name=op.f("fk_replenishment__content_id")
        ),
        sa.ForeignKeyConstraint(["driver_id"], ["principal.id"], name=op.f("fk_replenishment__driver_id")),
        sa.ForeignKeyConstraint(
            ["pick_face_id"], ["pick_face.id"], name=op.f("fk_replenishment__pick_face_id")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_replenishment__site_id")),
        sa.ForeignKeyConstraint(["to_unit_id"], ["unit.id"], name=op.f("fk_replenishment__to_unit_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_replenishment")),
    )
    op.create_index("ix_replenishment__next", "replenishment", ["site_id", "state", "id"], unique=False)
    op.create_index(op.f("ix_replenishment__pick_face_id"), "replenishment", ["pick_face_id"], unique=False)


def _alter_tables() -> None:
    op.create_index(
        "ix_allocation__reserved",
        "allocation",
        ["site_id"],
        unique=False,
        sqlite_where=sa.text("state = 'reserved'"),
        postgresql_where=sa.text("state = 'reserved'"),
    )
    add(
        "bay", "role VARCHAR NOT NULL DEFAULT 'bulk' CONSTRAINT ck_bay__role CHECK (role IN ('bulk', 'pick'))"
    )
    add("bay", "depth INTEGER NOT NULL DEFAULT 1")
    add("bay", "capacity_units INTEGER")
    add("bay", "counted_at INSTANT")
    add_check("bay", "room", "depth >= 1 AND capacity_units >= 1")
    add("pick", "planned_unit_id ID CONSTRAINT fk_pick__planned_unit_id REFERENCES planned_unit (id)")
    add("pick", "tier INTEGER")
    add("pick", "note VARCHAR NOT NULL DEFAULT ''")
    op.create_index(op.f("ix_pick__planned_unit_id"), "pick", ["planned_unit_id"], unique=False)
    add(
        "pick_list",
        "taken_over_from_id ID CONSTRAINT fk_pick_list__taken_over_from_id REFERENCES principal (id)",
    )
    add("pick_list", "taken_over_at INSTANT")
    add("unit", "placed_at INSTANT")
    add("unit", "counted_at INSTANT")
    add("zone", "cross_aisles_after DOC")
    add("zone", "level_penalty_m FLOAT NOT NULL DEFAULT 0")
    add("zone", "is_one_way BOOLEAN NOT NULL DEFAULT FALSE")
    add("zone", "units_per_walk INTEGER")
    add("zone", "max_unit_height_mm FLOAT")
    add("zone", "max_unit_mass_kg FLOAT")
    change_check("pick", "state", PICKS, MORE_PICKS)
    change_check("allocation", "state", ALLOCATIONS, MORE_ALLOCATIONS)
    allow_null("pick_list", "order_id", "INTEGER", is_allowed=True)
