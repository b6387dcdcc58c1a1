"""The list's index over the verifications with the site first: SQLite takes the primary key's instead otherwise."""

from __future__ import annotations

from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None

NAME, OF_ROW = "ix_verification_listed", ["verdict", "lost_wh_per_day", "units_heard", "units_fitted"]


def upgrade() -> None:
    """Make it anew."""
    op.drop_index(NAME, "verification")
    op.create_index(NAME, "verification", ["site_id", "window", *OF_ROW])


def downgrade() -> None:
    """Make it as it was."""
    op.drop_index(NAME, "verification")
    op.create_index(NAME, "verification", ["window", "site_id", *OF_ROW])
