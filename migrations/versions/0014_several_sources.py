"""Who sent each unit's day, what each said where several did, and what came in as it was found."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add them; of earlier days it is not known who sent them."""
    with op.batch_alter_table("reading_day") as table:
        table.add_column(sa.Column("source", sa.Text, nullable=False, server_default=""))
    with op.batch_alter_table("reading_day") as table:
        table.alter_column("source", server_default=None)
    op.create_table(
        "reading_source",
        sa.Column("site_id", sa.String(32), sa.ForeignKey("site.id", ondelete="CASCADE"), primary_key=True),
        sa.Column("unit_serial", sa.String(80), primary_key=True),
        sa.Column("channel", sa.String(20), primary_key=True),
        sa.Column("day", sa.Date, primary_key=True),
        sa.Column("interval_min", sa.Integer, primary_key=True),
        sa.Column("offset_min", sa.Integer, primary_key=True),
        sa.Column("source", sa.String(300), primary_key=True),
        sa.Column("values", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "quality",
        sa.Column("site_id", sa.String(32), sa.ForeignKey("site.id", ondelete="CASCADE"), primary_key=True),
        sa.Column("data_version", sa.Integer, nullable=False),
        sa.Column("made_by", sa.String(40), nullable=False),
        sa.Column("result", sa.LargeBinary, nullable=False),
    )


def downgrade() -> None:
    """Forget them."""
    op.drop_table("quality")
    op.drop_table("reading_source")
    with op.batch_alter_table("reading_day") as table:
        table.drop_column("source")
