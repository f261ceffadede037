"""The next pick list is looked for among those that wait, not among all there ever were."""

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None

READY, TAKEN = sa.text("state = 'ready'"), sa.text("state = 'taken'")
TABLE, NEXT, OWN, LEASE = "pick_list", "ix_pick_list__next", "ix_pick_list__own", "ix_pick_list__lease"


def upgrade() -> None:
    op.drop_index(NEXT, table_name=TABLE)
    op.create_index(NEXT, TABLE, ["site_id", "id"], sqlite_where=READY, postgresql_where=READY)
    own, lease = ["site_id", "device_id", "id"], ["site_id", "leased_until", "id"]
    op.create_index(OWN, TABLE, own, sqlite_where=TAKEN, postgresql_where=TAKEN)
    op.create_index(LEASE, TABLE, lease, sqlite_where=TAKEN, postgresql_where=TAKEN)


def downgrade() -> None:
    for name in (NEXT, OWN, LEASE):
        op.drop_index(name, table_name=TABLE)
    op.create_index(NEXT, TABLE, ["site_id", "state", "id"])
