"""Which date of life a site promises its customers."""

from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.execute(
        "ALTER TABLE site ADD COLUMN promises_by VARCHAR NOT NULL DEFAULT 'median'"
        " CONSTRAINT ck_site__promises_by CHECK (promises_by IN ('median', 'cautious'))"
    )


def downgrade() -> None:
    op.execute("ALTER TABLE site DROP COLUMN promises_by")
