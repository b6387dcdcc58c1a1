"""The list of sites in words. Pure functions; which site is worse was said by the store's order."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from service.report import words
from service.store.overview import Line, Page

PAGE_LENGTH = 25


@dataclass(frozen=True)
class Row:
    """One site in the list."""

    href: str
    name: str
    state: str
    answer: str
    behind: bool
    heard: str
    lost_per_day: str
    window: str


@dataclass(frozen=True)
class Listing:
    """A page of the list."""

    headline: str
    rows: tuple[Row, ...]
    page: int
    pages: int
    earlier: str | None
    further: str | None


def listing(found: Page, *, search: str, page: int, for_van: bool) -> Listing:
    """Return the list as it is read; an installer's links lead to the short pages."""
    pages = max(1, -(-found.total // PAGE_LENGTH))
    return Listing(
        headline=_headline(found, search),
        rows=tuple(_row(line, "/van" if for_van else "") for line in found.lines),
        page=page,
        pages=pages,
        earlier=_href(search, min(page - 1, pages)) if page > 1 else None,
        further=_href(search, page + 1) if page < pages else None,
    )


def _headline(found: Page, search: str) -> str:
    sites = words.counted(found.total, "site")
    if not found.total:
        return "No such site" if search else "No sites yet"
    if found.attention:
        return f"Look at {words.number(found.attention)} of {sites}"
    return f"Nothing to look at on {sites}"


def _row(line: Line, suffix: str) -> Row:
    return Row(
        href=f"/sites/{line.site_id}{suffix}",
        name=line.name,
        state=line.verdict or "none",
        answer=_answer(line),
        behind=line.behind,
        heard=words.EN_DASH if line.units_fitted is None else f"{line.units_heard} of {line.units_fitted}",
        lost_per_day=words.energy(line.lost_wh_per_day),
        window=_window(line),
    )


def _answer(line: Line) -> str:
    if line.verdict is None:
        return "Not worked out yet" if line.data_version else "No readings yet"
    unheard = (line.units_fitted or 0) - (line.units_heard or 0)
    answer = {"attention": "Look at this site", "verified": "Makes what it should"}.get(
        line.verdict, "Too early to say"
    )
    return f"{answer}: {words.counted(unheard, 'unit')} not heard" if unheard else answer


def _window(line: Line) -> str:
    if line.window_start is None or line.window_end is None:
        return words.EN_DASH
    return words.span(line.window_start, line.window_end, ZoneInfo(line.timezone))


def _href(search: str, page: int) -> str:
    query = urlencode({"q": search, "page": page} if search else {"page": page})
    return f"/?{query}"
