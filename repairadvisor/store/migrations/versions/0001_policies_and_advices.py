"""Policies for ever, and advices as they were given, each under one of them.

This file says again what ``repairadvisor.store.database`` and ``records`` declare, on purpose: it says how
databases were made on its day, and stays so when the declarations move on. A test compares the two.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make both tables."""
    op.create_table(
        "policies",
        sa.Column("policy_id", sa.String(64), nullable=False),
        sa.Column("canonical", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("policy_id", name="pk_policies"),
    )
    op.create_table(
        "advices",
        sa.Column("id", sa.String(32), nullable=False),
        sa.Column("given_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("now", sa.DateTime(timezone=True), nullable=False),
        sa.Column("facts", sa.LargeBinary(), nullable=False),
        sa.Column("policy_id", sa.String(64), nullable=False),
        sa.Column("vocabulary_version", sa.Text(), nullable=False),
        sa.Column("method_version", sa.Text(), nullable=False),
        sa.Column("document", sa.LargeBinary(), nullable=False),
        sa.Column("action", sa.Text(), nullable=False),
        sa.Column("ticket", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_advices"),
        sa.ForeignKeyConstraint(["policy_id"], ["policies.policy_id"], name="fk_advices_policy_id_policies"),
    )
    op.create_index("ix_advices_given_at", "advices", ["given_at"])
    op.create_index("ix_advices_ticket", "advices", ["ticket"])


def downgrade() -> None:
    """Remove both tables and all that is in them."""
    op.drop_table("advices")
    op.drop_table("policies")
