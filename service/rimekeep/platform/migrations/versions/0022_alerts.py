"""Notices are sorted into alerts, alerts written to receivers as messages; who is on call, who is next."""

import sqlalchemy as sa
from alembic import op

from rimekeep.platform import columns
from rimekeep.platform.alter import add

revision = "0022"
down_revision = "0021"
branch_labels = None
depends_on = None

WAITING, FOLLOWED = sa.text("delivered_at IS NULL"), sa.text("next_step_at IS NOT NULL")
OF_SUBSCRIPTION = (
    "previous_secret VARCHAR",
    "previous_until INSTANT",
    "zone_ids DOC NOT NULL DEFAULT '[]'",
    "least_severity VARCHAR NOT NULL DEFAULT 'info'",
    "quiet_from VARCHAR",
    "quiet_until VARCHAR",
    "is_for_duty BOOLEAN NOT NULL DEFAULT false",
    "person_id ID CONSTRAINT fk_subscription__person_id REFERENCES principal (id)",
    "failing_since INSTANT",
    "leased_until INSTANT",
)
OF_ATTEMPT = (
    "letter_id ID CONSTRAINT fk_delivery_attempt__letter_id REFERENCES letter (id)",
    "duration_ms INTEGER",
    "next_attempt_at INSTANT",
)


def upgrade() -> None:
    for column in OF_SUBSCRIPTION:
        add("subscription", column)
    op.execute("ALTER TABLE subscription RENAME COLUMN delivered_seq TO sorted_seq")
    _make_plan()
    _make_alerts()
    _make_letters()
    for column in OF_ATTEMPT:
        add("delivery_attempt", column)
    # What nobody is still to be sent was alerted to before; sorting begins with what somebody is.
    op.execute(
        "INSERT INTO alert_plan (site_id, sorted_seq, least_severity, turns, steps)"
        " SELECT site_id, COALESCE((SELECT min(sorted_seq) FROM subscription"
        " WHERE subscription.site_id = site_head.site_id), outbox_seq), 'critical', '[]', '[]' FROM site_head"
    )


def _make_plan() -> None:
    op.create_table(
        "alert_plan",
        sa.Column("site_id", sa.BigInteger(), nullable=False),
        sa.Column("sorted_seq", sa.BigInteger(), nullable=False),
        sa.Column("least_severity", sa.String(), nullable=False),
        sa.Column("turns", columns.Json, nullable=False),
        sa.Column("steps", columns.Json, nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_alert_plan__site_id")),
        sa.PrimaryKeyConstraint("site_id", name=op.f("pk_alert_plan")),
    )


def _make_alerts() -> None:
    op.create_table(
        "alert",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("family", sa.String(), nullable=False),
        sa.Column("zone_id", columns.BigId, nullable=True),
        sa.Column("severity", sa.String(), nullable=False),
        sa.Column("opened_at", columns.UtcDateTime(), nullable=False),
        sa.Column("acknowledged_at", columns.UtcDateTime(), nullable=True),
        sa.Column("acknowledged_by", columns.BigId, nullable=True),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("next_step", sa.Integer(), nullable=False),
        sa.Column("next_step_at", columns.UtcDateTime(), nullable=True),
        sa.CheckConstraint("severity IN ('info', 'warning', 'critical')", name=op.f("ck_alert__severity")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_alert__site_id")),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_alert__zone_id")),
        sa.ForeignKeyConstraint(
            ["acknowledged_by"], ["principal.id"], name=op.f("fk_alert__acknowledged_by")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alert")),
    )
    op.create_index("ix_alert__family", "alert", ["site_id", "family", "opened_at"])
    op.create_index(
        "ix_alert__next_step", "alert", ["next_step_at"], sqlite_where=FOLLOWED, postgresql_where=FOLLOWED
    )
    op.create_table(
        "alert_notice",
        sa.Column("site_id", sa.BigInteger(), nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("alert_id", columns.BigId, nullable=False),
        sa.Column("severity", sa.String(), nullable=False),
        sa.Column("zone_id", columns.BigId, nullable=True),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_alert_notice__site_id")),
        sa.ForeignKeyConstraint(["alert_id"], ["alert.id"], name=op.f("fk_alert_notice__alert_id")),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_alert_notice__zone_id")),
        sa.PrimaryKeyConstraint("site_id", "seq", name=op.f("pk_alert_notice")),
    )
    op.create_index(op.f("ix_alert_notice__alert_id"), "alert_notice", ["alert_id"])


def _make_letters() -> None:
    op.create_table(
        "letter",
        sa.Column("id", columns.BigId, nullable=False),
        sa.Column("site_id", columns.BigId, nullable=False),
        sa.Column("subscription_id", columns.BigId, nullable=False),
        sa.Column("alert_id", columns.BigId, nullable=True),
        sa.Column("message_id", sa.String(), nullable=False),
        sa.Column("purpose", sa.String(), nullable=False),
        sa.Column("severity", sa.String(), nullable=False),
        sa.Column("seqs", columns.Json, nullable=False),
        sa.Column("made_at", columns.UtcDateTime(), nullable=False),
        sa.Column("due_at", columns.UtcDateTime(), nullable=False),
        sa.Column("delivered_at", columns.UtcDateTime(), nullable=True),
        sa.CheckConstraint(
            "purpose IN ('first', 'gathered', 'escalated', 'test')", name=op.f("ck_letter__purpose")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_letter__site_id")),
        sa.ForeignKeyConstraint(
            ["subscription_id"], ["subscription.id"], name=op.f("fk_letter__subscription_id")
        ),
        sa.ForeignKeyConstraint(["alert_id"], ["alert.id"], name=op.f("fk_letter__alert_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_letter")),
    )
    op.create_index(
        "ix_letter__waiting",
        "letter",
        ["subscription_id", "id"],
        sqlite_where=WAITING,
        postgresql_where=WAITING,
    )
    op.create_index("ix_letter__alert", "letter", ["alert_id", "subscription_id"])
    op.create_index("ix_letter__subscription", "letter", ["subscription_id", "id"])


def downgrade() -> None:
    op.execute("ALTER TABLE subscription RENAME COLUMN sorted_seq TO delivered_seq")
    # A receiver goes on before the oldest alert it has not taken: what came after is sent again.
    op.execute(
        "UPDATE subscription SET delivered_seq = COALESCE((SELECT min(alert_notice.seq) - 1 FROM letter"
        " JOIN alert_notice ON alert_notice.alert_id = letter.alert_id"
        " WHERE letter.subscription_id = subscription.id AND letter.delivered_at IS NULL), delivered_seq)"
    )
    op.execute("UPDATE subscription SET is_active = false WHERE url LIKE 'mailto:%'")
    for column in OF_ATTEMPT:
        op.drop_column("delivery_attempt", column.split()[0])
    op.drop_table("letter")
    op.drop_table("alert_notice")
    op.drop_table("alert")
    op.drop_table("alert_plan")
    for column in OF_SUBSCRIPTION:
        op.drop_column("subscription", column.split()[0])
