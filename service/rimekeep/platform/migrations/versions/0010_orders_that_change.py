"""Customers' rules, places and forecasts; orders that change."""

import sqlalchemy as sa
from alembic import op

from rimekeep.platform import columns
from rimekeep.platform.alter import add, add_check, change_check, drop_check

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _make_tables()
    _alter_tables()


def downgrade() -> None:
    # The version before has no line of nothing; what was taken off an order asks for one case there.
    op.execute("UPDATE order_line SET cases = 1 WHERE cases = 0")
    change_check("order_line", "cases", "cases >= 0", "cases > 0")
    op.drop_column("site", "currency")
    op.drop_index(op.f("ix_sales_order__drop_id"), table_name="sales_order")
    op.drop_column("sales_order", "external_reference")
    op.drop_column("sales_order", "drop_id")
    drop_check("product", "stacking", "case_height_mm > 0 AND crush_limit_kg >= 0")
    op.drop_column("product", "value_per_case")
    op.drop_column("product", "crush_limit_kg")
    op.drop_column("product", "case_height_mm")
    op.drop_column("order_line", "min_life_fraction")
    op.drop_column("customer", "min_life_fraction")
    op.drop_index("ix_demand_forecast__day", table_name="demand_forecast")
    op.drop_index("uq_demand_forecast__customer", table_name="demand_forecast")
    op.drop_index("uq_demand_forecast__nobody", table_name="demand_forecast")
    op.drop_table("demand_forecast")
    op.drop_index(op.f("ix_customer_rule__site_id"), table_name="customer_rule")
    op.drop_table("customer_rule")
    op.drop_index(op.f("ix_customer_drop__site_id"), table_name="customer_drop")
    op.drop_table("customer_drop")


def _make_tables() -> None:
    op.create_table(
        "customer_drop",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("customer_id", columns.BigId, nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("address", sa.String(), nullable=False),
        sa.Column("contact", sa.String(), nullable=False),
        sa.Column("latitude", sa.Float(), nullable=True),
        sa.Column("longitude", sa.Float(), nullable=True),
        sa.Column("opens_at", sa.Time(), nullable=True),
        sa.Column("closes_at", sa.Time(), nullable=True),
        sa.CheckConstraint(
            "(latitude IS NULL) = (longitude IS NULL)", name=op.f("ck_customer_drop__both_coordinates")
        ),
        sa.CheckConstraint(
            "(opens_at IS NULL) = (closes_at IS NULL)", name=op.f("ck_customer_drop__both_times")
        ),
        sa.CheckConstraint(
            "latitude BETWEEN -90 AND 90 AND longitude BETWEEN -180 AND 180",
            name=op.f("ck_customer_drop__coordinates"),
        ),
        sa.CheckConstraint("opens_at < closes_at", name=op.f("ck_customer_drop__window")),
        sa.ForeignKeyConstraint(["customer_id"], ["customer.id"], name=op.f("fk_customer_drop__customer_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_customer_drop__site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_customer_drop")),
        sa.UniqueConstraint("customer_id", "code", name=op.f("uq_customer_drop__customer_id_code")),
    )
    op.create_index(op.f("ix_customer_drop__site_id"), "customer_drop", ["site_id"], unique=False)
    op.create_table(
        "customer_rule",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("customer_id", columns.BigId, nullable=False),
        sa.Column("product_id", columns.BigId, nullable=False),
        sa.Column("min_life_days", sa.Integer(), nullable=True),
        sa.Column("min_life_fraction", sa.Float(), nullable=True),
        sa.Column("no_backward_date", sa.Boolean(), nullable=True),
        sa.Column("max_lots_per_line", sa.Integer(), nullable=True),
        sa.CheckConstraint("max_lots_per_line >= 1", name=op.f("ck_customer_rule__max_lots")),
        sa.CheckConstraint("min_life_days >= 0", name=op.f("ck_customer_rule__min_life")),
        sa.CheckConstraint(
            "min_life_fraction BETWEEN 0 AND 1", name=op.f("ck_customer_rule__min_life_fraction")
        ),
        sa.ForeignKeyConstraint(["customer_id"], ["customer.id"], name=op.f("fk_customer_rule__customer_id")),
        sa.ForeignKeyConstraint(["product_id"], ["product.id"], name=op.f("fk_customer_rule__product_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_customer_rule__site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_customer_rule")),
        sa.UniqueConstraint(
            "customer_id", "product_id", name=op.f("uq_customer_rule__customer_id_product_id")
        ),
    )
    op.create_index(op.f("ix_customer_rule__site_id"), "customer_rule", ["site_id"], unique=False)
    op.create_table(
        "demand_forecast",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("product_id", columns.BigId, nullable=False),
        sa.Column("customer_id", columns.BigId, nullable=True),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("cases", sa.Integer(), nullable=False),
        sa.Column("given_at", columns.UtcDateTime(), nullable=False),
        sa.CheckConstraint("cases >= 0", name=op.f("ck_demand_forecast__cases")),
        sa.ForeignKeyConstraint(
            ["customer_id"], ["customer.id"], name=op.f("fk_demand_forecast__customer_id")
        ),
        sa.ForeignKeyConstraint(["product_id"], ["product.id"], name=op.f("fk_demand_forecast__product_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_demand_forecast__site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_demand_forecast")),
    )
    op.create_index("ix_demand_forecast__day", "demand_forecast", ["site_id", "day"], unique=False)
    op.create_index(
        "uq_demand_forecast__customer",
        "demand_forecast",
        ["site_id", "product_id", "customer_id", "day"],
        unique=True,
        sqlite_where=sa.text("customer_id IS NOT NULL"),
        postgresql_where=sa.text("customer_id IS NOT NULL"),
    )
    op.create_index(
        "uq_demand_forecast__nobody",
        "demand_forecast",
        ["site_id", "product_id", "day"],
        unique=True,
        sqlite_where=sa.text("customer_id IS NULL"),
        postgresql_where=sa.text("customer_id IS NULL"),
    )


def _alter_tables() -> None:
    add(
        "customer",
        "min_life_fraction FLOAT CONSTRAINT ck_customer__min_life_fraction CHECK "
        "(min_life_fraction BETWEEN 0 AND 1)",
    )
    add(
        "order_line",
        "min_life_fraction FLOAT CONSTRAINT ck_order_line__min_life_fraction CHECK "
        "(min_life_fraction BETWEEN 0 AND 1)",
    )
    add("product", "case_height_mm FLOAT")
    add("product", "crush_limit_kg FLOAT")
    add("product", "value_per_case FLOAT CONSTRAINT ck_product__value CHECK (value_per_case >= 0)")
    add_check("product", "stacking", "case_height_mm > 0 AND crush_limit_kg >= 0")
    add("sales_order", "drop_id ID CONSTRAINT fk_sales_order__drop_id REFERENCES customer_drop (id)")
    add("sales_order", "external_reference VARCHAR NOT NULL DEFAULT ''")
    op.create_index(op.f("ix_sales_order__drop_id"), "sales_order", ["drop_id"], unique=False)
    add("site", "currency VARCHAR")
    change_check("order_line", "cases", "cases > 0", "cases >= 0")
