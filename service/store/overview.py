"""Sites as a list of answers: the verification of each one's default window, the worst first, without opening any."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, case, false, func, not_, true
from sqlalchemy import select as select_columns
from sqlmodel import Session, col

from service.store.sites import DEFAULT_WINDOW
from service.store.tables import Site, VerificationRow


@dataclass(frozen=True)
class Line:
    """One site; `behind` says whether its verification is older than its data or the code.

    `verdict` and what follows are None before its first verification.
    """

    site_id: str
    name: str
    timezone: str
    data_version: int
    behind: bool
    verdict: str | None
    lost_wh_per_day: float | None
    units_heard: int | None
    units_fitted: int | None
    window_start: datetime | None
    window_end: datetime | None


@dataclass(frozen=True)
class Page:
    """Some lines, and how many sites there are in all and with something to look at."""

    lines: list[Line]
    total: int
    attention: int


def page(
    session: Session,
    *,
    search: str,
    offset: int,
    limit: int,
    made_by: str,
    seen: ColumnElement[bool] | None = None,
) -> Page:
    """Return the sites whose name holds `search`, the worst first; of those that `seen` leaves, if it is given.

    That is most energy lost a day, then units not heard, then attention, then a verification that is not up to
    date: not made of the site's newest data or not by `made_by`.
    """
    joined = (col(VerificationRow.site_id) == col(Site.id)) & (col(VerificationRow.window) == DEFAULT_WINDOW)
    named = col(Site.name).icontains(search, autoescape=True) & (true() if seen is None else seen)
    rows = session.execute(
        select_columns(*_columns(made_by))
        .select_from(Site)
        .outerjoin(VerificationRow, joined)
        .where(named)
        .order_by(*_worst_first(made_by))
        .offset(offset)
        .limit(limit)
    )
    counts = session.execute(
        select_columns(func.count(), func.count(case((_is_attention(), 1))))
        .select_from(Site)
        .outerjoin(VerificationRow, joined)
        .where(named)
    ).one()
    return Page([Line(*row) for row in rows], *counts)


def _columns(made_by: str) -> tuple[ColumnElement[Any], ...]:
    of_row = ("verdict", "lost_wh_per_day", "units_heard", "units_fitted", "window_start", "window_end")
    timezone = col(Site.record)["timezone"].as_string()
    behind = col(VerificationRow.verdict).is_not(None) & not_(_up_to_date(made_by))
    own = (col(Site.id), col(Site.name), timezone, col(Site.data_version), behind)
    return (*own, *(col(getattr(VerificationRow, name)) for name in of_row))


def _is_attention() -> ColumnElement[bool]:
    return col(VerificationRow.verdict) == "attention"


def _up_to_date(made_by: str) -> ColumnElement[bool]:
    newest = col(VerificationRow.data_version) >= col(Site.data_version)
    return func.coalesce(newest & (col(VerificationRow.made_by) == made_by), false())


def _worst_first(made_by: str) -> tuple[Any, ...]:
    lost = func.coalesce(col(VerificationRow.lost_wh_per_day), 0.0)
    unheard = func.coalesce(col(VerificationRow.units_fitted) - col(VerificationRow.units_heard), 0)
    attention = case((_is_attention(), 0), else_=1)
    return lost.desc(), unheard.desc(), attention, _up_to_date(made_by), col(Site.name), col(Site.id)
