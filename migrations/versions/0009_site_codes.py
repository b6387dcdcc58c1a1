"""Short codes of sites, for the job sheet: unique, one for every site that there is already."""

from __future__ import annotations

import secrets

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"

site = sa.table("site", sa.column("id", sa.String), sa.column("code", sa.String))


def upgrade() -> None:
    """Add the column, give every site a code, then demand one of each."""
    op.add_column("site", sa.Column("code", sa.String(8)))
    connection = op.get_bind()
    ids = connection.execute(sa.select(site.c.id)).scalars().all()
    for site_id, code in zip(ids, _codes(len(ids)), strict=True):
        connection.execute(sa.update(site).where(site.c.id == site_id).values(code=code))
    with op.batch_alter_table("site") as batch:
        batch.alter_column("code", existing_type=sa.String(8), nullable=False)
        batch.create_unique_constraint("uq_site_code", ["code"])


def downgrade() -> None:
    """Drop the codes: printed job sheets lead nowhere then."""
    with op.batch_alter_table("site") as batch:
        batch.drop_constraint("uq_site_code", type_="unique")
        batch.drop_column("code")


def _codes(count: int) -> list[str]:
    codes: set[str] = set()
    while len(codes) < count:
        codes.add("".join(secrets.choice(LETTERS) for _ in range(6)))
    return sorted(codes)
