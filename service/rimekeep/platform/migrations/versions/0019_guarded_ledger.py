"""The ledger's heads only move on, nothing recorded is written over, and indexes hold what is looked up."""

import sqlalchemy as sa
from alembic import op

revision = "0019"
down_revision = "0018"
branch_labels = None
depends_on = None

# A head goes forward: numbers never fall, and a link changes only with the number of events.
BACKWARDS = (
    "NEW.site_id <> OLD.site_id OR NEW.event_seq < OLD.event_seq OR NEW.outbox_seq < OLD.outbox_seq"
    " OR (NEW.event_seq = OLD.event_seq AND NEW.event_hash <> OLD.event_hash)"
)
# SQLite's REPLACE removes the row in its way without asking the triggers that guard against removal.
KEYS = {"ledger_event": "event_id", "outbox_message": "message_id"}


def _guard_sqlite() -> None:
    for table, key in KEYS.items():
        op.execute(
            f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} "
            f"WHEN EXISTS (SELECT 1 FROM {table} WHERE site_id = NEW.site_id AND seq = NEW.seq) "
            f"OR EXISTS (SELECT 1 FROM {table} WHERE {key} = NEW.{key}) "
            f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
        )
    op.execute(
        f"CREATE TRIGGER site_head_no_update BEFORE UPDATE ON site_head WHEN {BACKWARDS} "
        "BEGIN SELECT RAISE(ABORT, 'site_head only moves on'); END"
    )
    op.execute(
        "CREATE TRIGGER site_head_no_delete BEFORE DELETE ON site_head "
        "BEGIN SELECT RAISE(ABORT, 'site_head only moves on'); END"
    )
    op.execute(
        "CREATE TRIGGER site_head_no_replace BEFORE INSERT ON site_head "
        "WHEN EXISTS (SELECT 1 FROM site_head WHERE site_id = NEW.site_id) "
        "BEGIN SELECT RAISE(ABORT, 'site_head only moves on'); END"
    )


def _guard_postgresql() -> None:
    op.execute(
        "CREATE FUNCTION refuse_going_back() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        "RAISE EXCEPTION '% only moves on', TG_TABLE_NAME USING ERRCODE = 'restrict_violation'; END $$"
    )
    op.execute(
        f"CREATE TRIGGER site_head_moves_on BEFORE UPDATE ON site_head FOR EACH ROW WHEN ({BACKWARDS}) "
        "EXECUTE FUNCTION refuse_going_back()"
    )
    op.execute(
        "CREATE TRIGGER site_head_stays BEFORE DELETE OR TRUNCATE ON site_head FOR EACH STATEMENT "
        "EXECUTE FUNCTION refuse_going_back()"
    )


def upgrade() -> None:
    for what in ("lot", "unit"):
        told = sa.text(f"{what}_id IS NOT NULL")
        op.drop_index(f"ix_ledger_event__{what}", table_name="ledger_event")
        op.create_index(
            f"ix_ledger_event__{what}",
            "ledger_event",
            ["site_id", f"{what}_id", "seq"],
            sqlite_where=told,
            postgresql_where=told,
        )
    if op.get_bind().dialect.name == "sqlite":
        _guard_sqlite()
    else:
        _guard_postgresql()


def downgrade() -> None:
    if op.get_bind().dialect.name == "sqlite":
        for table in (*KEYS, "site_head"):
            op.execute(f"DROP TRIGGER {table}_no_replace")
        op.execute("DROP TRIGGER site_head_no_update")
        op.execute("DROP TRIGGER site_head_no_delete")
    else:
        op.execute("DROP TRIGGER site_head_moves_on ON site_head")
        op.execute("DROP TRIGGER site_head_stays ON site_head")
        op.execute("DROP FUNCTION refuse_going_back()")
    for what in ("lot", "unit"):
        op.drop_index(f"ix_ledger_event__{what}", table_name="ledger_event")
        op.create_index(f"ix_ledger_event__{what}", "ledger_event", ["site_id", f"{what}_id", "seq"])
