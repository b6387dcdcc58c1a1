"""Feeds of a broker: their topics, the values on their way to intervals, and how it stands with the broker."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "feed",
        sa.Column("site_id", sa.String(32), sa.ForeignKey("site.id", ondelete="CASCADE"), primary_key=True),
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("topic", sa.String(500), nullable=False),
        sa.Column("payload", sa.JSON, nullable=False),
        sa.Column("enabled", sa.Boolean, nullable=False),
        sa.Column("messages", sa.BigInteger, nullable=False),
        sa.Column("heard_at", sa.DateTime(timezone=True)),
        sa.Column("heard_topic", sa.Text, nullable=False),
        sa.Column("heard_message", sa.LargeBinary),
        sa.Column("wrong", sa.BigInteger, nullable=False),
        sa.Column("wrong_at", sa.DateTime(timezone=True)),
        sa.Column("wrong_topic", sa.Text, nullable=False),
        sa.Column("wrong_message", sa.LargeBinary),
        sa.Column("wrong_why", sa.Text, nullable=False),
        sa.Column("due_from_us", sa.BigInteger),
        sa.Column("due_until_us", sa.BigInteger),
        sa.CheckConstraint("number >= 1", name="number"),
        sa.CheckConstraint("(due_from_us IS NULL) = (due_until_us IS NULL)", name="due"),
    )
    op.create_table(
        "live_sample",
        sa.Column("site_id", sa.String(32), primary_key=True),
        sa.Column("feed", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("serial", sa.String(80), primary_key=True),
        sa.Column("kind", sa.String(20), primary_key=True),
        sa.Column("at_us", sa.BigInteger, primary_key=True, autoincrement=False),
        sa.Column("value", sa.Float, nullable=False),
        sa.Column("arrived_us", sa.BigInteger, nullable=False),
        sa.ForeignKeyConstraint(["site_id", "feed"], ["feed.site_id", "feed.number"], ondelete="CASCADE"),
    )
    op.create_table(
        "broker_state",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("connected", sa.Boolean, nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("since", sa.DateTime(timezone=True), nullable=False),
        sa.Column("seen_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("id = 1", name="one"),
    )
    op.create_table("subscription", sa.Column("topic", sa.String(500), primary_key=True))


def downgrade() -> None:
    """Drop them; what is on its way to an interval is lost."""
    for name in ("subscription", "broker_state", "live_sample", "feed"):
        op.drop_table(name)
