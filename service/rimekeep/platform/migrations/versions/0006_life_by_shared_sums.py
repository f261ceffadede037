"""Life reckoned by sums that packs share; profiles from forced ageing."""

import sqlalchemy as sa
from alembic import op

from rimekeep.platform import columns
from rimekeep.platform.alter import add

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

EARLIEST_AT = "2000-01-03 00:00:00"


def upgrade() -> None:
    _make_tables()
    _alter_life()


def _make_tables() -> None:
    op.create_table(
        "calibration",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("product_id", columns.BigId, nullable=False),
        sa.Column("route", sa.String(), nullable=False),
        sa.Column("series", sa.String(), nullable=True),
        sa.Column("observations", columns.Json, nullable=False),
        sa.Column("asked", columns.Json, nullable=False),
        sa.Column("source", sa.String(), nullable=False),
        sa.Column("fit", columns.Json, nullable=False),
        sa.Column("remarks", columns.Json, nullable=False),
        sa.Column("is_thin", sa.Boolean(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("author_id", columns.BigId, nullable=False),
        sa.Column("created_at", columns.UtcDateTime(), nullable=False),
        sa.Column("decided_by", columns.BigId, nullable=True),
        sa.Column("decided_at", columns.UtcDateTime(), nullable=True),
        sa.Column("decision_reason", sa.String(), nullable=True),
        sa.Column("signed_sha256", sa.String(), nullable=True),
        sa.CheckConstraint(
            "(state = 'proposed') = (decided_at IS NULL)", name=op.f("ck_calibration__decided")
        ),
        sa.CheckConstraint(
            "state IN ('proposed', 'approved', 'refused')", name=op.f("ck_calibration__state")
        ),
        sa.ForeignKeyConstraint(["author_id"], ["principal.id"], name=op.f("fk_calibration__author_id")),
        sa.ForeignKeyConstraint(["decided_by"], ["principal.id"], name=op.f("fk_calibration__decided_by")),
        sa.ForeignKeyConstraint(["product_id"], ["product.id"], name=op.f("fk_calibration__product_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_calibration__site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibration")),
    )
    op.create_index("ix_calibration__product", "calibration", ["site_id", "product_id", "id"], unique=False)
    op.create_table(
        "forced_ageing_score",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("product_id", columns.BigId, nullable=False),
        sa.Column("series", sa.String(), nullable=False),
        sa.Column("temp_c", sa.Float(), nullable=False),
        sa.Column("day", sa.Float(), nullable=False),
        sa.Column("score", sa.Float(), nullable=False),
        sa.CheckConstraint("day >= 0", name=op.f("ck_forced_ageing_score__day")),
        sa.ForeignKeyConstraint(
            ["product_id"], ["product.id"], name=op.f("fk_forced_ageing_score__product_id")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_forced_ageing_score__site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_forced_ageing_score")),
    )
    op.create_index(
        "ix_forced_ageing_score__series",
        "forced_ageing_score",
        ["site_id", "product_id", "series"],
        unique=False,
    )
    op.create_table(
        "exposure_block",
        sa.Column("zone_id", sa.BigInteger(), nullable=False),
        sa.Column("profile_id", sa.BigInteger(), nullable=False),
        sa.Column("block", sa.BigInteger(), nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("total", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["profile_id"], ["ageing_profile.id"], name=op.f("fk_exposure_block__profile_id")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_exposure_block__site_id")),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_exposure_block__zone_id")),
        sa.PrimaryKeyConstraint("zone_id", "profile_id", "block", name=op.f("pk_exposure_block")),
    )
    op.create_index(op.f("ix_exposure_block__site_id"), "exposure_block", ["site_id"], unique=False)
    op.create_table(
        "exposure_day",
        sa.Column("zone_id", sa.BigInteger(), nullable=False),
        sa.Column("profile_id", sa.BigInteger(), nullable=False),
        sa.Column("day", sa.BigInteger(), nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("hours", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["profile_id"], ["ageing_profile.id"], name=op.f("fk_exposure_day__profile_id")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_exposure_day__site_id")),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_exposure_day__zone_id")),
        sa.PrimaryKeyConstraint("zone_id", "profile_id", "day", name=op.f("pk_exposure_day")),
    )
    op.create_index("ix_exposure_day__day", "exposure_day", ["site_id", "day"], unique=False)
    op.create_table(
        "exposure_room",
        sa.Column("zone_id", sa.BigInteger(), nullable=False),
        sa.Column("profile_id", sa.BigInteger(), nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("first_hour", sa.Integer(), nullable=False),
        sa.Column("until_hour", sa.Integer(), nullable=False),
        sa.Column("core_c", sa.Float(), nullable=False),
        sa.Column("is_assumed", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["profile_id"], ["ageing_profile.id"], name=op.f("fk_exposure_room__profile_id")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_exposure_room__site_id")),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_exposure_room__zone_id")),
        sa.PrimaryKeyConstraint("zone_id", "profile_id", name=op.f("pk_exposure_room")),
    )
    op.create_index(op.f("ix_exposure_room__site_id"), "exposure_room", ["site_id"], unique=False)
    op.create_table(
        "life_group",
        sa.Column("zone_id", sa.BigInteger(), nullable=False),
        sa.Column("profile_id", sa.BigInteger(), nullable=False),
        sa.Column("block", sa.BigInteger(), nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("low", sa.LargeBinary(), nullable=False),
        sa.Column("high", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["profile_id"], ["ageing_profile.id"], name=op.f("fk_life_group__profile_id")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_life_group__site_id")),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_life_group__zone_id")),
        sa.PrimaryKeyConstraint("zone_id", "profile_id", "block", name=op.f("pk_life_group")),
    )
    op.create_index(op.f("ix_life_group__site_id"), "life_group", ["site_id"], unique=False)
    op.create_table(
        "unit_change",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("unit_id", columns.BigId, nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_unit_change__site_id")),
        sa.ForeignKeyConstraint(["unit_id"], ["unit.id"], name=op.f("fk_unit_change__unit_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_unit_change")),
    )
    op.create_index(op.f("ix_unit_change__site_id"), "unit_change", ["site_id"], unique=False)
    op.create_table(
        "life_state",
        sa.Column("content_id", sa.BigInteger(), nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("zone_id", columns.BigId, nullable=False),
        sa.Column("profile_id", columns.BigId, nullable=False),
        sa.Column("stage", sa.String(), nullable=False),
        sa.Column("block", sa.Integer(), nullable=True),
        sa.Column("entered_s", sa.Float(), nullable=False),
        sa.Column("entry", sa.LargeBinary(), nullable=False),
        sa.Column("at_s", sa.Float(), nullable=False),
        sa.Column("held", sa.LargeBinary(), nullable=False),
        sa.Column("path_key", sa.String(), nullable=False),
        sa.Column("label_s", sa.Float(), nullable=True),
        sa.Column("budget", sa.Float(), nullable=True),
        sa.Column("expires_s", sa.Float(), nullable=True),
        sa.Column("cautious_s", sa.Float(), nullable=True),
        sa.CheckConstraint("stage IN ('young', 'settled')", name=op.f("ck_life_state__stage")),
        sa.ForeignKeyConstraint(["content_id"], ["unit_content.id"], name=op.f("fk_life_state__content_id")),
        sa.ForeignKeyConstraint(
            ["profile_id"], ["ageing_profile.id"], name=op.f("fk_life_state__profile_id")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_life_state__site_id")),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_life_state__zone_id")),
        sa.PrimaryKeyConstraint("content_id", name=op.f("pk_life_state")),
    )
    op.create_index(
        "ix_life_state__group", "life_state", ["site_id", "zone_id", "profile_id", "block"], unique=False
    )
    op.create_index(
        "ix_life_state__young",
        "life_state",
        ["site_id"],
        unique=False,
        sqlite_where=sa.text("stage = 'young'"),
        postgresql_where=sa.text("stage = 'young'"),
    )


def _alter_life() -> None:
    add("ageing_profile", "oxygen_ref_ppb FLOAT")
    add(
        "ageing_profile",
        "oxygen_exponent FLOAT NOT NULL DEFAULT 0"
        " CONSTRAINT ck_ageing_profile__oxygen_exponent CHECK (oxygen_exponent >= 0)"
        " CONSTRAINT ck_ageing_profile__oxygen_ref CHECK (oxygen_exponent = 0 OR oxygen_ref_ppb IS NOT NULL)",
    )
    add(
        "ageing_profile",
        "calibration_id ID CONSTRAINT fk_ageing_profile__calibration_id REFERENCES calibration (id)",
    )
    add("life", f"cautious_at INSTANT NOT NULL DEFAULT '{EARLIEST_AT}'")
    op.execute("UPDATE life SET cautious_at = expires_at")
    for name in ("bridged_s", "core_c", "used"):
        op.drop_column("life", name)
    add("lot", "oxygen_ppb FLOAT")
    op.create_index("ix_stay__left", "stay", ["site_id", "zone_id", "left_at"])
    op.create_index(
        "ix_unit_content__split_at",
        "unit_content",
        ["site_id", "split_at"],
        sqlite_where=sa.text("split_at IS NOT NULL"),
        postgresql_where=sa.text("split_at IS NOT NULL"),
    )
    # The next refresh reckons all stock from its first reading on.
    op.execute(
        "INSERT INTO unit_change (site_id, unit_id) SELECT site_id, id FROM unit WHERE state <> 'empty'"
    )


def downgrade() -> None:
    _alter_life_back()
    _drop_tables()


def _alter_life_back() -> None:
    op.drop_index("ix_unit_content__split_at", table_name="unit_content")
    op.drop_index("ix_stay__left", table_name="stay")
    op.drop_column("lot", "oxygen_ppb")
    op.drop_column("life", "cautious_at")
    op.add_column("life", sa.Column("used", columns.Json, nullable=False, server_default="{}"))
    op.add_column("life", sa.Column("core_c", sa.Float(), nullable=True))
    op.add_column("life", sa.Column("bridged_s", sa.Integer(), nullable=False, server_default="0"))
    for name in ("calibration_id", "oxygen_exponent", "oxygen_ref_ppb"):
        op.drop_column("ageing_profile", name)


def _drop_tables() -> None:
    op.drop_index("ix_life_state__young", table_name="life_state")
    op.drop_index("ix_life_state__group", table_name="life_state")
    op.drop_table("life_state")
    op.drop_index(op.f("ix_unit_change__site_id"), table_name="unit_change")
    op.drop_table("unit_change")
    op.drop_index(op.f("ix_life_group__site_id"), table_name="life_group")
    op.drop_table("life_group")
    op.drop_index(op.f("ix_exposure_room__site_id"), table_name="exposure_room")
    op.drop_table("exposure_room")
    op.drop_index("ix_exposure_day__day", table_name="exposure_day")
    op.drop_table("exposure_day")
    op.drop_index(op.f("ix_exposure_block__site_id"), table_name="exposure_block")
    op.drop_table("exposure_block")
    op.drop_index("ix_forced_ageing_score__series", table_name="forced_ageing_score")
    op.drop_table("forced_ageing_score")
    op.drop_index("ix_calibration__product", table_name="calibration")
    op.drop_table("calibration")
