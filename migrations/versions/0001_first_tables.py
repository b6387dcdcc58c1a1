"""The first tables: sites with readings, weather, payloads and verifications; tokens and accounts."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

TABLES = ("weather_day", "verification", "reading_day", "payload", "site", "api_token", "account")


def upgrade() -> None:
    """Create them, parents first."""
    _create_accounts()
    _create_site()
    _create_readings()
    _create_payload()
    _create_verification()
    if op.get_bind().dialect.name == "postgresql":
        op.execute("CREATE SCHEMA IF NOT EXISTS jobs")  # for the queue library's own tables


def downgrade() -> None:
    """Drop them, children first."""
    for table in TABLES:
        op.drop_table(table)
    if op.get_bind().dialect.name == "postgresql":
        op.execute("DROP SCHEMA jobs CASCADE")


def _moment() -> sa.DateTime:
    return sa.DateTime(timezone=True)


def _site_key() -> sa.Column[str]:
    return sa.Column("site_id", sa.String(32), sa.ForeignKey("site.id", ondelete="CASCADE"), primary_key=True)


def _create_accounts() -> None:
    op.create_table(
        "account",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("name", sa.String(100), nullable=False, unique=True),
        sa.Column("role", sa.String(20), nullable=False),
        sa.Column("password_hash", sa.String(200), nullable=False),
        sa.Column("created_at", _moment(), nullable=False),
        sa.CheckConstraint("role IN ('office', 'installer')", name="role"),
    )
    op.create_table(
        "api_token",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("name", sa.String(100), nullable=False),
        sa.Column("token_hash", sa.String(64), nullable=False, unique=True),
        sa.Column("created_at", _moment(), nullable=False),
        sa.Column("revoked_at", _moment()),
    )


def _create_site() -> None:
    op.create_table(
        "site",
        sa.Column("id", sa.String(32), primary_key=True),
        sa.Column("name", sa.String(200), nullable=False, index=True),
        sa.Column("record", sa.JSON, nullable=False),
        sa.Column("data_version", sa.Integer, nullable=False),
        sa.Column("created_at", _moment(), nullable=False),
        sa.Column("owner_token_hash", sa.String(64), unique=True),
    )


def _create_readings() -> None:
    op.create_table(
        "reading_day",
        _site_key(),
        sa.Column("unit_serial", sa.String(80), primary_key=True),
        sa.Column("channel", sa.String(20), primary_key=True),
        sa.Column("day", sa.Date, primary_key=True),
        sa.Column("interval_min", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("offset_min", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("values", sa.LargeBinary, nullable=False),
        sa.CheckConstraint("interval_min IN (5, 10, 15, 30, 60)", name="interval"),
        sa.CheckConstraint("offset_min >= 0 AND offset_min < interval_min", name="offset"),
    )
    op.create_table(
        "weather_day",
        _site_key(),
        sa.Column("channel", sa.String(220), primary_key=True),
        sa.Column("day", sa.Date, primary_key=True),
        sa.Column("interval_min", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("offset_min", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("values", sa.LargeBinary, nullable=False),
    )


def _create_payload() -> None:
    op.create_table(
        "payload",
        _site_key(),
        sa.Column("sha256", sa.String(64), primary_key=True),
        sa.Column("received_at", _moment(), nullable=False),
        sa.Column("kind", sa.String(20), nullable=False),
        sa.Column("content_type", sa.String(100), nullable=False),
        sa.Column("body", sa.LargeBinary, nullable=False),
        sa.Column("problems", sa.JSON, nullable=False),
    )


def _create_verification() -> None:
    op.create_table(
        "verification",
        _site_key(),
        sa.Column("window", sa.String(80), primary_key=True),
        sa.Column("data_version", sa.Integer, nullable=False),
        sa.Column("made_by", sa.String(40), nullable=False),
        sa.Column("made_at", _moment(), nullable=False),
        sa.Column("verdict", sa.String(20), nullable=False),
        sa.Column("lost_wh_per_day", sa.Float, nullable=False),
        sa.Column("units_heard", sa.Integer, nullable=False),
        sa.Column("units_fitted", sa.Integer, nullable=False),
        sa.Column("window_start", _moment()),
        sa.Column("window_end", _moment()),
        sa.Column("result", sa.LargeBinary, nullable=False),
    )
