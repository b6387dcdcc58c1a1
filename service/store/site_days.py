"""A site's days since it was commissioned: what it made and what was to be expected, each day of the site's own zone.

Figures outlast the window of a verification. A day whose data changed is due again and keeps its figures meanwhile.
What the figures mean is for `jobs.site_days`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from datetime import date

from sqlalchemy import select as select_columns
from sqlalchemy import update
from sqlalchemy.dialects import postgresql, sqlite
from sqlmodel import Session, col, select

from service.store.tables import SiteDay

DUE = ""
"""Who made the figures of a day that nobody has worked out since its data changed."""

AT_ONCE = 100
"""Rows written by one statement: SQLite bounds the values in it."""


@dataclass(frozen=True)
class Day:
    """One day's energies, Wh: measured and expected over the same timestamps.

    `possible_wh` is expected in all intervals, also those that were not heard; `sky` is what the expectation rests on.
    """

    day: date
    measured_wh: float = 0.0
    expected_wh: float = 0.0
    possible_wh: float = 0.0
    sky: str = ""


def keep(session: Session, site_id: str, days: Iterable[Day], made_by: str) -> None:
    """Keep days as worked out by `made_by`; they replace what was kept of them."""
    _write(session, [{**asdict(day), "site_id": site_id, "made_by": made_by} for day in days], figures=True)


def want(session: Session, site_id: str, days: Iterable[date]) -> None:
    """Say that the data of days changed: they are due."""
    rows = [{**asdict(Day(day)), "site_id": site_id, "made_by": DUE} for day in sorted(set(days))]
    _write(session, rows, figures=False)


def want_all(session: Session, site_id: str) -> None:
    """Say that what all days of a site rest on changed."""
    session.execute(update(SiteDay).where(col(SiteDay.site_id) == site_id).values(made_by=DUE))


def since(session: Session, site_id: str, first: date) -> list[Day]:
    """Return the days from `first` on of which something is known, in order."""
    c = SiteDay
    wanted = select(c).where(col(c.site_id) == site_id, col(c.day) >= first, col(c.possible_wh) > 0)
    found = session.exec(wanted.order_by(col(c.day)))
    return [Day(r.day, r.measured_wh, r.expected_wh, r.possible_wh, r.sky) for r in found]


def due(session: Session, site_id: str, made_by: str) -> list[date]:
    """Return the days that `made_by` has not worked out since their data changed, in order."""
    own = (col(SiteDay.site_id) == site_id) & (col(SiteDay.made_by) != made_by)
    wanted = select_columns(col(SiteDay.day)).where(own).order_by(col(SiteDay.day))
    return list(session.execute(wanted).scalars())


def sites_due(session: Session, made_by: str, limit: int) -> list[str]:
    """Return some sites that have such days."""
    wanted = select(SiteDay.site_id).where(col(SiteDay.made_by) != made_by).distinct()
    return list(session.exec(wanted.order_by(col(SiteDay.site_id)).limit(limit)))


def _write(session: Session, rows: list[dict[str, object]], *, figures: bool) -> None:
    dialect = postgresql if session.get_bind().dialect.name == "postgresql" else sqlite
    for at in range(0, len(rows), AT_ONCE):
        insert = dialect.insert(SiteDay).values(rows[at : at + AT_ONCE])
        changed = [n for n in rows[0] if n not in ("site_id", "day")] if figures else ["made_by"]
        session.execute(
            insert.on_conflict_do_update(
                index_elements=["site_id", "day"], set_={name: insert.excluded[name] for name in changed}
            )
        )
