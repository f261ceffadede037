"""EPCIS events found by what kind they are and by their action, in either order of time."""

from alembic import op

revision = "0029"
down_revision = "0028"
branch_labels = None
depends_on = None

_ADDED = {
    f"ix_epcis_event__{name}_{order}_at": ["site_id", *columns, f"{order}_at", "id"]
    for name, columns in (("type", ["event_type", "action"]), ("action", ["action"]))
    for order in ("event", "record")
}


def upgrade() -> None:
    for name, columns in _ADDED.items():
        op.create_index(name, "epcis_event", columns)


def downgrade() -> None:
    for name in reversed(_ADDED):
        op.drop_index(name, table_name="epcis_event")
