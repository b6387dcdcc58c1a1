"""Sites as a list of answers: the verification of each one's default window, sorted, without opening any.

What is filtered and sorted by lies in narrow rows and one index; only the lines of one page are put together.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Literal, get_args

from sqlalchemy import ColumnElement, Select, and_, case, false, func, not_
from sqlalchemy import select as select_columns
from sqlmodel import Session, col

from service.store.assignments import seen_by
from service.store.listed import FIRST_WEEK
from service.store.punch import LIVE
from service.store.sites import DEFAULT_WINDOW
from service.store.tables import ListedSite, PunchEntry, Site, User, VerificationRow

State = Literal["attention", "verified", "too_little_light", "unheard"]
"""A verdict, or that nothing was heard so far."""

Order = Literal["lost", "left"]
"""Most energy lost a day first, or fewest days left of the first week first."""

STATES: tuple[State, ...] = get_args(State)
LINES_AT_ONCE = 500


@dataclass(frozen=True)
class Wanted:
    """Which sites, as of `now` and for whom, in what order; `search` is of a name, a serial or a code."""

    now: datetime
    user: User | None = None
    """Whose sites: those that this person may see, every site for None."""
    first_week: bool = False
    search: str = ""
    state: State | None = None
    order: Order = "lost"
    to_be_done: bool = False
    """Only those with an entry on the punch list that somebody still has to see to."""


@dataclass(frozen=True)
class Line:
    """One site; `behind` says whether its verification is older than its data or the code.

    `verdict` and what follows are None before its first verification.
    """

    site_id: str
    name: str
    timezone: str
    first_day: date
    week_ends_at: datetime
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
    """Some lines of those wanted, and how many sites there are of each state, whichever state is wanted."""

    lines: list[Line]
    counts: dict[State, int]


def page(session: Session, wanted: Wanted, *, offset: int, limit: int, made_by: str) -> Page:
    """Return some of the sites wanted; a line is behind unless made of the site's newest data and by `made_by`."""
    ids = session.scalars(_sorted(wanted).offset(offset).limit(limit)).all()
    return Page(_lines(session, ids, made_by), counts(session, wanted))


def counts(session: Session, wanted: Wanted) -> dict[State, int]:
    """Return how many sites there are of each state, whichever state is wanted."""
    state = _state().label("state")
    query = _from_listed(state, func.count()).where(*_scope(wanted)).group_by(state)
    found: dict[State, int] = dict(session.execute(query).all())
    return {state: found.get(state, 0) for state in STATES}


def every_line(session: Session, wanted: Wanted, *, made_by: str) -> Iterator[Line]:
    """Give all lines wanted, some hundred at a time, for a file."""
    ids = session.scalars(_sorted(wanted)).all()
    for first in range(0, len(ids), LINES_AT_ONCE):
        yield from _lines(session, ids[first : first + LINES_AT_ONCE], made_by)


def _sorted(wanted: Wanted) -> Select[str]:
    chosen = [_state() == wanted.state] if wanted.state else []
    ids = _from_listed(col(ListedSite.site_id))
    return ids.where(*_scope(wanted), *chosen).order_by(*_order(wanted))


def _from_listed(*columns: Any) -> Select[Any]:
    query: Select[Any] = select_columns(*columns)
    of_site = col(VerificationRow.site_id) == col(ListedSite.site_id)
    # Not `window = …`: SQLite would then go by the primary key to each row with its large result, and pass by the
    # index that holds all that is read here.
    is_default = func.coalesce(col(VerificationRow.window), "") == DEFAULT_WINDOW
    return query.select_from(ListedSite).outerjoin(VerificationRow, of_site & is_default)


def _scope(wanted: Wanted) -> list[ColumnElement[bool]]:
    ends = col(ListedSite.week_ends_at)
    found = [seen_by(wanted.user, ListedSite.site_id)] if wanted.user else []
    if wanted.first_week:
        found += [ends > wanted.now, ends <= wanted.now + FIRST_WEEK]
    if wanted.to_be_done:
        live = select_columns(col(PunchEntry.site_id)).where(col(PunchEntry.state).in_(LIVE))
        found.append(col(ListedSite.site_id).in_(live))
    if wanted.search:
        found.append(_matches(wanted.search))
    return found


def _matches(search: str) -> ColumnElement[bool]:
    """Return the condition that leaves the sites with the words in name or serials, and that of the code."""
    code = "".join(search.split()).lower()
    of_code = select_columns(col(Site.id)).where(col(Site.code) == code)
    named = col(ListedSite.sought).contains(search.casefold(), autoescape=True)
    return named | col(ListedSite.site_id).in_(of_code)


def _state() -> ColumnElement[str]:
    heard = func.coalesce(col(VerificationRow.units_heard), 0)
    return case((heard == 0, "unheard"), else_=col(VerificationRow.verdict))


def _order(wanted: Wanted) -> tuple[Any, ...]:
    lost = func.coalesce(col(VerificationRow.lost_wh_per_day), 0.0).desc()
    unheard = func.coalesce(col(VerificationRow.units_fitted) - col(VerificationRow.units_heard), 0).desc()
    state = case({"attention": 0, "verified": 2}, value=col(VerificationRow.verdict), else_=1)
    last = (col(ListedSite.name), col(ListedSite.site_id))
    if wanted.order == "lost":
        return (lost, unheard, state, *last)
    ends = col(ListedSite.week_ends_at)
    return (case((ends > wanted.now, 0), else_=1), ends, lost, *last)


def _lines(session: Session, ids: Sequence[str], made_by: str) -> list[Line]:
    """Return the lines of these sites in this order; one that was deleted meanwhile is left out."""
    of_row = and_(
        col(VerificationRow.site_id) == col(ListedSite.site_id), col(VerificationRow.window) == DEFAULT_WINDOW
    )
    rows = session.execute(
        select_columns(*_columns(made_by))
        .select_from(ListedSite)
        .join(Site, col(Site.id) == col(ListedSite.site_id))
        .outerjoin(VerificationRow, of_row)
        .where(col(ListedSite.site_id).in_(ids))
    )
    lines = {row[0]: Line(*row) for row in rows}
    return [lines[site_id] for site_id in ids if site_id in lines]


def _columns(made_by: str) -> tuple[Any, ...]:
    of_site = ("site_id", "name", "timezone", "first_day", "week_ends_at")
    of_row = ("verdict", "lost_wh_per_day", "units_heard", "units_fitted", "window_start", "window_end")
    newest = col(VerificationRow.data_version) >= col(Site.data_version)
    up_to_date = func.coalesce(newest & (col(VerificationRow.made_by) == made_by), false())
    behind = col(VerificationRow.verdict).is_not(None) & not_(up_to_date)
    return (
        *(col(getattr(ListedSite, name)) for name in of_site),
        col(Site.data_version),
        behind,
        *(col(getattr(VerificationRow, name)) for name in of_row),
    )
