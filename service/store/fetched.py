"""Weather that open services told of sites, a row a site and day, and when each site's is to be asked for.

Who is asked and what it means is for `fetch` and `jobs`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import exists, func, or_
from sqlmodel import Session, col, select

from service.store.tables import FetchedDay, ReadingDay, Site, WeatherAsked

Hours = dict[str, list[float | None]]

SOONEST, LATEST = timedelta(hours=1), timedelta(days=1)
"""Between these a service is asked again that gave no answer: after as long as it has given none."""


@dataclass(frozen=True)
class Trouble:
    """Since when a site's weather cannot be fetched from a service, and why."""

    service: str
    since: datetime
    kind: str
    said: str


def place_of(record: Mapping[str, Any]) -> str:
    """Return a site's place as services are told it: to 0.01 degrees, about 1 km, finer than any of their grids."""
    return f"{record['latitude']:.2f},{record['longitude']:.2f}"


def days_of(session: Session, site_id: str, place: str, first: date, last: date) -> list[FetchedDay]:
    """Return what was told of a place's days from first to last, in order."""
    wanted = select(FetchedDay).where(
        col(FetchedDay.site_id) == site_id,
        col(FetchedDay.place) == place,
        col(FetchedDay.day).between(first, last),
    )
    return list(session.exec(wanted.order_by(col(FetchedDay.day))))


def keep(
    session: Session, site_id: str, days: Mapping[date, Hours], *, service: str, place: str, at: datetime
) -> set[date]:
    """Keep days in the place of what was told of them; return those of which anything differs."""
    changed = set()
    for day, hours in days.items():
        before = session.get(FetchedDay, (site_id, day))
        if before is None or (before.service, before.place, before.hours) != (service, place, hours):
            changed.add(day)
        session.merge(
            FetchedDay(site_id=site_id, day=day, service=service, place=place, fetched_at=at, hours=hours)
        )
    return changed


def due(session: Session, service: str, now: datetime, limit: int) -> list[str]:
    """Return sites with readings whose weather is to be asked for by now, the longest waiting first."""
    asked = WeatherAsked
    wanted = (
        select(Site.id)
        .outerjoin(asked, (col(asked.site_id) == col(Site.id)) & (col(asked.service) == service))
        .where(exists().where(col(ReadingDay.site_id) == col(Site.id)))
        .where(or_(col(asked.next_at).is_(None), col(asked.next_at) <= now))
        .order_by(col(asked.next_at).is_not(None), col(asked.next_at), col(Site.id))
    )
    return list(session.exec(wanted.limit(limit)))


def last_asked(session: Session) -> datetime | None:
    """Return when a service was last asked for any site."""
    return session.exec(select(func.max(col(WeatherAsked.asked_at)))).one()


def claim(session: Session, site_id: str, service: str, now: datetime) -> bool:
    """Take it on to ask for the site now; False if somebody else has."""
    row = _row(session, site_id, service, now)
    if row.next_at > now:
        return False
    row.asked_at, row.next_at = now, now + SOONEST
    session.merge(row)
    return True


def put_off(session: Session, site_id: str, service: str, until: datetime, *, now: datetime) -> None:
    """Say that nothing is to be asked for the site before then."""
    row = _row(session, site_id, service, now)
    row.next_at = until
    session.merge(row)


def note_answer(session: Session, site_id: str, service: str, next_at: datetime, *, now: datetime) -> None:
    """Say that the service answered."""
    row = _row(session, site_id, service, now)
    row.next_at, row.failing_since, row.failure, row.said = next_at, None, "", ""
    session.merge(row)


def note_failure(
    session: Session, site_id: str, service: str, kind: str, said: str, *, now: datetime
) -> None:
    """Say that it did not, and ask again after as long as it has not answered, an hour at least and a day at most."""
    row = _row(session, site_id, service, now)
    row.failing_since = row.failing_since or now
    row.next_at = now + min(max(now - row.failing_since, SOONEST), LATEST)
    row.failure, row.said = kind, said
    session.merge(row)


def trouble(session: Session, site_id: str, service: str) -> Trouble | None:
    """Return what is wrong with fetching the site's weather from the service, None if nothing is."""
    row = session.get(WeatherAsked, site_id)
    if row is None or row.service != service or not row.failure or row.failing_since is None:
        return None
    return Trouble(row.service, row.failing_since, row.failure, row.said)


def _row(session: Session, site_id: str, service: str, now: datetime) -> WeatherAsked:
    """Return the site's row; a new one where another service was asked before."""
    row = session.get(WeatherAsked, site_id)
    if row is None or row.service != service:
        return WeatherAsked(site_id=site_id, service=service, next_at=now)
    return row
