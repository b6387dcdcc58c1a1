"""Of which kind of file remembered answers are, so that the next of its kind is known."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; of earlier answers the kind is not known."""
    with op.batch_alter_table("export_mapping") as table:
        table.add_column(sa.Column("kind", sa.Text, nullable=False, server_default=""))
    with op.batch_alter_table("export_mapping") as table:
        table.alter_column("kind", server_default=None)


def downgrade() -> None:
    """Forget it."""
    with op.batch_alter_table("export_mapping") as table:
        table.drop_column("kind")
