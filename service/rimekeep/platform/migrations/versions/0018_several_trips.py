"""A vehicle may make several trips of a plan, one after the other."""

import sqlalchemy as sa
from alembic import op

from rimekeep.platform.alter import add, change_unique

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None

ONCE, NUMBERED = ("plan_id", "vehicle_id"), ("plan_id", "vehicle_id", "trip_no")
PLAN = (
    "site_id, ship_on, state, status, lower_bound, visits, request, reasons, made_at, confirmed_at, "
    "confirmed_by"
)


def upgrade() -> None:
    add("trip", "trip_no INTEGER DEFAULT 1 NOT NULL")
    change_unique("trip", ONCE, NUMBERED)


def downgrade() -> None:
    # The version before knows one trip of a vehicle in a plan: later ones go on as plans of their own.
    bind = op.get_bind()
    later = sa.text("SELECT DISTINCT plan_id, trip_no FROM trip WHERE trip_no > 1 ORDER BY plan_id, trip_no")
    for plan_id, trip_no in bind.execute(later).all():
        copied = sa.text(
            f"INSERT INTO load_plan ({PLAN}) SELECT {PLAN} FROM load_plan WHERE id = :plan_id RETURNING id"
        )
        own_id = bind.scalar(copied, {"plan_id": plan_id})
        moved = sa.text("UPDATE trip SET plan_id = :own_id WHERE plan_id = :plan_id AND trip_no = :trip_no")
        bind.execute(moved, {"own_id": own_id, "plan_id": plan_id, "trip_no": trip_no})
    change_unique("trip", NUMBERED, ONCE)
    op.drop_column("trip", "trip_no")
