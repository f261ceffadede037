"""The ledger, the outbox, and who may."""

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
        "site_head",
        sa.Column("site_id", sa.BigInteger(), nullable=False),
        sa.Column("event_seq", sa.BigInteger(), nullable=False),
        sa.Column("event_hash", sa.String(), nullable=False),
        sa.Column("outbox_seq", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_site_head__site_id")),
        sa.PrimaryKeyConstraint("site_id", name=op.f("pk_site_head")),
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
    _protect_ledger()


def downgrade() -> None:
    _unprotect_ledger()
    op.drop_index(op.f("ix_stored_answer__at"), table_name="stored_answer")
    op.drop_table("stored_answer")
    op.drop_index("ix_ledger_event__unit", table_name="ledger_event")
    op.drop_index("ix_ledger_event__lot", table_name="ledger_event")
    op.drop_table("ledger_event")
    op.drop_index(op.f("ix_access_token__principal_id"), table_name="access_token")
    op.drop_table("access_token")
    op.drop_table("site_head")
    op.drop_table("principal")
    op.drop_table("outbox_message")
    op.drop_table("site")
