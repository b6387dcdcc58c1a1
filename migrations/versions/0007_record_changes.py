"""Changes of site records on the pages: what, by whom and when, and the record before, for undoing."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the table; every site begins without any."""
    op.create_table(
        "record_change",
        sa.Column("site_id", sa.String(32), sa.ForeignKey("site.id", ondelete="CASCADE"), primary_key=True),
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("summary", sa.JSON, nullable=False),
        sa.Column("made_by", sa.String(120), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("record_before", sa.JSON, nullable=False),
        sa.Column("after_sha256", sa.String(64), nullable=False),
        sa.Column("undone_by", sa.String(120)),
        sa.Column("undone_at", sa.DateTime(timezone=True)),
        sa.Column("record_after", sa.JSON(none_as_null=True)),
        sa.CheckConstraint("number >= 1", name="number"),
        sa.CheckConstraint("(undone_at IS NULL) = (undone_by IS NULL)", name="undone"),
        sa.CheckConstraint("(undone_at IS NULL) = (record_after IS NULL)", name="after"),
    )


def downgrade() -> None:
    """Drop it; the records stay as they are."""
    op.drop_table("record_change")
