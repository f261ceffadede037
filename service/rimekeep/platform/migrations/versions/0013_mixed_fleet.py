"""Which truck of a plan's request each trip is, where there are several to choose from."""

from alembic import op

from rimekeep.platform.alter import add

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None


def upgrade() -> None:
    add("trip", "truck_no INTEGER NOT NULL DEFAULT 0")


def downgrade() -> None:
    op.drop_column("trip", "truck_no")
