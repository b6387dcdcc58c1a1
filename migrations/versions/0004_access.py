"""Who may see and do what: installers' own sites, links that set a password, tokens of one site or for reading only."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

INSTALLERS_KEEP_THEIR_SITES = (
    "INSERT INTO assignment (site_id, account_id) "
    "SELECT site.id, account.id FROM site, account WHERE account.role = 'installer'"
)
"""Installers saw every site until now: an update takes nothing from them, and the office takes away what it likes."""


def upgrade() -> None:
    """Create the tables and columns; accounts go on, and tokens stay good for everything."""
    _create_assignment()
    op.execute(INSTALLERS_KEEP_THEIR_SITES)
    _extend_account()
    _extend_token()
    _create_password_link()
    op.create_table(
        "failed_tries",
        sa.Column("caller", sa.String(64), primary_key=True),
        sa.Column("since", sa.DateTime(timezone=True), nullable=False, index=True),
        sa.Column("count", sa.Integer, nullable=False),
    )


def downgrade() -> None:
    """Drop them; every account and token may see and do everything again."""
    op.drop_table("failed_tries")
    op.drop_table("password_link")
    op.drop_index("ix_api_token_site_id", "api_token")
    with op.batch_alter_table("api_token") as batch:
        batch.drop_constraint("fk_api_token_site_id_site", type_="foreignkey")
        for column in ("last_used_at", "read_only", "site_id"):
            batch.drop_column(column)
    with op.batch_alter_table("account") as batch:
        for column in ("session_epoch", "disabled_at"):
            batch.drop_column(column)
    op.drop_table("assignment")


def _account_key() -> sa.Column[int]:
    account = sa.ForeignKey("account.id", ondelete="CASCADE")
    return sa.Column("account_id", sa.Integer, account, primary_key=True, autoincrement=False)


def _create_assignment() -> None:
    site = sa.ForeignKey("site.id", ondelete="CASCADE")
    op.create_table("assignment", sa.Column("site_id", sa.String(32), site, primary_key=True), _account_key())
    op.create_index("ix_assignment_account_id", "assignment", ["account_id"])


def _extend_account() -> None:
    op.add_column("account", sa.Column("disabled_at", sa.DateTime(timezone=True)))
    op.add_column("account", sa.Column("session_epoch", sa.Integer, nullable=False, server_default="0"))


def _extend_token() -> None:
    with op.batch_alter_table("api_token") as batch:
        batch.add_column(sa.Column("site_id", sa.String(32)))
        batch.add_column(sa.Column("read_only", sa.Boolean, nullable=False, server_default=sa.false()))
        batch.add_column(sa.Column("last_used_at", sa.DateTime(timezone=True)))
        batch.create_foreign_key("fk_api_token_site_id_site", "site", ["site_id"], ["id"], ondelete="CASCADE")
    op.create_index("ix_api_token_site_id", "api_token", ["site_id"])


def _create_password_link() -> None:
    op.create_table(
        "password_link",
        _account_key(),
        sa.Column("token_hash", sa.String(64), nullable=False, unique=True),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
    )
