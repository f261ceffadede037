"""EPCIS events, what they are found by, and the documents partners send."""

import sqlalchemy as sa
from alembic import op

from rimekeep.platform import columns

revision = "0021"
down_revision = "0020"
branch_labels = None
depends_on = None

# Whatever reaches the database by another way: what was told stays told. By table, where a new row may not
# stand on an old one.
_KEPT = {
    "epcis_event": (("id",), ("site_id", "event_uid", "declared")),
    "epcis_key": (("site_id", "value", "role", "event_id"),),
}


def upgrade() -> None:
    op.create_table(
        "epcis_site",
        sa.Column("site_id", sa.BigInteger(), nullable=False),
        sa.Column("gln", sa.String(), nullable=True),
        sa.Column("with_urns", sa.Boolean(), nullable=False),
        sa.Column("told_seq", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_epcis_site__site_id")),
        sa.PrimaryKeyConstraint("site_id", name=op.f("pk_epcis_site")),
    )
    op.create_table(
        "epcis_capture",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("asked_by", columns.BigId, nullable=False),
        sa.Column("asked_at", columns.UtcDateTime(), nullable=False),
        sa.Column("ended_at", columns.UtcDateTime(), nullable=True),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("on_error", sa.String(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("events", sa.Integer(), nullable=False),
        sa.Column("stored", sa.Integer(), nullable=False),
        sa.Column("repeated", sa.Integer(), nullable=False),
        sa.Column("errors", columns.Json, nullable=False),
        sa.CheckConstraint("state IN ('waiting', 'done', 'failed')", name=op.f("ck_epcis_capture__state")),
        sa.CheckConstraint("on_error IN ('rollback', 'proceed')", name=op.f("ck_epcis_capture__on_error")),
        sa.CheckConstraint("(ended_at IS NULL) = (state = 'waiting')", name=op.f("ck_epcis_capture__ended")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_epcis_capture__site_id")),
        sa.ForeignKeyConstraint(["asked_by"], ["principal.id"], name=op.f("fk_epcis_capture__asked_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_epcis_capture")),
    )
    op.create_index(op.f("ix_epcis_capture__site_id"), "epcis_capture", ["site_id"])
    op.create_index(
        "ix_epcis_capture__waiting",
        "epcis_capture",
        ["id"],
        sqlite_where=sa.text("state = 'waiting'"),
        postgresql_where=sa.text("state = 'waiting'"),
    )
    op.create_table(
        "epcis_event",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("event_uid", sa.String(), nullable=False),
        sa.Column("declared", sa.String(), nullable=False),
        sa.Column("event_type", sa.String(), nullable=False),
        sa.Column("action", sa.String(), nullable=True),
        sa.Column("biz_step", sa.String(), nullable=True),
        sa.Column("disposition", sa.String(), nullable=True),
        sa.Column("read_point", sa.String(), nullable=True),
        sa.Column("biz_location", sa.String(), nullable=True),
        sa.Column("event_at", columns.UtcDateTime(), nullable=False),
        sa.Column("record_at", columns.UtcDateTime(), nullable=False),
        sa.Column("capture_id", columns.BigId, nullable=True),
        sa.Column("ledger_seq", sa.BigInteger(), nullable=True),
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_epcis_event__site_id")),
        sa.ForeignKeyConstraint(
            ["capture_id"], ["epcis_capture.id"], name=op.f("fk_epcis_event__capture_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_epcis_event")),
        sa.UniqueConstraint(
            "site_id", "event_uid", "declared", name=op.f("uq_epcis_event__site_id_event_uid_declared")
        ),
    )
    for name in ("event_at", "record_at"):
        op.create_index(f"ix_epcis_event__{name}", "epcis_event", ["site_id", name, "id"])
    for name in ("biz_step", "read_point", "biz_location"):
        op.create_index(f"ix_epcis_event__{name}", "epcis_event", ["site_id", name, "event_at", "id"])
    op.create_table(
        "epcis_key",
        sa.Column("site_id", sa.BigInteger(), nullable=False),
        sa.Column("value", sa.String(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("event_id", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_epcis_key__site_id")),
        sa.ForeignKeyConstraint(["event_id"], ["epcis_event.id"], name=op.f("fk_epcis_key__event_id")),
        sa.PrimaryKeyConstraint("site_id", "value", "role", "event_id", name=op.f("pk_epcis_key")),
    )
    _guard()


def _guard() -> None:
    if op.get_bind().dialect.name == "sqlite":
        for table, keys in _KEPT.items():
            for act in ("UPDATE", "DELETE"):
                op.execute(
                    f"CREATE TRIGGER {table}_no_{act.lower()} BEFORE {act} ON {table} "
                    f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
                )
            # REPLACE removes the row in its way without asking the triggers that guard against removal.
            there = " OR ".join(
                f"EXISTS (SELECT 1 FROM {table} WHERE {' AND '.join(f'{one} = NEW.{one}' for one in key)})"
                for key in keys
            )
            op.execute(
                f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} WHEN {there} "
                f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
            )
        return
    op.execute(
        "CREATE FUNCTION epcis_is_append_only() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RAISE EXCEPTION '% is append-only', TG_TABLE_NAME; END $$"
    )
    for table in _KEPT:
        op.execute(
            f"CREATE TRIGGER {table}_kept BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION epcis_is_append_only()"
        )


def downgrade() -> None:
    for table in ("epcis_key", "epcis_event", "epcis_capture", "epcis_site"):
        op.drop_table(table)
    if op.get_bind().dialect.name != "sqlite":
        op.execute("DROP FUNCTION epcis_is_append_only()")
