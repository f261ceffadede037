"""People: invitations, passwords, sessions, and how fast passwords may be tried."""

import sqlalchemy as sa
from alembic import op

from rimekeep.platform import columns

revision = "0023"
down_revision = "0022"
branch_labels = None
depends_on = None


def _person(name: str = "principal_id") -> sa.Column[int]:
    return sa.Column(name, columns.BigId, nullable=False)


def _instant(name: str, *, nullable: bool = False) -> sa.Column[object]:
    return sa.Column(name, columns.UtcDateTime(), nullable=nullable)


def _points(table: str, column: str, target: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [target], name=op.f(f"fk_{table}__{column}"))


def upgrade() -> None:
    op.create_table(
        "credential",
        sa.Column("principal_id", sa.BigInteger(), nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("login", sa.String(), nullable=False),
        sa.Column("password_hash", sa.String(), nullable=True),
        _instant("set_at", nullable=True),
        _points("credential", "principal_id", "principal.id"),
        _points("credential", "site_id", "site.id"),
        sa.PrimaryKeyConstraint("principal_id", name=op.f("pk_credential")),
        sa.UniqueConstraint("site_id", "login", name=op.f("uq_credential__site_id_login")),
    )
    op.create_table(
        "invitation",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        _person(),
        _person("made_by_id"),
        sa.Column("code_hash", sa.String(), nullable=False),
        _instant("created_at"),
        _instant("expires_at"),
        _instant("used_at", nullable=True),
        _instant("withdrawn_at", nullable=True),
        _points("invitation", "site_id", "site.id"),
        _points("invitation", "principal_id", "principal.id"),
        _points("invitation", "made_by_id", "principal.id"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_invitation")),
        sa.UniqueConstraint("code_hash", name=op.f("uq_invitation__code_hash")),
    )
    op.create_index(op.f("ix_invitation__principal_id"), "invitation", ["principal_id"])
    op.create_table(
        "browser_session",
        sa.Column("id", columns.BigId, nullable=False),
        _person(),
        sa.Column("secret_hash", sa.String(), nullable=False),
        sa.Column("device_hash", sa.String(), nullable=False),
        sa.Column("opened_by", sa.String(), nullable=False),
        sa.Column("address", sa.String(), nullable=False),
        sa.Column("agent", sa.String(), nullable=False),
        _instant("created_at"),
        _instant("expires_at"),
        _instant("ended_at", nullable=True),
        sa.CheckConstraint(
            "opened_by IN ('password', 'token', 'invitation')", name=op.f("ck_browser_session__opened_by")
        ),
        _points("browser_session", "principal_id", "principal.id"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_browser_session")),
        sa.UniqueConstraint("secret_hash", name=op.f("uq_browser_session__secret_hash")),
    )
    op.create_index(op.f("ix_browser_session__principal_id"), "browser_session", ["principal_id"])
    op.create_index(op.f("ix_browser_session__device_hash"), "browser_session", ["device_hash"])
    op.create_table(
        "sign_in_pace",
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
        _instant("last_at"),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_sign_in_pace")),
    )
    op.create_index(op.f("ix_sign_in_pace__last_at"), "sign_in_pace", ["last_at"])


def downgrade() -> None:
    for table in ("sign_in_pace", "browser_session", "invitation", "credential"):
        op.drop_table(table)
