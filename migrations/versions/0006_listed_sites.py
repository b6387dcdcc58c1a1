"""The list of sites: what each is found and sorted by in a narrow row, and an index over verifications' summaries."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

SITE = sa.table(
    "site",
    sa.column("id"),
    sa.column("name"),
    sa.column("record", sa.JSON),
    sa.column("created_at", sa.DateTime(timezone=True)),
)
AT_ONCE = 200


def upgrade() -> None:
    """Create the table and fill it from the records; create the index."""
    listed = op.create_table(
        "listed_site",
        sa.Column("site_id", sa.String(32), sa.ForeignKey("site.id", ondelete="CASCADE"), primary_key=True),
        sa.Column("name", sa.String(200), nullable=False),
        sa.Column("timezone", sa.String(200), nullable=False),
        sa.Column("first_day", sa.Date, nullable=False),
        sa.Column("week_ends_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("sought", sa.Text, nullable=False),
    )
    op.create_index("ix_listed_site_week_ends_at", "listed_site", ["week_ends_at"])
    _fill(listed)
    op.create_index(
        "ix_verification_listed",
        "verification",
        ["window", "site_id", "verdict", "lost_wh_per_day", "units_heard", "units_fitted"],
    )


def downgrade() -> None:
    """Drop both; the records hold it all."""
    op.drop_index("ix_verification_listed", "verification")
    op.drop_table("listed_site")


def _fill(listed: sa.Table) -> None:
    connection = op.get_bind()
    ids = list(connection.scalars(sa.select(SITE.c.id).order_by(SITE.c.id)))
    for first in range(0, len(ids), AT_ONCE):
        some = connection.execute(sa.select(SITE).where(SITE.c.id.in_(ids[first : first + AT_ONCE])))
        connection.execute(sa.insert(listed), [_row(site) for site in some])


def _row(site: Any) -> dict[str, Any]:
    zone = ZoneInfo(site.record.get("timezone", "UTC"))
    said = site.record.get("commissioned_on")
    created_at = site.created_at if site.created_at.tzinfo else site.created_at.replace(tzinfo=UTC)
    first_day = date.fromisoformat(said) if said else created_at.astimezone(zone).date()
    serials = [unit["serial"] for unit in site.record.get("units", ())]
    return {
        "site_id": site.id,
        "name": site.name,
        "timezone": zone.key,
        "first_day": first_day,
        "week_ends_at": datetime.combine(first_day + timedelta(days=7), time(), zone).astimezone(UTC),
        "sought": "\n".join([site.name, *serials]).casefold(),
    }
