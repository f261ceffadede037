"""Single sign-on: accounts at the provider tied to people, and answers that came back already."""

import sqlalchemy as sa
from alembic import op

from rimekeep.platform import columns
from rimekeep.platform.alter import change_check

revision = "0031"
down_revision = "0030"
branch_labels = None
depends_on = None

BEFORE = "opened_by IN ('password', 'token', 'invitation')"
AFTER = "opened_by IN ('password', 'token', 'invitation', 'sign-on')"


def upgrade() -> None:
    change_check("browser_session", "opened_by", BEFORE, AFTER)
    op.create_table(
        "sign_on_link",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("principal_id", columns.BigId, nullable=False),
        sa.Column("issuer", sa.String(), nullable=False),
        sa.Column("subject", sa.String(), nullable=False),
        sa.Column("tied_at", columns.UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["principal_id"], ["principal.id"], name=op.f("fk_sign_on_link__principal_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sign_on_link")),
        sa.UniqueConstraint("issuer", "subject", name=op.f("uq_sign_on_link__issuer_subject")),
        sa.UniqueConstraint("principal_id", "issuer", name=op.f("uq_sign_on_link__principal_id_issuer")),
    )
    op.create_table(
        "sign_on_used",
        sa.Column("state_hash", sa.String(), nullable=False),
        sa.Column("used_at", columns.UtcDateTime(), nullable=False),
        sa.PrimaryKeyConstraint("state_hash", name=op.f("pk_sign_on_used")),
    )
    op.create_index(op.f("ix_sign_on_used__used_at"), "sign_on_used", ["used_at"])


def downgrade() -> None:
    op.drop_table("sign_on_used")
    op.drop_table("sign_on_link")
    # The version before does not know the word; those sessions are over.
    op.execute("DELETE FROM browser_session WHERE opened_by = 'sign-on'")
    change_check("browser_session", "opened_by", AFTER, BEFORE)
