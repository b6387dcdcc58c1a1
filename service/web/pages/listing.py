"""The list of sites in words. Pure functions; which site comes first was said by the store's order."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Literal
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from service.report import sheets, words
from service.report.language import gettext as _
from service.report.language import ngettext
from service.report.sheets import Column, Table
from service.store.overview import STATES, Line, Order, Page, State, Wanted
from service.store.tables import User

PAGE_LENGTH = 25
WEEK_DAYS = 7
BAR_WIDTH = 96
"""The width of the longest bar of lost energy, px."""

Scope = Literal["first", "all"]
Punch = Literal["any", "open"]


@dataclass(frozen=True)
class Asked:
    """What the address asks for; the names are those of its parameters."""

    week: Scope = "first"
    q: str = ""
    state: State | None = None
    sort: Order = "lost"
    punch: Punch = "any"
    page: int = 1

    def wanted(self, user: User, now: datetime) -> Wanted:
        """Return the same for the store, of the sites that the person may see."""
        is_first, to_be_done = self.week == "first", self.punch == "open"
        return Wanted(now, user, is_first, self.q.strip(), self.state, self.sort, to_be_done)

    def query(self) -> str:
        """Return the part of an address after the question mark: what differs from a plain visit."""
        plain = Asked()
        names = ("week", "q", "state", "sort", "punch", "page")
        given = {name: getattr(self, name) for name in names if getattr(self, name) != getattr(plain, name)}
        return urlencode(given)

    @property
    def href(self) -> str:
        """Return the list's address."""
        return f"/?{self.query()}" if self.query() else "/"


@dataclass(frozen=True)
class Choice:
    """A filter or an order that a click chooses."""

    text: str
    href: str
    chosen: bool


@dataclass(frozen=True)
class Row:
    """One site in the list; `passed` of seven days of its first week are over, None outside that week."""

    href: str
    name: str
    state: str
    answer: str
    behind: bool
    heard: str
    lost_per_day: str
    lost_px: float
    week: str
    passed: int | None
    window: str


@dataclass(frozen=True)
class Listing:
    """A page of the list."""

    headline: str
    lede: str
    any_sites: bool
    rows: tuple[Row, ...]
    scopes: tuple[Choice, ...]
    states: tuple[Choice, ...]
    punch: tuple[Choice, ...]
    orders: tuple[Choice, ...]
    page: int
    pages: int
    earlier: str | None
    further: str | None
    files: str
    """What follows the address of the same sites as a file."""


