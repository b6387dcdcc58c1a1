"""What is known of serials beside one site's record: which were heard on it, and which other sites name them."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date

from sqlalchemy import func, select
from sqlmodel import Session, col

from service.store.tables import ReadingDay, Site

AT_ONCE = 500
"""Serials asked for in one statement: databases limit how many values one may carry."""


def heard(session: Session, site_id: str, serials: Collection[str]) -> set[str]:
    """Return those of which the site holds readings."""
    wanted, found = sorted(serials), set[str]()
    for at in range(0, len(wanted), AT_ONCE):
        query = select(col(ReadingDay.unit_serial)).distinct().where(col(ReadingDay.site_id) == site_id)
        found |= set(session.scalars(query.where(col(ReadingDay.unit_serial).in_(wanted[at : at + AT_ONCE]))))
    return found


def days_heard(session: Session, site_id: str, serial: str) -> tuple[date, date] | None:
    """Return the first and the last day, of UTC, of which the site holds readings of the serial."""
    days = col(ReadingDay.day)
    own = (col(ReadingDay.site_id) == site_id) & (col(ReadingDay.unit_serial) == serial)
    first, last = session.execute(select(func.min(days), func.max(days)).where(own)).one()
    return (first, last) if first else None


def on_other_sites(session: Session, site_id: str | None, serials: Collection[str]) -> dict[str, str]:
    """Return the names of other sites on whose record the serials are, by serial.

    Goes through all records, since no table lists serials: call it for new serials only.
    """
    if not serials:
        return {}
    wanted, found = set(serials), dict[str, str]()
    query = select(col(Site.name), col(Site.record)).where(col(Site.id) != (site_id or ""))
    for name, record in session.execute(query.execution_options(yield_per=100)):
        found |= {unit["serial"]: name for unit in record["units"] if unit["serial"] in wanted}
    return found
