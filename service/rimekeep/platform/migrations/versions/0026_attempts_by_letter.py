"""Attempts to deliver found by their message, so that old messages can be removed."""

from alembic import op

revision = "0026"
down_revision = "0025"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_index("ix_delivery_attempt__letter", "delivery_attempt", ["letter_id"])


def downgrade() -> None:
    op.drop_index("ix_delivery_attempt__letter", table_name="delivery_attempt")
