"""A verification's row says which window it covers, so that a list of sites opens no result."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

COLUMNS = ("window_start", "window_end")


def upgrade() -> None:
    """Add start and end; rows made before have none until they are made again."""
    with op.batch_alter_table("verification") as table:
        for name in COLUMNS:
            table.add_column(sa.Column(name, sa.DateTime(timezone=True)))


def downgrade() -> None:
    """Take them away."""
    with op.batch_alter_table("verification") as table:
        for name in COLUMNS:
            table.drop_column(name)
