"""Weather that open services told of sites, apart from what was measured there, and how asking for it went."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "fetched_day",
        sa.Column("site_id", sa.String(32), sa.ForeignKey("site.id", ondelete="CASCADE"), primary_key=True),
        sa.Column("day", sa.Date, primary_key=True),
        sa.Column("service", sa.String(20), nullable=False),
        sa.Column("place", sa.String(20), nullable=False),
        sa.Column("fetched_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("hours", sa.JSON, nullable=False),
    )
    op.create_table(
        "weather_asked",
        sa.Column("site_id", sa.String(32), sa.ForeignKey("site.id", ondelete="CASCADE"), primary_key=True),
        sa.Column("service", sa.String(20), nullable=False),
        sa.Column("asked_at", sa.DateTime(timezone=True)),
        sa.Column("next_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("failing_since", sa.DateTime(timezone=True)),
        sa.Column("failure", sa.String(20), nullable=False),
        sa.Column("said", sa.Text, nullable=False),
    )
    op.create_index("ix_weather_asked_asked_at", "weather_asked", ["asked_at"])
    op.create_index("ix_weather_asked_next_at", "weather_asked", ["next_at"])


def downgrade() -> None:
    """Forget the weather; it can be fetched again."""
    op.drop_table("weather_asked")
    op.drop_table("fetched_day")
