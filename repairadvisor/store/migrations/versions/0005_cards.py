"""Pocket cards: each made once, by whoever claimed it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "cards",
        sa.Column("advice_id", sa.String(32), nullable=False),
        sa.Column("maker", sa.String(32), nullable=False),
        sa.Column("claimed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("card", sa.LargeBinary(), nullable=True),
        sa.PrimaryKeyConstraint("advice_id", name="pk_cards"),
        sa.ForeignKeyConstraint(["advice_id"], ["advices.id"], name="fk_cards_advice_id_advices"),
    )


def downgrade() -> None:
    """Remove it and all that is in it."""
    op.drop_table("cards")
