"""A site's days since commissioning. All days that readings are held of are due."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the table with a row for every day held, to be worked out; UTC days will do, zones add the rest."""
    op.create_table(
        "site_day",
        sa.Column("site_id", sa.String(32), sa.ForeignKey("site.id", ondelete="CASCADE"), primary_key=True),
        sa.Column("day", sa.Date, primary_key=True),
        sa.Column("measured_wh", sa.Float, nullable=False),
        sa.Column("expected_wh", sa.Float, nullable=False),
        sa.Column("possible_wh", sa.Float, nullable=False),
        sa.Column("sky", sa.String(20), nullable=False),
        sa.Column("made_by", sa.String(40), nullable=False),
    )
    op.create_index("ix_site_day_made_by", "site_day", ["made_by"])
    op.execute(
        "INSERT INTO site_day (site_id, day, measured_wh, expected_wh, possible_wh, sky, made_by) "
        "SELECT DISTINCT site_id, day, 0.0, 0.0, 0.0, '', '' FROM reading_day"
    )


def downgrade() -> None:
    """Drop it."""
    op.drop_table("site_day")
