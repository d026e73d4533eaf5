"""Deliveries, tickets, the processes that work on them, where polled sources were left, and a secret.

An advice may be kept under an id that its caller derived: then the digest of what was asked stands beside it.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Make five tables and a column."""
    op.add_column("advices", sa.Column("asked", sa.String(64), nullable=True))
    op.create_table(
        "deliveries",
        sa.Column("id", sa.String(32), nullable=False),
        sa.Column("cause", sa.String(16), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("received_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("headers", sa.LargeBinary(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("ticket_id", sa.String(32), nullable=True),
        sa.Column("reference", sa.Text(), nullable=True),
        sa.Column("sequence", sa.BigInteger(), nullable=True),
        sa.Column("state", sa.String(16), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("round", sa.Integer(), nullable=False),
        sa.Column("attempt", sa.Integer(), nullable=False),
        sa.Column("begins", sa.Integer(), nullable=False),
        sa.Column("due_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("work_id", sa.Text(), nullable=True),
        sa.Column("advice_id", sa.String(32), nullable=True),
        sa.Column("revision", sa.Integer(), nullable=True),
        sa.Column("healed", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_deliveries"),
    )
    op.create_index("ix_deliveries_received_at", "deliveries", ["received_at"])
    op.create_index("ix_deliveries_ticket_id", "deliveries", ["ticket_id"])
    op.create_index("ix_deliveries_state", "deliveries", ["state"])
    op.create_table(
        "tickets",
        sa.Column("id", sa.String(32), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("reference", sa.Text(), nullable=False),
        sa.Column("sequence", sa.BigInteger(), nullable=False),
        sa.Column("told", sa.String(64), nullable=False),
        sa.Column("told_by", sa.String(32), nullable=False),
        sa.Column("ended", sa.Boolean(), nullable=False),
        sa.Column("parent_id", sa.String(32), nullable=True),
        sa.Column("advice_id", sa.String(32), nullable=True),
        sa.Column("wanted_by", sa.String(32), nullable=True),
        sa.Column("revisions", sa.Integer(), nullable=False),
        sa.Column("noted_revision", sa.Integer(), nullable=False),
        sa.Column("noted_digest", sa.String(64), nullable=False),
        sa.Column("notes", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_tickets"),
    )
    op.create_index("ix_tickets_parent_id", "tickets", ["parent_id"])
    op.create_table(
        "workers",
        sa.Column("name", sa.String(80), nullable=False),
        sa.Column("life", sa.String(32), nullable=False),
        sa.Column("seen_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_workers"),
    )
    op.create_table(
        "polls",
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("cursor", sa.Text(), nullable=False),
        sa.Column("poller", sa.Text(), nullable=True),
        sa.Column("polled_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("problem", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("source", name="pk_polls"),
    )
    op.create_table(
        "installations",
        sa.Column("number", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("secret", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_installations"),
    )


def downgrade() -> None:
    """Remove them and all that is in them."""
    op.drop_table("installations")
    op.drop_table("polls")
    op.drop_table("workers")
    op.drop_table("tickets")
    op.drop_table("deliveries")
    op.drop_column("advices", "asked")
