"""Where empties taken back stand on the deck, and how many places they take."""

import sqlalchemy as sa
from alembic import op

from rimekeep.platform import columns

revision = "0025"
down_revision = "0024"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("drop_empties", sa.Column("places", sa.Integer(), nullable=True))
    op.add_column(
        "drop_empties",
        sa.Column("stowed", columns.Json, server_default=sa.text("'[]'"), nullable=False),
    )


def downgrade() -> None:
    op.drop_column("drop_empties", "stowed")
    op.drop_column("drop_empties", "places")
