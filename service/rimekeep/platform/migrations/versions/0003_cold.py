"""What the air did, the life that is left, when the cold failed."""

import sqlalchemy as sa
from alembic import op

from rimekeep.platform import columns

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
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


def downgrade() -> None:
    op.drop_index("ix_life__expiry", table_name="life")
    op.drop_table("life")
    op.drop_table("excursion_content")
    op.drop_table("reading")
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
    op.drop_index(op.f("ix_sensor__zone_id"), table_name="sensor")
    op.drop_table("sensor")
    op.drop_index(op.f("ix_excursion_rule__zone_id"), table_name="excursion_rule")
    op.drop_table("excursion_rule")
    op.drop_table("ageing_profile")
