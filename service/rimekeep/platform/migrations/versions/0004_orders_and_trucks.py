"""Who wants what, what goes first, on which truck, and who must know."""

import sqlalchemy as sa
from alembic import op

from rimekeep.platform import columns

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "customer",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("contact", sa.String(), nullable=False),
        sa.Column("address", sa.String(), nullable=False),
        sa.Column("min_life_days", sa.Integer(), nullable=False),
        sa.Column("no_backward_date", sa.Boolean(), nullable=False),
        sa.Column("max_lots_per_line", sa.Integer(), nullable=True),
        sa.CheckConstraint("min_life_days >= 0", name=op.f("ck_customer__min_life")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_customer__site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_customer")),
        sa.UniqueConstraint("site_id", "code", name=op.f("uq_customer__site_id_code")),
    )
    op.create_table(
        "subscription",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("url", sa.String(), nullable=False),
        sa.Column("secret", sa.String(), nullable=False),
        sa.Column("kinds", columns.Json, nullable=False),
        sa.Column("is_active", sa.Boolean(), nullable=False),
        sa.Column("delivered_seq", sa.BigInteger(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("next_attempt_at", columns.UtcDateTime(), nullable=True),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_subscription__site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_subscription")),
    )
    op.create_index(op.f("ix_subscription__site_id"), "subscription", ["site_id"], unique=False)
    op.create_table(
        "delivery_attempt",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("subscription_id", columns.BigId, nullable=False),
        sa.Column("outbox_seq", sa.BigInteger(), nullable=False),
        sa.Column("attempt", sa.Integer(), nullable=False),
        sa.Column("at", columns.UtcDateTime(), nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("error", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_delivery_attempt__site_id")),
        sa.ForeignKeyConstraint(
            ["subscription_id"], ["subscription.id"], name=op.f("fk_delivery_attempt__subscription_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_delivery_attempt")),
    )
    op.create_index(
        "ix_delivery_attempt__message", "delivery_attempt", ["subscription_id", "outbox_seq"], unique=False
    )
    op.create_table(
        "last_delivered",
        sa.Column("customer_id", sa.BigInteger(), nullable=False),
        sa.Column("product_id", sa.BigInteger(), nullable=False),
        sa.Column("printed_on", sa.Date(), nullable=False),
        sa.ForeignKeyConstraint(
            ["customer_id"], ["customer.id"], name=op.f("fk_last_delivered__customer_id")
        ),
        sa.ForeignKeyConstraint(["product_id"], ["product.id"], name=op.f("fk_last_delivered__product_id")),
        sa.PrimaryKeyConstraint("customer_id", "product_id", name=op.f("pk_last_delivered")),
    )
    op.create_table(
        "load_plan",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("ship_on", sa.Date(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("status", sa.String(), nullable=False),
        sa.Column("lower_bound", sa.Integer(), nullable=False),
        sa.Column("visits", sa.Integer(), nullable=False),
        sa.Column("request", columns.Json, nullable=False),
        sa.Column("reasons", columns.Json, nullable=False),
        sa.Column("made_at", columns.UtcDateTime(), nullable=False),
        sa.Column("confirmed_at", columns.UtcDateTime(), nullable=True),
        sa.Column("confirmed_by", columns.BigId, nullable=True),
        sa.CheckConstraint(
            "state IN ('draft', 'confirmed', 'departed', 'dropped')", name=op.f("ck_load_plan__state")
        ),
        sa.CheckConstraint(
            "status IN ('optimal', 'feasible', 'infeasible')", name=op.f("ck_load_plan__status")
        ),
        sa.ForeignKeyConstraint(["confirmed_by"], ["principal.id"], name=op.f("fk_load_plan__confirmed_by")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_load_plan__site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_load_plan")),
    )
    op.create_index("ix_load_plan__day", "load_plan", ["site_id", "ship_on"], unique=False)
    op.create_table(
        "sales_order",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("customer_id", columns.BigId, nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("ship_on", sa.Date(), nullable=False),
        sa.Column("deliver_on", sa.Date(), nullable=False),
        sa.Column("priority", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("placed_at", columns.UtcDateTime(), nullable=False),
        sa.CheckConstraint(
            "state IN ('open', 'allocated', 'picked', 'loaded', 'departed', 'cancelled')",
            name=op.f("ck_sales_order__state"),
        ),
        sa.CheckConstraint("deliver_on >= ship_on", name=op.f("ck_sales_order__days")),
        sa.ForeignKeyConstraint(["customer_id"], ["customer.id"], name=op.f("fk_sales_order__customer_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_sales_order__site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sales_order")),
        sa.UniqueConstraint("site_id", "code", name=op.f("uq_sales_order__site_id_code")),
    )
    op.create_index(op.f("ix_sales_order__customer_id"), "sales_order", ["customer_id"], unique=False)
    op.create_index("ix_sales_order__day", "sales_order", ["site_id", "ship_on", "state"], unique=False)
    op.create_table(
        "vehicle",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("zone_id", columns.BigId, nullable=False),
        sa.Column("truck", columns.Json, nullable=False),
        sa.Column("is_active", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_vehicle__site_id")),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_vehicle__zone_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_vehicle")),
        sa.UniqueConstraint("site_id", "code", name=op.f("uq_vehicle__site_id_code")),
    )
    op.create_table(
        "order_line",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("order_id", columns.BigId, nullable=False),
        sa.Column("line_no", sa.Integer(), nullable=False),
        sa.Column("product_id", columns.BigId, nullable=False),
        sa.Column("cases", sa.Integer(), nullable=False),
        sa.Column("min_life_days", sa.Integer(), nullable=True),
        sa.CheckConstraint("cases > 0", name=op.f("ck_order_line__cases")),
        sa.ForeignKeyConstraint(["order_id"], ["sales_order.id"], name=op.f("fk_order_line__order_id")),
        sa.ForeignKeyConstraint(["product_id"], ["product.id"], name=op.f("fk_order_line__product_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_order_line__site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_order_line")),
        sa.UniqueConstraint("order_id", "line_no", name=op.f("uq_order_line__order_id_line_no")),
    )
    op.create_table(
        "pick_list",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("order_id", columns.BigId, nullable=False),
        sa.Column("zone_id", columns.BigId, nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("walk_m", sa.Float(), nullable=False),
        sa.Column("made_at", columns.UtcDateTime(), nullable=False),
        sa.Column("device_id", columns.BigId, nullable=True),
        sa.Column("leased_until", columns.UtcDateTime(), nullable=True),
        sa.Column("done_at", columns.UtcDateTime(), nullable=True),
        sa.CheckConstraint("state IN ('ready', 'taken', 'done')", name=op.f("ck_pick_list__state")),
        sa.ForeignKeyConstraint(["device_id"], ["principal.id"], name=op.f("fk_pick_list__device_id")),
        sa.ForeignKeyConstraint(["order_id"], ["sales_order.id"], name=op.f("fk_pick_list__order_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_pick_list__site_id")),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_pick_list__zone_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pick_list")),
    )
    op.create_index("ix_pick_list__next", "pick_list", ["site_id", "state", "id"], unique=False)
    op.create_index(op.f("ix_pick_list__order_id"), "pick_list", ["order_id"], unique=False)
    op.create_table(
        "trip",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("plan_id", columns.BigId, nullable=False),
        sa.Column("vehicle_id", columns.BigId, nullable=False),
        sa.Column("setpoint_min_c", sa.Float(), nullable=False),
        sa.Column("setpoint_max_c", sa.Float(), nullable=False),
        sa.Column("axle_table", columns.Json, nullable=False),
        sa.Column("departed_at", columns.UtcDateTime(), nullable=True),
        sa.ForeignKeyConstraint(["plan_id"], ["load_plan.id"], name=op.f("fk_trip__plan_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_trip__site_id")),
        sa.ForeignKeyConstraint(["vehicle_id"], ["vehicle.id"], name=op.f("fk_trip__vehicle_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_trip")),
        sa.UniqueConstraint("plan_id", "vehicle_id", name=op.f("uq_trip__plan_id_vehicle_id")),
    )
    op.create_table(
        "deck_place",
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
        sa.ForeignKeyConstraint(["order_id"], ["sales_order.id"], name=op.f("fk_deck_place__order_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_deck_place__site_id")),
        sa.ForeignKeyConstraint(["trip_id"], ["trip.id"], name=op.f("fk_deck_place__trip_id")),
        sa.ForeignKeyConstraint(["unit_id"], ["unit.id"], name=op.f("fk_deck_place__unit_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_deck_place")),
        sa.UniqueConstraint(
            "trip_id", "row_no", "lane_no", name=op.f("uq_deck_place__trip_id_row_no_lane_no")
        ),
        sa.UniqueConstraint("trip_id", "unit_id", name=op.f("uq_deck_place__trip_id_unit_id")),
    )
    op.create_index(op.f("ix_deck_place__order_id"), "deck_place", ["order_id"], unique=False)
    op.create_index(op.f("ix_deck_place__unit_id"), "deck_place", ["unit_id"], unique=False)
    op.create_table(
        "short_line",
        sa.Column("line_id", sa.BigInteger(), nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("cases", sa.Integer(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("at", columns.UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(["line_id"], ["order_line.id"], name=op.f("fk_short_line__line_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_short_line__site_id")),
        sa.PrimaryKeyConstraint("line_id", name=op.f("pk_short_line")),
    )
    op.create_index(op.f("ix_short_line__site_id"), "short_line", ["site_id"], unique=False)
    op.create_table(
        "allocation",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("line_id", columns.BigId, nullable=False),
        sa.Column("content_id", columns.BigId, nullable=False),
        sa.Column("cases", sa.Integer(), nullable=False),
        sa.Column("how", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("at", columns.UtcDateTime(), nullable=False),
        sa.CheckConstraint("how IN ('pallet', 'layers', 'cases')", name=op.f("ck_allocation__how")),
        sa.CheckConstraint("state IN ('reserved', 'picked', 'returned')", name=op.f("ck_allocation__state")),
        sa.CheckConstraint("cases > 0", name=op.f("ck_allocation__cases")),
        sa.ForeignKeyConstraint(["content_id"], ["unit_content.id"], name=op.f("fk_allocation__content_id")),
        sa.ForeignKeyConstraint(["line_id"], ["order_line.id"], name=op.f("fk_allocation__line_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_allocation__site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_allocation")),
    )
    op.create_index(op.f("ix_allocation__content_id"), "allocation", ["content_id"], unique=False)
    op.create_index("ix_allocation__line", "allocation", ["line_id", "state"], unique=False)
    op.create_table(
        "pick",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("list_id", columns.BigId, nullable=False),
        sa.Column("stop", sa.Integer(), nullable=False),
        sa.Column("allocation_id", columns.BigId, nullable=False),
        sa.Column("bay_id", columns.BigId, nullable=True),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("picked_cases", sa.Integer(), nullable=False),
        sa.Column("to_unit_id", columns.BigId, nullable=True),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("done_at", columns.UtcDateTime(), nullable=True),
        sa.CheckConstraint("state IN ('open', 'done', 'short')", name=op.f("ck_pick__state")),
        sa.CheckConstraint("picked_cases >= 0", name=op.f("ck_pick__picked")),
        sa.ForeignKeyConstraint(["allocation_id"], ["allocation.id"], name=op.f("fk_pick__allocation_id")),
        sa.ForeignKeyConstraint(["bay_id"], ["bay.id"], name=op.f("fk_pick__bay_id")),
        sa.ForeignKeyConstraint(["list_id"], ["pick_list.id"], name=op.f("fk_pick__list_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_pick__site_id")),
        sa.ForeignKeyConstraint(["to_unit_id"], ["unit.id"], name=op.f("fk_pick__to_unit_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pick")),
        sa.UniqueConstraint("list_id", "stop", name=op.f("uq_pick__list_id_stop")),
    )
    op.create_index(op.f("ix_pick__allocation_id"), "pick", ["allocation_id"], unique=False)


def downgrade() -> None:
    op.drop_index(op.f("ix_pick__allocation_id"), table_name="pick")
    op.drop_table("pick")
    op.drop_index("ix_allocation__line", table_name="allocation")
    op.drop_index(op.f("ix_allocation__content_id"), table_name="allocation")
    op.drop_table("allocation")
    op.drop_index(op.f("ix_short_line__site_id"), table_name="short_line")
    op.drop_table("short_line")
    op.drop_index(op.f("ix_deck_place__unit_id"), table_name="deck_place")
    op.drop_index(op.f("ix_deck_place__order_id"), table_name="deck_place")
    op.drop_table("deck_place")
    op.drop_table("trip")
    op.drop_index(op.f("ix_pick_list__order_id"), table_name="pick_list")
    op.drop_index("ix_pick_list__next", table_name="pick_list")
    op.drop_table("pick_list")
    op.drop_table("order_line")
    op.drop_table("vehicle")
    op.drop_index("ix_sales_order__day", table_name="sales_order")
    op.drop_index(op.f("ix_sales_order__customer_id"), table_name="sales_order")
    op.drop_table("sales_order")
    op.drop_index("ix_load_plan__day", table_name="load_plan")
    op.drop_table("load_plan")
    op.drop_table("last_delivered")
    op.drop_index("ix_delivery_attempt__message", table_name="delivery_attempt")
    op.drop_table("delivery_attempt")
    op.drop_index(op.f("ix_subscription__site_id"), table_name="subscription")
    op.drop_table("subscription")
    op.drop_table("customer")
