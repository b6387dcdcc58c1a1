"""Of which of a site's data versions an entry's proof was last asked."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; every entry is asked anew."""
    with op.batch_alter_table("punch_entry") as table:
        table.add_column(sa.Column("proved_version", sa.Integer, nullable=False, server_default="-1"))
    with op.batch_alter_table("punch_entry") as table:
        table.alter_column("proved_version", server_default=None)


def downgrade() -> None:
    """Drop it."""
    with op.batch_alter_table("punch_entry") as table:
        table.drop_column("proved_version")
