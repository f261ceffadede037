"""first tables."""

import sqlalchemy as sa
from alembic import op

from rimekeep.platform import columns

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


APPEND_ONLY = ("ledger_event", "outbox_message")


def _protect_ledger() -> None:
    """Let the database itself refuse to change or remove what was recorded."""
    if op.get_bind().dialect.name == "sqlite":
        for table in APPEND_ONLY:
            for action in ("UPDATE", "DELETE"):
                op.execute(
                    f"CREATE TRIGGER {table}_no_{action.lower()} BEFORE {action} ON {table} "
                    f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
                )
        return
    op.execute(
        "CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        "RAISE EXCEPTION '% is append-only', TG_TABLE_NAME USING ERRCODE = 'restrict_violation'; END $$"
    )
    for table in APPEND_ONLY:
        op.execute(
            f"CREATE TRIGGER {table}_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
        )


def _unprotect_ledger() -> None:
    if op.get_bind().dialect.name == "sqlite":
        return  # a dropped table takes its triggers along
    for table in APPEND_ONLY:
        op.execute(f"DROP TRIGGER {table}_append_only ON {table}")
    op.execute("DROP FUNCTION refuse_change()")


def upgrade() -> None:
    op.create_table(
        "site",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("time_zone", sa.String(), nullable=False),
        sa.Column("company_prefix", sa.String(), nullable=False),
        sa.Column("next_serial", sa.Integer(), nullable=False),
        sa.Column("created_at", columns.UtcDateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_site")),
        sa.UniqueConstraint("code", name=op.f("uq_site__code")),
    )
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
        "outbox_message",
        sa.Column("site_id", sa.BigInteger(), nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("message_id", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("at", columns.UtcDateTime(), nullable=False),
        sa.Column("data", columns.Json, nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_outbox_message__site_id")),
        sa.PrimaryKeyConstraint("site_id", "seq", name=op.f("pk_outbox_message")),
        sa.UniqueConstraint("message_id", name=op.f("uq_outbox_message__message_id")),
    )
    op.create_table(
        "principal",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("roles", columns.Json, nullable=False),
        sa.Column("is_active", sa.Boolean(), nullable=False),
        sa.Column("created_at", columns.UtcDateTime(), nullable=False),
        sa.CheckConstraint("kind IN ('person', 'device')", name=op.f("ck_principal__kind")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_principal__site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_principal")),
        sa.UniqueConstraint("site_id", "name", name=op.f("uq_principal__site_id_name")),
    )
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
        "site_head",
        sa.Column("site_id", sa.BigInteger(), nullable=False),
        sa.Column("event_seq", sa.BigInteger(), nullable=False),
        sa.Column("event_hash", sa.String(), nullable=False),
        sa.Column("outbox_seq", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_site_head__site_id")),
        sa.PrimaryKeyConstraint("site_id", name=op.f("pk_site_head")),
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
        "access_token",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("principal_id", columns.BigId, nullable=False),
        sa.Column("token_hash", sa.String(), nullable=False),
        sa.Column("created_at", columns.UtcDateTime(), nullable=False),
        sa.Column("revoked_at", columns.UtcDateTime(), nullable=True),
        sa.ForeignKeyConstraint(
            ["principal_id"], ["principal.id"], name=op.f("fk_access_token__principal_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_access_token")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_access_token__token_hash")),
    )
    op.create_index(op.f("ix_access_token__principal_id"), "access_token", ["principal_id"], unique=False)
    op.create_table(
        "ageing_profile",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("product_id", columns.BigId, nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("tau_h", sa.Float(), nullable=False),
        sa.Column("planned_c", sa.Float(), nullable=False),
        sa.Column("freezing_c", sa.Float(), nullable=False),
        sa.Column("freezing_minutes", sa.Integer(), nullable=False),
        sa.Column("routes", columns.Json, nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("author_id", columns.BigId, nullable=True),
        sa.Column("created_at", columns.UtcDateTime(), nullable=False),
        sa.CheckConstraint("tau_h >= 0", name=op.f("ck_ageing_profile__tau")),
        sa.ForeignKeyConstraint(["author_id"], ["principal.id"], name=op.f("fk_ageing_profile__author_id")),
        sa.ForeignKeyConstraint(["product_id"], ["product.id"], name=op.f("fk_ageing_profile__product_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_ageing_profile__site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_ageing_profile")),
        sa.UniqueConstraint(
            "site_id", "product_id", "version", name=op.f("uq_ageing_profile__site_id_product_id_version")
        ),
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
        "excursion_rule",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("zone_id", columns.BigId, nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("side", sa.String(), nullable=False),
        sa.Column("limit_c", sa.Float(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("allowed_s", sa.Integer(), nullable=False),
        sa.Column("severity", sa.String(), nullable=False),
        sa.Column("holds_stock", sa.Boolean(), nullable=False),
        sa.Column("is_active", sa.Boolean(), nullable=False),
        sa.Column("counts_from_at", columns.UtcDateTime(), nullable=False),
        sa.CheckConstraint("kind IN ('single', 'cumulative')", name=op.f("ck_excursion_rule__kind")),
        sa.CheckConstraint("severity IN ('warning', 'critical')", name=op.f("ck_excursion_rule__severity")),
        sa.CheckConstraint("side IN ('above', 'below')", name=op.f("ck_excursion_rule__side")),
        sa.CheckConstraint("allowed_s >= 0", name=op.f("ck_excursion_rule__allowed")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_excursion_rule__site_id")),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_excursion_rule__zone_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_excursion_rule")),
    )
    op.create_index(op.f("ix_excursion_rule__zone_id"), "excursion_rule", ["zone_id"], unique=False)
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
        "ledger_event",
        sa.Column("site_id", sa.BigInteger(), nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("event_id", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("at", columns.UtcDateTime(), nullable=False),
        sa.Column("actor_id", columns.BigId, nullable=True),
        sa.Column("lot_id", sa.BigInteger(), nullable=True),
        sa.Column("unit_id", sa.BigInteger(), nullable=True),
        sa.Column("cases", sa.Integer(), nullable=True),
        sa.Column("reason", sa.String(), nullable=True),
        sa.Column("data", columns.Json, nullable=False),
        sa.Column("hash", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["actor_id"], ["principal.id"], name=op.f("fk_ledger_event__actor_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_ledger_event__site_id")),
        sa.PrimaryKeyConstraint("site_id", "seq", name=op.f("pk_ledger_event")),
        sa.UniqueConstraint("event_id", name=op.f("uq_ledger_event__event_id")),
    )
    op.create_index("ix_ledger_event__lot", "ledger_event", ["site_id", "lot_id", "seq"], unique=False)
    op.create_index("ix_ledger_event__unit", "ledger_event", ["site_id", "unit_id", "seq"], unique=False)
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
        "sensor",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("zone_id", columns.BigId, nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("interval_s", sa.Integer(), nullable=False),
        sa.Column("error_c", sa.Float(), nullable=False),
        sa.Column("rank", sa.Integer(), nullable=False),
        sa.Column("calibration_due_on", sa.Date(), nullable=True),
        sa.Column("is_active", sa.Boolean(), nullable=False),
        sa.Column("last_at_ms", sa.BigInteger(), nullable=True),
        sa.CheckConstraint("error_c >= 0", name=op.f("ck_sensor__error")),
        sa.CheckConstraint("interval_s > 0", name=op.f("ck_sensor__interval")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_sensor__site_id")),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_sensor__zone_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sensor")),
        sa.UniqueConstraint("site_id", "code", name=op.f("uq_sensor__site_id_code")),
    )
    op.create_index(op.f("ix_sensor__zone_id"), "sensor", ["zone_id"], unique=False)
    op.create_table(
        "stored_answer",
        sa.Column("principal_id", sa.BigInteger(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("request_hash", sa.String(), nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("media_type", sa.String(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("at", columns.UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["principal_id"], ["principal.id"], name=op.f("fk_stored_answer__principal_id")
        ),
        sa.PrimaryKeyConstraint("principal_id", "key", name=op.f("pk_stored_answer")),
    )
    op.create_index(op.f("ix_stored_answer__at"), "stored_answer", ["at"], unique=False)
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
        "excursion",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("zone_id", columns.BigId, nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("rule_id", columns.BigId, nullable=True),
        sa.Column("sensor_id", columns.BigId, nullable=True),
        sa.Column("severity", sa.String(), nullable=False),
        sa.Column("started_at", columns.UtcDateTime(), nullable=False),
        sa.Column("alarm_at", columns.UtcDateTime(), nullable=False),
        sa.Column("ended_at", columns.UtcDateTime(), nullable=True),
        sa.Column("peak_c", sa.Float(), nullable=True),
        sa.Column("limit_c", sa.Float(), nullable=True),
        sa.Column("detected_at", columns.UtcDateTime(), nullable=False),
        sa.Column("acknowledged_at", columns.UtcDateTime(), nullable=True),
        sa.Column("acknowledged_by", columns.BigId, nullable=True),
        sa.CheckConstraint("kind IN ('too_warm', 'too_cold', 'silent')", name=op.f("ck_excursion__kind")),
        sa.ForeignKeyConstraint(
            ["acknowledged_by"], ["principal.id"], name=op.f("fk_excursion__acknowledged_by")
        ),
        sa.ForeignKeyConstraint(["rule_id"], ["excursion_rule.id"], name=op.f("fk_excursion__rule_id")),
        sa.ForeignKeyConstraint(["sensor_id"], ["sensor.id"], name=op.f("fk_excursion__sensor_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_excursion__site_id")),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_excursion__zone_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_excursion")),
    )
    op.create_index("ix_excursion__zone", "excursion", ["site_id", "zone_id", "started_at"], unique=False)
    op.create_index(
        "uq_excursion__rule",
        "excursion",
        ["rule_id", "started_at"],
        unique=True,
        sqlite_where=sa.text("rule_id IS NOT NULL"),
        postgresql_where=sa.text("rule_id IS NOT NULL"),
    )
    op.create_index(
        "uq_excursion__silent",
        "excursion",
        ["sensor_id", "started_at"],
        unique=True,
        sqlite_where=sa.text("sensor_id IS NOT NULL"),
        postgresql_where=sa.text("sensor_id IS NOT NULL"),
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
        "reading",
        sa.Column("site_id", sa.BigInteger(), nullable=False),
        sa.Column("sensor_id", sa.BigInteger(), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("temp_c", sa.Float(), nullable=False),
        sa.Column("received_at_ms", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["sensor_id"], ["sensor.id"], name=op.f("fk_reading__sensor_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_reading__site_id")),
        sa.PrimaryKeyConstraint("site_id", "sensor_id", "at_ms", name=op.f("pk_reading")),
        sqlite_with_rowid=False,
    )
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
        "excursion_content",
        sa.Column("excursion_id", sa.BigInteger(), nullable=False),
        sa.Column("content_id", sa.BigInteger(), nullable=False),
        sa.Column("cases", sa.Integer(), nullable=False),
        sa.Column("from_at", columns.UtcDateTime(), nullable=False),
        sa.Column("until_at", columns.UtcDateTime(), nullable=False),
        sa.Column("life_lost_days", sa.Float(), nullable=True),
        sa.ForeignKeyConstraint(
            ["content_id"], ["unit_content.id"], name=op.f("fk_excursion_content__content_id")
        ),
        sa.ForeignKeyConstraint(
            ["excursion_id"], ["excursion.id"], name=op.f("fk_excursion_content__excursion_id")
        ),
        sa.PrimaryKeyConstraint("excursion_id", "content_id", name=op.f("pk_excursion_content")),
    )
    op.create_table(
        "life",
        sa.Column("content_id", sa.BigInteger(), nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("profile_id", columns.BigId, nullable=True),
        sa.Column("as_of_at", columns.UtcDateTime(), nullable=False),
        sa.Column("expires_at", columns.UtcDateTime(), nullable=False),
        sa.Column("limited_by", sa.String(), nullable=False),
        sa.Column("used", columns.Json, nullable=False),
        sa.Column("core_c", sa.Float(), nullable=True),
        sa.Column("bridged_s", sa.Integer(), nullable=False),
        sa.Column("frozen_at", columns.UtcDateTime(), nullable=True),
        sa.ForeignKeyConstraint(["content_id"], ["unit_content.id"], name=op.f("fk_life__content_id")),
        sa.ForeignKeyConstraint(["profile_id"], ["ageing_profile.id"], name=op.f("fk_life__profile_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_life__site_id")),
        sa.PrimaryKeyConstraint("content_id", name=op.f("pk_life")),
    )
    op.create_index("ix_life__expiry", "life", ["site_id", "expires_at"], unique=False)
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

    _protect_ledger()


def downgrade() -> None:
    _unprotect_ledger()
    op.drop_index(op.f("ix_pick__allocation_id"), table_name="pick")
    op.drop_table("pick")
    op.drop_index("ix_life__expiry", table_name="life")
    op.drop_table("life")
    op.drop_table("excursion_content")
    op.drop_index("ix_allocation__line", table_name="allocation")
    op.drop_index(op.f("ix_allocation__content_id"), table_name="allocation")
    op.drop_table("allocation")
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
    op.drop_index(op.f("ix_short_line__site_id"), table_name="short_line")
    op.drop_table("short_line")
    op.drop_index(op.f("ix_deck_place__unit_id"), table_name="deck_place")
    op.drop_index(op.f("ix_deck_place__order_id"), table_name="deck_place")
    op.drop_table("deck_place")
    op.drop_index("ix_unit__place", table_name="unit")
    op.drop_index(op.f("ix_unit__bay_id"), table_name="unit")
    op.drop_table("unit")
    op.drop_table("trip")
    op.drop_table("reading")
    op.drop_index(op.f("ix_pick_list__order_id"), table_name="pick_list")
    op.drop_index("ix_pick_list__next", table_name="pick_list")
    op.drop_table("pick_list")
    op.drop_table("order_line")
    op.drop_index(
        "uq_excursion__silent",
        table_name="excursion",
        sqlite_where=sa.text("sensor_id IS NOT NULL"),
        postgresql_where=sa.text("sensor_id IS NOT NULL"),
    )
    op.drop_index(
        "uq_excursion__rule",
        table_name="excursion",
        sqlite_where=sa.text("rule_id IS NOT NULL"),
        postgresql_where=sa.text("rule_id IS NOT NULL"),
    )
    op.drop_index("ix_excursion__zone", table_name="excursion")
    op.drop_table("excursion")
    op.drop_table("vehicle")
    op.drop_index(op.f("ix_stored_answer__at"), table_name="stored_answer")
    op.drop_table("stored_answer")
    op.drop_index(op.f("ix_sensor__zone_id"), table_name="sensor")
    op.drop_table("sensor")
    op.drop_index("ix_sales_order__day", table_name="sales_order")
    op.drop_index(op.f("ix_sales_order__customer_id"), table_name="sales_order")
    op.drop_table("sales_order")
    op.drop_index(op.f("ix_lot__product_id"), table_name="lot")
    op.drop_table("lot")
    op.drop_index("ix_load_plan__day", table_name="load_plan")
    op.drop_table("load_plan")
    op.drop_index("ix_ledger_event__unit", table_name="ledger_event")
    op.drop_index("ix_ledger_event__lot", table_name="ledger_event")
    op.drop_table("ledger_event")
    op.drop_table("last_delivered")
    op.drop_index(op.f("ix_excursion_rule__zone_id"), table_name="excursion_rule")
    op.drop_table("excursion_rule")
    op.drop_index("ix_delivery_attempt__message", table_name="delivery_attempt")
    op.drop_table("delivery_attempt")
    op.drop_index(op.f("ix_bay__zone_id"), table_name="bay")
    op.drop_table("bay")
    op.drop_table("ageing_profile")
    op.drop_index(op.f("ix_access_token__principal_id"), table_name="access_token")
    op.drop_table("access_token")
    op.drop_table("zone")
    op.drop_index(op.f("ix_subscription__site_id"), table_name="subscription")
    op.drop_table("subscription")
    op.drop_table("site_head")
    op.drop_table("product")
    op.drop_table("principal")
    op.drop_table("outbox_message")
    op.drop_table("customer")
    op.drop_table("site")
