"""Half pallets: a footprint of their own, and two of them on one place of a deck."""

import sqlalchemy as sa
from alembic import op

from rimekeep.platform.alter import add, change_check

revision = "0028"
down_revision = "0027"
branch_labels = None
depends_on = None

WHOLE = "footprint IN ('800x1200', '1000x1200')"
WITH_HALVES = "footprint IN ('800x1200', '1000x1200', '600x800')"
PLACE = ["trip_id", "row_no", "lane_no"]


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
    change_check("product", "footprint", WHOLE, WITH_HALVES)
    add("deck_place", "part_no INTEGER DEFAULT 0 NOT NULL")
    _hold_places_once([*PLACE, "part_no"])


def downgrade() -> None:
    # The version before knows neither: halves count as whole pallets, the second one on a lane no deck has.
    op.execute("UPDATE product SET footprint = '800x1200' WHERE footprint = '600x800'")
    op.execute("UPDATE deck_place SET lane_no = lane_no + 1000 WHERE part_no > 0")
    _hold_places_once(PLACE)
    op.drop_column("deck_place", "part_no")
    change_check("product", "footprint", WITH_HALVES, WHOLE)
