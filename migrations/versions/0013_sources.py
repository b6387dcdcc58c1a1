"""From whom each batch came, and how many problems it had, by which those with any are found."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None

INDEX = "ix_payload_problem_count"


def upgrade() -> None:
    """Add the columns; of earlier batches it is not known who sent them."""
    with op.batch_alter_table("payload") as table:
        table.add_column(sa.Column("source", sa.Text, nullable=False, server_default=""))
        table.add_column(sa.Column("problem_count", sa.Integer, nullable=False, server_default="0"))
    op.execute("UPDATE payload SET problem_count = json_array_length(problems)")
    with op.batch_alter_table("payload") as table:
        table.alter_column("source", server_default=None)
        table.alter_column("problem_count", server_default=None)
        table.create_index(INDEX, ["site_id", "problem_count"])


def downgrade() -> None:
    """Forget them."""
    with op.batch_alter_table("payload") as table:
        table.drop_index(INDEX)
        table.drop_column("problem_count")
        table.drop_column("source")
