"""Units pinned to their place on a deck."""

from alembic import op

from rimekeep.platform.alter import add

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None


def upgrade() -> None:
    add("deck_place", "is_pinned BOOLEAN NOT NULL DEFAULT false")


def downgrade() -> None:
    op.drop_column("deck_place", "is_pinned")
