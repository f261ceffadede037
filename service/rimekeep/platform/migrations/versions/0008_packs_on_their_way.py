"""Packs on their way to their room's core are looked at group by group."""

import sqlalchemy as sa
from alembic import op

from rimekeep.platform import columns

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

DATES = ("label_s", "budget", "expires_s", "cautious_s")


def upgrade() -> None:
    op.create_table(
        "life_rise",
        sa.Column("zone_id", sa.BigInteger(), nullable=False),
        sa.Column("profile_id", sa.BigInteger(), nullable=False),
        sa.Column("hour", sa.BigInteger(), nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("coldest_c", sa.Integer(), nullable=False),
        sa.Column("warmest_c", sa.Integer(), nullable=False),
        sa.Column("low", sa.LargeBinary(), nullable=False),
        sa.Column("high", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["profile_id"], ["ageing_profile.id"], name=op.f("fk_life_rise__profile_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_life_rise__site_id")),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_life_rise__zone_id")),
        sa.PrimaryKeyConstraint("zone_id", "profile_id", "hour", name=op.f("pk_life_rise")),
    )
    op.create_index(op.f("ix_life_rise__site_id"), "life_rise", ["site_id"], unique=False)
    _reckon_young_anew()
    for name in DATES:
        op.drop_column("life_state", name)


def downgrade() -> None:
    for name in DATES:
        op.add_column("life_state", sa.Column(name, sa.Float(), nullable=True))
    op.drop_index(op.f("ix_life_rise__site_id"), table_name="life_rise")
    op.drop_table("life_rise")


def _reckon_young_anew() -> None:
    """Have the next refresh follow packs on their way from their first stay on: it puts them into groups."""
    op.execute(
        "INSERT INTO unit_change (site_id, unit_id) SELECT DISTINCT c.site_id, c.unit_id "
        "FROM life_state AS s JOIN unit_content AS c ON c.id = s.content_id WHERE s.stage = 'young'"
    )
    op.execute("DELETE FROM life_state WHERE stage = 'young'")
