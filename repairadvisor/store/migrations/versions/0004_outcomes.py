"""What was reported after the work: reports, every attempt, verdicts, closures, the keys under which reports came; and
how the note on it stands in a ticket."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"

_WHO = ("person", "machine", "cleaver")


def upgrade() -> None:
    """Make six tables, and find deliveries by their advice."""
    op.create_index("ix_deliveries_advice_id", "deliveries", ["advice_id"])
    _make_reports()
    _make_attempts()
    op.create_table(
        "closures",
        sa.Column("report_id", sa.String(32), nullable=False),
        sa.Column("advice_id", sa.String(32), nullable=False),
        sa.Column("evidence", sa.LargeBinary(), nullable=False),
        sa.Column("due_on", sa.String(10), nullable=True),
        sa.Column("responsible", sa.String(64), nullable=True),
        sa.PrimaryKeyConstraint("report_id", "advice_id", name="pk_closures"),
        sa.ForeignKeyConstraint(
            ["report_id"], ["reports.id"], name="fk_closures_report_id_reports", ondelete="CASCADE"
        ),
    )
    op.create_index("ix_closures_advice_id", "closures", ["advice_id"])
    op.create_index("ix_closures_responsible", "closures", ["responsible"])
    op.create_table(
        "report_keys",
        sa.Column("key", sa.String(64), nullable=False),
        sa.Column("asked", sa.String(64), nullable=False),
        sa.Column("report_id", sa.String(32), nullable=False),
        sa.PrimaryKeyConstraint("key", name="pk_report_keys"),
        sa.ForeignKeyConstraint(
            ["report_id"], ["reports.id"], name="fk_report_keys_report_id_reports", ondelete="CASCADE"
        ),
    )
    op.create_index("ix_report_keys_report_id", "report_keys", ["report_id"])
    op.create_table(
        "work_notes",
        sa.Column("ticket_id", sa.String(32), nullable=False),
        sa.Column("revisions", sa.Integer(), nullable=False),
        sa.Column("noted_revision", sa.Integer(), nullable=False),
        sa.Column("noted_digest", sa.String(64), nullable=False),
        sa.Column("notes", sa.LargeBinary(), nullable=False),
        sa.Column("follow_up", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("ticket_id", name="pk_work_notes"),
    )


def _make_reports() -> None:
    op.create_table(
        "reports",
        sa.Column("id", sa.String(32), nullable=False),
        sa.Column("received_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("said", sa.String(64), nullable=True),
        sa.Column("answer", sa.LargeBinary(), nullable=False),
        sa.Column("policy_id", sa.String(64), nullable=False),
        sa.Column("method_version", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_reports"),
        sa.ForeignKeyConstraint(["policy_id"], ["policies.policy_id"], name="fk_reports_policy_id_policies"),
    )
    op.create_index("ix_reports_received_at", "reports", ["received_at"])
    op.create_index("ix_reports_said", "reports", ["said"], unique=True)
    op.create_table(
        "verdicts",
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("document", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("digest", name="pk_verdicts"),
    )


def _make_attempts() -> None:
    op.create_table(
        "attempts",
        sa.Column("report_id", sa.String(32), nullable=False),
        sa.Column("part", sa.Integer(), nullable=False),
        sa.Column("received_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("advice_id", sa.String(32), nullable=False),
        sa.Column("fibre", sa.Text(), nullable=False),
        sa.Column("joint", sa.Integer(), nullable=False),
        sa.Column("attempt", sa.Integer(), nullable=False),
        sa.Column("ribbon", sa.Text(), nullable=False),
        sa.Column("method", sa.Text(), nullable=False),
        sa.Column("plan", sa.Text(), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        *(sa.Column(name, sa.String(64), nullable=True) for name in _WHO),
        sa.Column("measured", sa.LargeBinary(), nullable=False),
        sa.Column("verdict", sa.String(16), nullable=False),
        sa.Column("verdict_digest", sa.String(64), nullable=True),
        sa.PrimaryKeyConstraint("report_id", "part", name="pk_attempts"),
        sa.ForeignKeyConstraint(
            ["report_id"], ["reports.id"], name="fk_attempts_report_id_reports", ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(["advice_id"], ["advices.id"], name="fk_attempts_advice_id_advices"),
        sa.ForeignKeyConstraint(["verdict_digest"], ["verdicts.digest"], name="fk_attempts_verdict_digest_verdicts"),
    )
    op.create_index("ix_attempts_key", "attempts", ["advice_id", "fibre", "joint", "attempt"])
    op.create_index("ix_attempts_made_at", "attempts", ["made_at"])
    op.create_index("ix_attempts_verdict_digest", "attempts", ["verdict_digest"])
    for name in _WHO:
        op.create_index(f"ix_attempts_{name}", "attempts", [name])


def downgrade() -> None:
    """Remove them and all that is in them."""
    for table in ("work_notes", "report_keys", "closures", "attempts", "verdicts", "reports"):
        op.drop_table(table)
    op.drop_index("ix_deliveries_advice_id", "deliveries")
