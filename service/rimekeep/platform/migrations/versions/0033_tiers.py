"""Units on top of others on a deck."""

import sqlalchemy as sa
from alembic import op

from rimekeep.platform.alter import add

revision = "0033"
down_revision = "0032"
branch_labels = None
depends_on = None

PLACE = ["trip_id", "row_no", "lane_no", "part_no"]


def _hold_places_once(columns: list[str]) -> None:
    op.drop_index("uq_deck_place__standing", table_name="deck_place")
    op.create_index(
        "uq_deck_place__standing",
        "deck_place",
        columns,
        unique=True,
        sqlite_where=sa.text("off_at IS NULL"),
        postgresql_where=sa.text("off_at IS NULL"),
    )


def upgrade() -> None:
    add("deck_place", "tier_no INTEGER DEFAULT 0 NOT NULL")
    _hold_places_once([*PLACE, "tier_no"])


def downgrade() -> None:
    # The version before knows no tiers: what stands on top goes to a lane no deck has.
    op.execute("UPDATE deck_place SET lane_no = lane_no + 1000 WHERE tier_no > 0")
    _hold_places_once(PLACE)
    op.drop_column("deck_place", "tier_no")
