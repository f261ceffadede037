"""Goods customers send back after they were handed over, and a zone that stands for customers' places."""

import sqlalchemy as sa
from alembic import op

from rimekeep.platform import columns
from rimekeep.platform.alter import change_check

revision = "0030"
down_revision = "0029"
branch_labels = None
depends_on = None

KINDS = "kind IN ('store', 'staging', 'dock', 'vehicle')"
WITH_CUSTOMERS = "kind IN ('store', 'staging', 'dock', 'vehicle', 'customer')"
FATES = "fate IN ('delivered', 'refused', 'returned')"
WITH_SENT_BACK = "fate IN ('delivered', 'refused', 'returned', 'sent-back')"
INDEXES = (
    ("ix_customer_return__unit", ["unit_id", "trip_id"]),
    ("ix_customer_return__lot", ["site_id", "lot_id"]),
    ("ix_customer_return__customer", ["site_id", "customer_id", "id"]),
)
KEYS = {
    "site_id": "site",
    "customer_id": "customer",
    "order_id": "sales_order",
    "trip_id": "trip",
    "unit_id": "unit",
    "returned_unit_id": "unit",
    "content_id": "unit_content",
    "lot_id": "lot",
    "recorded_by": "principal",
}


def upgrade() -> None:
    change_check("zone", "kind", KINDS, WITH_CUSTOMERS)
    change_check("deck_place", "fate", FATES, WITH_SENT_BACK)
    op.create_table(
        "customer_return",
        sa.Column("id", columns.BigId, nullable=False),
        *(sa.Column(name, columns.BigId, nullable=False) for name in KEYS),
        sa.Column("cases", sa.Integer(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("returned_at", columns.UtcDateTime(), nullable=False),
        sa.Column("recorded_at", columns.UtcDateTime(), nullable=False),
        sa.CheckConstraint("cases > 0", name=op.f("ck_customer_return__cases")),
        *(
            sa.ForeignKeyConstraint([name], [f"{table}.id"], name=op.f(f"fk_customer_return__{name}"))
            for name, table in KEYS.items()
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_customer_return")),
    )
    for name, over in INDEXES:
        op.create_index(name, "customer_return", over, unique=False)


def downgrade() -> None:
    # The version before knows neither: what was sent back came back, customers' places are one more truck's.
    op.drop_table("customer_return")
    op.execute("UPDATE deck_place SET fate = 'returned' WHERE fate = 'sent-back'")
    op.execute("UPDATE zone SET kind = 'vehicle' WHERE kind = 'customer'")
    change_check("deck_place", "fate", WITH_SENT_BACK, FATES)
    change_check("zone", "kind", WITH_CUSTOMERS, KINDS)
