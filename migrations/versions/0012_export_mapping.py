"""Answers given for exported files, remembered by name."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "export_mapping",
        sa.Column("site_id", sa.String(32), sa.ForeignKey("site.id", ondelete="CASCADE"), primary_key=True),
        sa.Column("name", sa.String(60), primary_key=True),
        sa.Column("answers", sa.JSON, nullable=False),
    )


def downgrade() -> None:
    """Forget the answers; they can be given again."""
    op.drop_table("export_mapping")
