"""Files brought from other programs: how far each has come, and its bytes in pieces."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None

STATES = "state IN ('coming', 'looking', 'asks', 'ready', 'taking', 'done', 'failed')"


def upgrade() -> None:
    """Make both tables."""
    op.create_table(
        "upload",
        sa.Column("site_id", sa.String(32), sa.ForeignKey("site.id", ondelete="CASCADE"), primary_key=True),
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("name", sa.String(200), nullable=False),
        sa.Column("sent_by", sa.String(120), nullable=False),
        sa.Column("sent_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("state", sa.String(20), nullable=False),
        sa.Column("turn", sa.Integer, nullable=False),
        sa.Column("size", sa.BigInteger, nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("mapping", sa.String(60), nullable=False),
        sa.Column("answers", sa.JSON, nullable=False),
        sa.Column("to_take", sa.Boolean, nullable=False),
        sa.Column("seen", sa.BigInteger, nullable=False),
        sa.Column("total", sa.BigInteger, nullable=False),
        sa.Column("worked_at", sa.DateTime(timezone=True)),
        sa.Column("tries", sa.Integer, nullable=False),
        sa.Column("found", sa.JSON),
        sa.Column("outcome", sa.JSON),
        sa.Column("errors", sa.JSON, nullable=False),
        sa.CheckConstraint("number >= 1", name="number"),
        sa.CheckConstraint(STATES, name="state"),
    )
    op.create_index("ix_upload_state", "upload", ["state", "changed_at"])
    op.create_table(
        "upload_piece",
        sa.Column("site_id", sa.String(32), primary_key=True),
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("kind", sa.String(10), primary_key=True),
        sa.Column("part", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("body", sa.LargeBinary, nullable=False),
        sa.CheckConstraint("kind IN ('sent', 'rejected')", name="kind"),
        sa.ForeignKeyConstraint(
            ["site_id", "number"],
            ["upload.site_id", "upload.number"],
            name="fk_upload_piece_site_id_upload",
            ondelete="CASCADE",
        ),
    )


def downgrade() -> None:
    """Forget the files; what was stored of them stays."""
    op.drop_table("upload_piece")
    op.drop_table("upload")
