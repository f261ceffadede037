"""The audit trail, which the database itself lets nobody change; by whose rules a site keeps records."""

import sqlalchemy as sa
from alembic import op

from rimekeep.platform import alter, columns

revision = "0024"
down_revision = "0023"
branch_labels = None
depends_on = None

TABLE = "audit_entry"


def upgrade() -> None:
    alter.add("site", "records_under VARCHAR")
    op.create_table(
        TABLE,
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=True),
        sa.Column("at", columns.UtcDateTime(), nullable=False),
        sa.Column("actor_id", columns.BigId, nullable=True),
        *(
            sa.Column(name, sa.String(), nullable=False)
            for name in ("via", "address", "request_id", "action", "object_kind", "object_id")
        ),
        sa.Column("before", columns.Json, nullable=False),
        sa.Column("after", columns.Json, nullable=False),
        sa.Column("reason", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_audit_entry__site_id")),
        sa.ForeignKeyConstraint(["actor_id"], ["principal.id"], name=op.f("fk_audit_entry__actor_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit_entry")),
    )
    op.create_index("ix_audit_entry__object", TABLE, ["site_id", "object_kind", "object_id", "id"])
    op.create_index("ix_audit_entry__actor", TABLE, ["site_id", "actor_id", "id"])
    op.create_index("ix_audit_entry__at", TABLE, ["site_id", "at"])
    if op.get_bind().dialect.name == "sqlite":
        for action in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {TABLE}_no_{action.lower()} BEFORE {action} ON {TABLE} "
                f"BEGIN SELECT RAISE(ABORT, '{TABLE} is append-only'); END"
            )
        # REPLACE removes the row in its way without asking the triggers that guard against removal.
        op.execute(
            f"CREATE TRIGGER {TABLE}_no_replace BEFORE INSERT ON {TABLE} "
            f"WHEN EXISTS (SELECT 1 FROM {TABLE} WHERE id = NEW.id) "
            f"BEGIN SELECT RAISE(ABORT, '{TABLE} is append-only'); END"
        )
    else:
        op.execute(
            f"CREATE TRIGGER {TABLE}_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON {TABLE} "
            "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
        )


def downgrade() -> None:
    # Its trigger goes with it.
    op.drop_table(TABLE)
    op.drop_column("site", "records_under")
