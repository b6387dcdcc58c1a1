"""Works out what a site made and should have made on each day since it was commissioned, and keeps it.

The newest days come with every verification; older ones, as after an update or with data of long ago, a stretch at a
time. Nothing is judged here: the figures are those of the verifications.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from sqlmodel import Session

from service.expect.site import Site, Unit
from service.jobs.assemble import LONGEST_DEFAULT_WINDOW
from service.report.days import Series, unit_series
from service.store import site_days, sites
from service.store.site_days import Day
from service.verify.result import Verification

LONGEST_STRETCH = LONGEST_DEFAULT_WINDOW
"""What one job works out at once: as much as a verification sees by itself."""


def days_of(found: Verification, site: Site) -> list[Day]:
    """Return the days of a verification's window, the first and the last as far as it reaches."""
    if found.curves is None or not found.units:
        return []
    zone = ZoneInfo(site.timezone)
    known = {u.serial: u for u in site.units}
    curves = [(known[u.serial], unit_series(found.curves, u.serial, zone)) for u in found.units]
    days = curves[0][1].days
    measured, expected, possible = np.sum([_by_day(*one) for one in curves], axis=0)
    rows = zip(days, measured, expected, possible, strict=True)
    return [Day(d, float(m), float(e), float(p), found.sky.source) for d, m, e, p in rows]


def _by_day(unit: Unit, series: Series) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """Return a unit's energies by day, (3, days): measured and expected while heard, expected while on the roof."""
    count, heard = len(series.days), series.heard
    since, until = unit.active_from or date.min, unit.active_until or date.max
    fitted = np.array([since <= day < until for day in series.days])
    return np.stack([
        np.bincount(series.day[heard], series.measured_wh[heard], count),
        np.bincount(series.day[heard], series.expected_wh[heard], count),
        np.bincount(series.day, np.nan_to_num(series.expected_wh), count) * fitted,
    ])  # fmt: skip


def keep_newest(
    session: Session, site_id: str, version: int, found: Verification, site: Site, made_by: str
) -> None:
    """Keep the days of the newest window, unless its data has changed since."""
    if _is_still(session, site_id, version):
        days = _whole(days_of(found, site), found, ZoneInfo(site.timezone))
        site_days.keep(session, site_id, days, made_by)


def keep_stretch(session: Session, site_id: str, version: int, days: Sequence[Day], made_by: str) -> None:
    """Keep the days of a stretch, unless the site's data has changed since."""
    if _is_still(session, site_id, version):
        site_days.keep(session, site_id, days, made_by)


def stretch(due: Sequence[date], zone: ZoneInfo) -> tuple[datetime, datetime]:
    """Return the window of the first days that are due, from midnight to midnight."""
    last = max(day for day in due if day < due[0] + LONGEST_STRETCH)
    return midnight(due[0], zone), midnight(last + timedelta(days=1), zone)


def filled(days: Sequence[Day], start: datetime, end: datetime, zone: ZoneInfo) -> list[Day]:
    """Return every day from `start` to `end`: as worked out, or as one of which nothing is known."""
    known = {day.day: day for day in days}
    return [known.get(day, Day(day)) for day in _dates(start, end, zone)]


def midnight(day: date, zone: ZoneInfo) -> datetime:
    """Return the day's start."""
    return datetime.combine(day, time(), zone).astimezone(UTC)


def _dates(start: datetime, end: datetime, zone: ZoneInfo) -> Iterator[date]:
    day, last = start.astimezone(zone).date(), (end - timedelta(microseconds=1)).astimezone(zone).date()
    while day <= last:
        yield day
        day += timedelta(days=1)


def _whole(days: list[Day], found: Verification, zone: ZoneInfo) -> list[Day]:
    """Leave out the first day where the window may cut it off: it was seen as a whole before, or is due."""
    cut = found.end - found.start > LONGEST_DEFAULT_WINDOW - timedelta(days=1)
    return days[1:] if cut and midnight(days[0].day, zone) < found.start else days


def _is_still(session: Session, site_id: str, version: int) -> bool:
    site = sites.held(session, site_id)
    return site is not None and site.data_version == version
