"""The audit list: who changed what and when."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the table; what was done before it is not in it."""
    op.create_table(
        "audit",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("who", sa.String(120), nullable=False),
        sa.Column("action", sa.String(60), nullable=False),
        sa.Column("site_id", sa.String(32)),
        sa.Column("details", sa.JSON, nullable=False),
    )
    op.create_index("ix_audit_site_id", "audit", ["site_id", "id"])


def downgrade() -> None:
    """Drop it."""
    op.drop_table("audit")
