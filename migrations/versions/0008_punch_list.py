"""The punch list: entries, the steps taken, photos."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def _site_key() -> sa.Column[str]:
    return sa.Column("site_id", sa.String(32), sa.ForeignKey("site.id", ondelete="CASCADE"), primary_key=True)


def upgrade() -> None:
    """Create the tables; every list begins empty."""
    _entries()
    op.create_table(
        "punch_step",
        _site_key(),
        sa.Column("step", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("number", sa.Integer),
        sa.Column("serials", sa.JSON, nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("who", sa.String(120), nullable=False),
        sa.Column("what", sa.String(20), nullable=False),
        sa.Column("note", sa.Text, nullable=False),
        sa.Column("photo_id", sa.String(32)),
        sa.Column("details", sa.JSON, nullable=False),
        sa.Column("nonce", sa.String(64)),
        sa.UniqueConstraint("site_id", "nonce"),
    )
    op.create_index("ix_punch_step_entry", "punch_step", ["site_id", "number"])
    op.create_table(
        "photo",
        _site_key(),
        sa.Column("id", sa.String(32), primary_key=True),
        sa.Column("kept_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("kept_by", sa.String(120), nullable=False),
        sa.Column("width", sa.Integer, nullable=False),
        sa.Column("height", sa.Integer, nullable=False),
        sa.Column("jpeg", sa.LargeBinary, nullable=False),
    )


def _entries() -> None:
    op.create_table(
        "punch_entry",
        _site_key(),
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("subject", sa.String(120), nullable=False),
        sa.Column("cause", sa.String(40), nullable=False),
        sa.Column("serials", sa.JSON, nullable=False),
        sa.Column("plane", sa.String(100)),
        sa.Column("branch", sa.String(100)),
        sa.Column("finding", sa.JSON, nullable=False),
        sa.Column("lost_wh_per_day", sa.Float, nullable=False),
        sa.Column("record_sha256", sa.String(64), nullable=False),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("opened_by", sa.String(120), nullable=False),
        sa.Column("state", sa.String(20), nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("given_to", sa.Integer, sa.ForeignKey("account.id", ondelete="SET NULL")),
        sa.Column("due_on", sa.Date),
        sa.Column("mended_at", sa.DateTime(timezone=True)),
        sa.Column("closed_at", sa.DateTime(timezone=True)),
        sa.Column("reopened", sa.Integer, nullable=False),
        sa.Column("before", sa.JSON),
        sa.Column("proof", sa.JSON),
        sa.CheckConstraint("number >= 1", name="number"),
        sa.CheckConstraint("state IN ('open', 'looked_at', 'said_mended', 'closed', 'left')", name="state"),
        sa.CheckConstraint("state <> 'said_mended' OR mended_at IS NOT NULL", name="mended"),
    )
    op.create_index("ix_punch_entry_state", "punch_entry", ["state"])
    op.create_index("ix_punch_entry_subject", "punch_entry", ["site_id", "subject"])
    op.create_index("ix_punch_entry_given_to", "punch_entry", ["given_to"])


def downgrade() -> None:
    """Drop them."""
    for table in ("photo", "punch_step", "punch_entry"):
        op.drop_table(table)
