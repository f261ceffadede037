"""Units turned on their places of a deck."""

from alembic import op

from rimekeep.platform.alter import add

revision = "0027"
down_revision = "0026"
branch_labels = None
depends_on = None


def upgrade() -> None:
    add("deck_place", "is_turned BOOLEAN NOT NULL DEFAULT false")


def downgrade() -> None:
    op.drop_column("deck_place", "is_turned")
