"""Recalls: what they reach, who was told, what was answered; and how customers are reached."""

import sqlalchemy as sa
from alembic import op

from rimekeep.platform import columns
from rimekeep.platform.alter import add

revision = "0020"
down_revision = "0019"
branch_labels = None
depends_on = None


def upgrade() -> None:
    add("lot", "recall_reason VARCHAR")
    add("unit", "recall_reason VARCHAR")
    add("customer", "phone VARCHAR NOT NULL DEFAULT ''")
    add("customer", "mail VARCHAR NOT NULL DEFAULT ''")
    _make_tables()


def downgrade() -> None:
    op.drop_table("recall_content")
    op.drop_table("recall_unit")
    op.drop_table("recall_reminder")
    op.drop_table("recall_record")
    op.drop_table("recall_notification")
    op.drop_table("recall_lot")
    op.drop_table("recall_answer")
    op.drop_table("recall")
    op.drop_column("customer", "mail")
    op.drop_column("customer", "phone")
    op.drop_column("unit", "recall_reason")
    op.drop_column("lot", "recall_reason")


def _make_tables() -> None:
    op.create_table(
        "recall",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("is_mock", sa.Boolean(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("scope", columns.Json, nullable=False),
        sa.Column("made_at", columns.UtcDateTime(), nullable=False),
        sa.Column("made_by", columns.BigId, nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("answer_within_s", sa.Integer(), nullable=True),
        sa.Column("started_at", columns.UtcDateTime(), nullable=True),
        sa.Column("started_by", columns.BigId, nullable=True),
        sa.Column("started_signed", sa.String(), nullable=False),
        sa.Column("started_sha256", sa.String(), nullable=False),
        sa.Column("figures", columns.Json, nullable=False),
        sa.Column("closed_at", columns.UtcDateTime(), nullable=True),
        sa.Column("closed_by", columns.BigId, nullable=True),
        sa.Column("close_reason", sa.String(), nullable=False),
        sa.Column("closed_signed", sa.String(), nullable=False),
        sa.Column("closed_sha256", sa.String(), nullable=False),
        sa.Column("ending", sa.String(), nullable=True),
        sa.CheckConstraint("ending IN ('release', 'reject', 'hold')", name=op.f("ck_recall__ending")),
        sa.CheckConstraint("kind IN ('lots', 'window', 'excursion')", name=op.f("ck_recall__kind")),
        sa.CheckConstraint("state IN ('draft', 'running', 'closed')", name=op.f("ck_recall__state")),
        sa.CheckConstraint("answer_within_s > 0", name=op.f("ck_recall__answer_within")),
        sa.ForeignKeyConstraint(["closed_by"], ["principal.id"], name=op.f("fk_recall__closed_by")),
        sa.ForeignKeyConstraint(["made_by"], ["principal.id"], name=op.f("fk_recall__made_by")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_recall__site_id")),
        sa.ForeignKeyConstraint(["started_by"], ["principal.id"], name=op.f("fk_recall__started_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_recall")),
    )
    op.create_index("ix_recall__state", "recall", ["site_id", "state"], unique=False)
    op.create_table(
        "recall_answer",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("recall_id", columns.BigId, nullable=False),
        sa.Column("customer_id", columns.BigId, nullable=False),
        sa.Column("received_at", columns.UtcDateTime(), nullable=False),
        sa.Column("held_cases", sa.Integer(), nullable=False),
        sa.Column("sold_on_cases", sa.Integer(), nullable=False),
        sa.Column("returned_cases", sa.Integer(), nullable=False),
        sa.Column("destroyed_cases", sa.Integer(), nullable=False),
        sa.Column("explanation", sa.String(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("recorded_at", columns.UtcDateTime(), nullable=False),
        sa.Column("recorded_by", columns.BigId, nullable=False),
        sa.CheckConstraint(
            "held_cases >= 0 AND sold_on_cases >= 0 AND returned_cases >= 0 AND destroyed_cases >= 0",
            name=op.f("ck_recall_answer__cases"),
        ),
        sa.ForeignKeyConstraint(["customer_id"], ["customer.id"], name=op.f("fk_recall_answer__customer_id")),
        sa.ForeignKeyConstraint(["recall_id"], ["recall.id"], name=op.f("fk_recall_answer__recall_id")),
        sa.ForeignKeyConstraint(
            ["recorded_by"], ["principal.id"], name=op.f("fk_recall_answer__recorded_by")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_recall_answer__site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_recall_answer")),
    )
    op.create_index("ix_recall_answer__recall", "recall_answer", ["recall_id", "customer_id"], unique=False)
    op.create_table(
        "recall_lot",
        sa.Column("recall_id", sa.BigInteger(), nullable=False),
        sa.Column("lot_id", sa.BigInteger(), nullable=False),
        sa.Column("is_held", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_recall_lot__lot_id")),
        sa.ForeignKeyConstraint(["recall_id"], ["recall.id"], name=op.f("fk_recall_lot__recall_id")),
        sa.PrimaryKeyConstraint("recall_id", "lot_id", name=op.f("pk_recall_lot")),
    )
    op.create_index(op.f("ix_recall_lot__lot_id"), "recall_lot", ["lot_id"], unique=False)
    op.create_table(
        "recall_notification",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("recall_id", columns.BigId, nullable=False),
        sa.Column("customer_id", columns.BigId, nullable=False),
        sa.Column("at", columns.UtcDateTime(), nullable=False),
        sa.Column("how", sa.String(), nullable=False),
        sa.Column("to_whom", sa.String(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("recorded_at", columns.UtcDateTime(), nullable=False),
        sa.Column("recorded_by", columns.BigId, nullable=False),
        sa.CheckConstraint(
            "how IN ('phone', 'mail', 'letter', 'visit')", name=op.f("ck_recall_notification__how")
        ),
        sa.ForeignKeyConstraint(
            ["customer_id"], ["customer.id"], name=op.f("fk_recall_notification__customer_id")
        ),
        sa.ForeignKeyConstraint(["recall_id"], ["recall.id"], name=op.f("fk_recall_notification__recall_id")),
        sa.ForeignKeyConstraint(
            ["recorded_by"], ["principal.id"], name=op.f("fk_recall_notification__recorded_by")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_recall_notification__site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_recall_notification")),
    )
    op.create_index(
        "ix_recall_notification__recall", "recall_notification", ["recall_id", "customer_id"], unique=False
    )
    op.create_table(
        "recall_record",
        sa.Column("recall_id", sa.BigInteger(), nullable=False),
        sa.Column("deliveries", columns.Json, nullable=False),
        sa.Column("stopped", columns.Json, nullable=False),
        sa.ForeignKeyConstraint(["recall_id"], ["recall.id"], name=op.f("fk_recall_record__recall_id")),
        sa.PrimaryKeyConstraint("recall_id", name=op.f("pk_recall_record")),
    )
    op.create_table(
        "recall_reminder",
        sa.Column("recall_id", sa.BigInteger(), nullable=False),
        sa.Column("customer_id", sa.BigInteger(), nullable=False),
        sa.Column("due_at", columns.UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["customer_id"], ["customer.id"], name=op.f("fk_recall_reminder__customer_id")
        ),
        sa.ForeignKeyConstraint(["recall_id"], ["recall.id"], name=op.f("fk_recall_reminder__recall_id")),
        sa.PrimaryKeyConstraint("recall_id", "customer_id", name=op.f("pk_recall_reminder")),
    )
    op.create_table(
        "recall_unit",
        sa.Column("recall_id", sa.BigInteger(), nullable=False),
        sa.Column("unit_id", sa.BigInteger(), nullable=False),
        sa.Column("is_held", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["recall_id"], ["recall.id"], name=op.f("fk_recall_unit__recall_id")),
        sa.ForeignKeyConstraint(["unit_id"], ["unit.id"], name=op.f("fk_recall_unit__unit_id")),
        sa.PrimaryKeyConstraint("recall_id", "unit_id", name=op.f("pk_recall_unit")),
    )
    op.create_index(op.f("ix_recall_unit__unit_id"), "recall_unit", ["unit_id"], unique=False)
    op.create_table(
        "recall_content",
        sa.Column("recall_id", sa.BigInteger(), nullable=False),
        sa.Column("content_id", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["content_id"], ["unit_content.id"], name=op.f("fk_recall_content__content_id")
        ),
        sa.ForeignKeyConstraint(["recall_id"], ["recall.id"], name=op.f("fk_recall_content__recall_id")),
        sa.PrimaryKeyConstraint("recall_id", "content_id", name=op.f("pk_recall_content")),
    )
