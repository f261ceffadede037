"""What is where."""

import sqlalchemy as sa
from alembic import op

from rimekeep.platform import columns

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "product",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("sku", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("gtin", sa.String(), nullable=True),
        sa.Column("package", sa.String(), nullable=False),
        sa.Column("abv_pct", sa.Float(), nullable=False),
        sa.Column("original_extract_p", sa.Float(), nullable=True),
        sa.Column("alcohol_mass_pct", sa.Float(), nullable=True),
        sa.Column("case_mass_kg", sa.Float(), nullable=False),
        sa.Column("cases_per_layer", sa.Integer(), nullable=False),
        sa.Column("layers_per_pallet", sa.Integer(), nullable=False),
        sa.Column("pallet_tare_kg", sa.Float(), nullable=False),
        sa.Column("footprint", sa.String(), nullable=False),
        sa.Column("carry_min_c", sa.Float(), nullable=False),
        sa.Column("carry_max_c", sa.Float(), nullable=False),
        sa.CheckConstraint("footprint IN ('800x1200', '1000x1200')", name=op.f("ck_product__footprint")),
        sa.CheckConstraint("package IN ('keg', 'bottle', 'can')", name=op.f("ck_product__package")),
        sa.CheckConstraint("carry_min_c <= carry_max_c", name=op.f("ck_product__carry_range")),
        sa.CheckConstraint("case_mass_kg > 0 AND pallet_tare_kg >= 0", name=op.f("ck_product__masses")),
        sa.CheckConstraint("cases_per_layer > 0 AND layers_per_pallet > 0", name=op.f("ck_product__pattern")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_product__site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_product")),
        sa.UniqueConstraint("site_id", "gtin", name=op.f("uq_product__site_id_gtin")),
        sa.UniqueConstraint("site_id", "sku", name=op.f("uq_product__site_id_sku")),
    )
    op.create_table(
        "zone",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("planned_c", sa.Float(), nullable=False),
        sa.Column("slot_pitch_m", sa.Float(), nullable=True),
        sa.Column("aisle_pitch_m", sa.Float(), nullable=True),
        sa.Column("cross_aisle_offset_m", sa.Float(), nullable=True),
        sa.Column("slots_front_block", sa.Integer(), nullable=True),
        sa.CheckConstraint("kind IN ('store', 'staging', 'dock', 'vehicle')", name=op.f("ck_zone__kind")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_zone__site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_zone")),
        sa.UniqueConstraint("site_id", "code", name=op.f("uq_zone__site_id_code")),
    )
    op.create_table(
        "bay",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("zone_id", columns.BigId, nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("aisle", sa.Integer(), nullable=False),
        sa.Column("slot", sa.Integer(), nullable=False),
        sa.Column("level", sa.Integer(), nullable=False),
        sa.Column("check_code", sa.String(), nullable=False),
        sa.CheckConstraint("aisle >= 1 AND slot >= 1 AND level >= 0", name=op.f("ck_bay__address")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_bay__site_id")),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_bay__zone_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bay")),
        sa.UniqueConstraint("site_id", "code", name=op.f("uq_bay__site_id_code")),
    )
    op.create_index(op.f("ix_bay__zone_id"), "bay", ["zone_id"], unique=False)
    op.create_table(
        "lot",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("product_id", columns.BigId, nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("packaged_at", columns.UtcDateTime(), nullable=False),
        sa.Column("best_before_on", sa.Date(), nullable=False),
        sa.Column("cases_made", sa.Integer(), nullable=False),
        sa.Column("qa_state", sa.String(), nullable=False),
        sa.Column("qa_reason", sa.String(), nullable=False),
        sa.CheckConstraint("qa_state IN ('held', 'released', 'rejected')", name=op.f("ck_lot__qa_state")),
        sa.CheckConstraint("cases_made >= 0", name=op.f("ck_lot__cases_made")),
        sa.ForeignKeyConstraint(["product_id"], ["product.id"], name=op.f("fk_lot__product_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_lot__site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lot")),
        sa.UniqueConstraint("site_id", "product_id", "code", name=op.f("uq_lot__site_id_product_id_code")),
    )
    op.create_index(op.f("ix_lot__product_id"), "lot", ["product_id"], unique=False)
    op.create_table(
        "unit",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("sscc", sa.String(), nullable=False),
        sa.Column("zone_id", columns.BigId, nullable=False),
        sa.Column("bay_id", columns.BigId, nullable=True),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("qa_state", sa.String(), nullable=False),
        sa.Column("qa_reason", sa.String(), nullable=False),
        sa.Column("is_opened", sa.Boolean(), nullable=False),
        sa.Column("received_at", columns.UtcDateTime(), nullable=False),
        sa.Column("start_core_c", sa.Float(), nullable=True),
        sa.CheckConstraint("qa_state IN ('held', 'released', 'rejected')", name=op.f("ck_unit__qa_state")),
        sa.CheckConstraint(
            "state IN ('in_store', 'picked', 'loaded', 'departed', 'empty')", name=op.f("ck_unit__state")
        ),
        sa.ForeignKeyConstraint(["bay_id"], ["bay.id"], name=op.f("fk_unit__bay_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_unit__site_id")),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_unit__zone_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_unit")),
        sa.UniqueConstraint("site_id", "sscc", name=op.f("uq_unit__site_id_sscc")),
    )
    op.create_index(op.f("ix_unit__bay_id"), "unit", ["bay_id"], unique=False)
    op.create_index("ix_unit__place", "unit", ["site_id", "zone_id", "state"], unique=False)
    op.create_table(
        "stay",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("unit_id", columns.BigId, nullable=False),
        sa.Column("zone_id", columns.BigId, nullable=False),
        sa.Column("entered_at", columns.UtcDateTime(), nullable=False),
        sa.Column("left_at", columns.UtcDateTime(), nullable=True),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_stay__site_id")),
        sa.ForeignKeyConstraint(["unit_id"], ["unit.id"], name=op.f("fk_stay__unit_id")),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_stay__zone_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stay")),
    )
    op.create_index("ix_stay__unit", "stay", ["unit_id", "entered_at"], unique=False)
    op.create_index("ix_stay__zone", "stay", ["site_id", "zone_id", "entered_at"], unique=False)
    op.create_index(
        "uq_stay__open",
        "stay",
        ["unit_id"],
        unique=True,
        sqlite_where=sa.text("left_at IS NULL"),
        postgresql_where=sa.text("left_at IS NULL"),
    )
    op.create_table(
        "unit_content",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("unit_id", columns.BigId, nullable=False),
        sa.Column("lot_id", columns.BigId, nullable=False),
        sa.Column("cases", sa.Integer(), nullable=False),
        sa.Column("reserved_cases", sa.Integer(), nullable=False),
        sa.Column("parent_id", columns.BigId, nullable=True),
        sa.Column("split_at", columns.UtcDateTime(), nullable=True),
        sa.CheckConstraint("cases >= 0", name=op.f("ck_unit_content__cases")),
        sa.CheckConstraint(
            "reserved_cases >= 0 AND reserved_cases <= cases", name=op.f("ck_unit_content__reserved")
        ),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_unit_content__lot_id")),
        sa.ForeignKeyConstraint(["parent_id"], ["unit_content.id"], name=op.f("fk_unit_content__parent_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_unit_content__site_id")),
        sa.ForeignKeyConstraint(["unit_id"], ["unit.id"], name=op.f("fk_unit_content__unit_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_unit_content")),
    )
    op.create_index("ix_unit_content__lot", "unit_content", ["site_id", "lot_id"], unique=False)
    op.create_index(
        "ix_unit_content__split",
        "unit_content",
        ["parent_id"],
        unique=False,
        sqlite_where=sa.text("parent_id IS NOT NULL"),
        postgresql_where=sa.text("parent_id IS NOT NULL"),
    )
    op.create_index(op.f("ix_unit_content__unit_id"), "unit_content", ["unit_id"], unique=False)


def downgrade() -> None:
    op.drop_index(op.f("ix_unit_content__unit_id"), table_name="unit_content")
    op.drop_index(
        "ix_unit_content__split",
        table_name="unit_content",
        sqlite_where=sa.text("parent_id IS NOT NULL"),
        postgresql_where=sa.text("parent_id IS NOT NULL"),
    )
    op.drop_index("ix_unit_content__lot", table_name="unit_content")
    op.drop_table("unit_content")
    op.drop_index(
        "uq_stay__open",
        table_name="stay",
        sqlite_where=sa.text("left_at IS NULL"),
        postgresql_where=sa.text("left_at IS NULL"),
    )
    op.drop_index("ix_stay__zone", table_name="stay")
    op.drop_index("ix_stay__unit", table_name="stay")
    op.drop_table("stay")
    op.drop_index("ix_unit__place", table_name="unit")
    op.drop_index(op.f("ix_unit__bay_id"), table_name="unit")
    op.drop_table("unit")
    op.drop_index(op.f("ix_lot__product_id"), table_name="lot")
    op.drop_table("lot")
    op.drop_index(op.f("ix_bay__zone_id"), table_name="bay")
    op.drop_table("bay")
    op.drop_table("zone")
    op.drop_table("product")