def listing(found: Page, asked: Asked, *, now: datetime, for_van: bool, is_instead: bool) -> Listing:
    """Return the list as it is read; an installer's links lead to the short pages.

    `is_instead` says that no site of its first week was found, and all are shown instead.
    """
    total = sum(found.counts.values()) if asked.state is None else found.counts[asked.state]
    pages = max(1, -(-total // PAGE_LENGTH))
    largest = max((line.lost_wh_per_day or 0.0 for line in found.lines), default=0.0)
    return Listing(
        headline=_headline(found, asked),
        lede=_lede(asked, is_instead=is_instead),
        any_sites=bool(asked.q) or asked.punch != "any" or any(found.counts.values()),
        rows=tuple(_row(line, "/van" if for_van else "", largest, now) for line in found.lines),
        scopes=_scopes(asked),
        states=_states(found, asked),
        punch=_punch(asked),
        orders=_orders(asked),
        page=asked.page,
        pages=pages,
        earlier=replace(asked, page=min(asked.page - 1, pages)).href if asked.page > 1 else None,
        further=replace(asked, page=asked.page + 1).href if asked.page < pages else None,
        files=replace(asked, page=1).href.removeprefix("/"),
    )


def sites_table(lines: Iterable[Line], now: datetime) -> Table:
    """Return the list as a table for a file."""
    columns = (
        Column(_("Site"), width=30),
        Column(_("Answer"), width=36),
        Column(_("Units heard"), "0"),
        Column(_("Units on the record"), "0"),
        Column(_("Lost a day [Wh]"), "0.0"),
        Column(_("First day")),
        Column(_("Days left of the first week"), "0"),
        Column(_("Window from")),
        Column(_("Window to")),
        Column(_("Time zone"), width=20),
        Column(_("Page"), width=30),
    )
    return Table(_("Sites"), columns, (_table_row(line, now) for line in lines))


def answer(line: Line) -> str:
    """Return a site's answer in a sentence."""
    if line.verdict is None:
        return _("Not worked out yet") if line.data_version else _("No readings yet")
    if not line.units_heard:
        return _("No unit was heard so far")
    said = {"attention": _("Look at this site"), "verified": _("Makes what it should")}
    sentence = said.get(line.verdict, _("Too early to say"))
    unheard = (line.units_fitted or 0) - line.units_heard
    if not unheard:
        return sentence
    silent = ngettext("%(num)d unit not heard", "%(num)d units not heard", unheard) % {"num": unheard}
    return _("%(answer)s: %(silent)s") % {"answer": sentence, "silent": silent}


def days_left(line: Line, now: datetime) -> int:
    """Return how many days of the first week are left, today among them; more than seven before it begins."""
    today = now.astimezone(ZoneInfo(line.timezone)).date()
    return (line.first_day - today).days + WEEK_DAYS


def _headline(found: Page, asked: Asked) -> str:
    total = sum(found.counts.values())
    if not total:
        return _("No such site") if asked.q.strip() else _("No sites yet")
    look = found.counts["attention"]
    names = {"look": words.number(look), "total": words.number(total)}
    if look:
        return (
            ngettext("Look at %(look)s of %(total)s site", "Look at %(look)s of %(total)s sites", total)
            % names
        )
    return (
        ngettext("Nothing to look at on %(total)s site", "Nothing to look at on %(total)s sites", total)
        % names
    )


def _lede(asked: Asked, *, is_instead: bool) -> str:
    if is_instead:
        which = _("No site is in its first week; here is every site.")
    elif asked.week == "first":
        which = _("Sites in their first week, today among its seven days.")
    else:
        which = _("Every site.")
    order = {"lost": _("The largest loss a day comes first."), "left": _("The fewest days left come first.")}
    return f"{which} {order[asked.sort]}"


def _row(line: Line, suffix: str, largest_wh: float, now: datetime) -> Row:
    left = days_left(line, now)
    lost = line.lost_wh_per_day or 0.0
    return Row(
        href=f"/sites/{line.site_id}{suffix}",
        name=line.name,
        state=line.verdict or "none",
        answer=answer(line),
        behind=line.behind,
        heard=_heard(line),
        lost_per_day=words.energy(line.lost_wh_per_day),
        lost_px=round(BAR_WIDTH * lost / largest_wh, 1) if largest_wh else 0.0,
        week=_week(line, left),
        passed=WEEK_DAYS - left if 1 <= left <= WEEK_DAYS else None,
        window=_window(line),
    )


def _table_row(line: Line, now: datetime) -> sheets.Row:
    zone, left = ZoneInfo(line.timezone), days_left(line, now)
    ends = (line.window_start, line.window_end and line.window_end - timedelta(microseconds=1))
    return (
        line.name,
        answer(line),
        line.units_heard,
        line.units_fitted,
        None if line.lost_wh_per_day is None else round(line.lost_wh_per_day, 1),
        line.first_day,
        left if 1 <= left <= WEEK_DAYS else None,
        *(None if end is None else end.astimezone(zone).date() for end in ends),
        line.timezone,
        f"/sites/{line.site_id}",
    )


def _heard(line: Line) -> str:
    if line.units_fitted is None:
        return words.EN_DASH
    said = _("%(part)s of %(whole)s") % {"part": line.units_heard, "whole": line.units_fitted}
    return said.replace(" ", words.NBSP)


def _week(line: Line, left: int) -> str:
    if left > WEEK_DAYS:
        return _("begins %(day)s") % {"day": words.short_day(line.first_day)}
    if left == 1:
        return _("last day")
    return ngettext("%(num)d day left", "%(num)d days left", left) % {"num": left} if left > 0 else _("over")


def _window(line: Line) -> str:
    if line.window_start is None or line.window_end is None:
        return words.EN_DASH
    return words.span(line.window_start, line.window_end, ZoneInfo(line.timezone))


def _scopes(asked: Asked) -> tuple[Choice, ...]:
    texts: dict[Scope, str] = {"first": _("In their first week"), "all": _("All sites")}
    return tuple(
        Choice(text, replace(asked, week=week, page=1).href, asked.week == week)
        for week, text in texts.items()
    )


def _states(found: Page, asked: Asked) -> tuple[Choice, ...]:
    texts: dict[State, str] = {
        "attention": _("Look at these"),
        "verified": _("Verified"),
        "too_little_light": _("Too little light"),
        "unheard": _("Nothing heard"),
    }
    every = Choice(
        _counted(_("Any answer"), sum(found.counts.values())), _of(asked, None), asked.state is None
    )
    return (
        every,
        *(Choice(_counted(texts[s], found.counts[s]), _of(asked, s), asked.state == s) for s in STATES),
    )


def _of(asked: Asked, state: State | None) -> str:
    return replace(asked, state=state, page=1).href


def _counted(text: str, count: int) -> str:
    return f"{text}{words.NBSP}({words.number(count)})"


def _punch(asked: Asked) -> tuple[Choice, ...]:
    texts: dict[Punch, str] = {"any": _("Any"), "open": _("With something to be done")}
    return tuple(
        Choice(text, replace(asked, punch=punch, page=1).href, asked.punch == punch)
        for punch, text in texts.items()
    )


def _orders(asked: Asked) -> tuple[Choice, ...]:
    texts: dict[Order, str] = {"lost": _("Largest loss"), "left": _("Fewest days left")}
    return tuple(
        Choice(text, replace(asked, sort=sort, page=1).href, asked.sort == sort)
        for sort, text in texts.items()
    )
