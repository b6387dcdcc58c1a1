"""What the list of sites finds, filters and sorts a site by, kept beside its record in one narrow row a site.

A record is kilobytes of JSON: to find one serial among ten thousand sites, no record is opened.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from sqlmodel import Session

from service.store.tables import ListedSite, Site

FIRST_WEEK = timedelta(days=7)


def keep(session: Session, site: Site) -> None:
    """Keep what the record says now."""
    session.merge(row_of(site))
    session.flush()


def row_of(site: Site) -> ListedSite:
    """Return what the record says now."""
    first = first_day(site.record, site.created_at)
    zone = _zone(site.record)
    return ListedSite(
        site_id=site.id,
        name=site.name,
        timezone=zone.key,
        first_day=first,
        week_ends_at=_midnight(first + FIRST_WEEK, zone),
        sought=sought(site.record),
    )


def first_day(record: dict[str, Any], created_at: datetime) -> date:
    """Return the day on which the site's first week begins: commissioned, or entered where that is not on record."""
    said = record.get("commissioned_on")
    return date.fromisoformat(said) if said else created_at.astimezone(_zone(record)).date()


def sought(record: dict[str, Any]) -> str:
    """Return what a search looks through: the name and every serial, a line each."""
    return "\n".join([record["name"], *(unit["serial"] for unit in record.get("units", ()))]).casefold()


def _midnight(day: date, zone: ZoneInfo) -> datetime:
    return datetime.combine(day, time(), zone).astimezone(UTC)


def _zone(record: dict[str, Any]) -> ZoneInfo:
    return ZoneInfo(record.get("timezone", "UTC"))
