"""What making an advice again needs: what was asked as it was asked, and what compiling its policy came to; and what
became of a policy's claims."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Make a column, empty for what was given before, and two tables."""
    op.add_column("advices", sa.Column("request", sa.LargeBinary(), nullable=True))
    op.create_table(
        "compiled_policies",
        sa.Column("policy_id", sa.String(64), nullable=False),
        sa.Column("method_version", sa.String(40), nullable=False),
        sa.Column("tables", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("policy_id", "method_version", name="pk_compiled_policies"),
        sa.ForeignKeyConstraint(["policy_id"], ["policies.policy_id"], name="fk_compiled_policies_policy_id_policies"),
    )
    op.create_table(
        "proven_policies",
        sa.Column("policy_id", sa.String(64), nullable=False),
        sa.Column("method_version", sa.String(40), nullable=False),
        sa.Column("proven_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("proofs", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("policy_id", "method_version", name="pk_proven_policies"),
        sa.ForeignKeyConstraint(["policy_id"], ["policies.policy_id"], name="fk_proven_policies_policy_id_policies"),
    )


def downgrade() -> None:
    """Remove them and all that is in them."""
    op.drop_table("proven_policies")
    op.drop_table("compiled_policies")
    op.drop_column("advices", "request")
