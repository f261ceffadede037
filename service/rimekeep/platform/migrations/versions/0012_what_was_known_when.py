"""Every forecast as it was given, and stops that keep their number when the walk is ordered anew."""

import sqlalchemy as sa
from alembic import op

from rimekeep.platform import columns
from rimekeep.platform.alter import add, allow_null

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "forecast_version",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("product_id", columns.BigId, nullable=False),
        sa.Column("customer_id", columns.BigId, nullable=True),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("cases", sa.Integer(), nullable=False),
        sa.Column("entered_at", columns.UtcDateTime(), nullable=False),
        sa.CheckConstraint("cases >= 0", name=op.f("ck_forecast_version__cases")),
        sa.ForeignKeyConstraint(
            ["customer_id"], ["customer.id"], name=op.f("fk_forecast_version__customer_id")
        ),
        sa.ForeignKeyConstraint(["product_id"], ["product.id"], name=op.f("fk_forecast_version__product_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_forecast_version__site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_forecast_version")),
    )
    op.create_index("ix_forecast_version__day", "forecast_version", ["site_id", "day"], unique=False)
    # Of what was replaced before nothing is known.
    op.execute(
        "INSERT INTO forecast_version (site_id, product_id, customer_id, day, cases, entered_at)"
        " SELECT site_id, product_id, customer_id, day, cases, given_at FROM demand_forecast ORDER BY id"
    )
    add("pick", "walk_no INTEGER")
    op.execute("UPDATE pick SET walk_no = stop")
    allow_null("pick", "walk_no", "INTEGER", is_allowed=False)


def downgrade() -> None:
    op.drop_column("pick", "walk_no")
    op.drop_index("ix_forecast_version__day", table_name="forecast_version")
    op.drop_table("forecast_version")
