"""The punch list in words: of one site with its history and proof, and over all sites in one line each.

Pure functions; where an entry stands was said by the store and by the readings.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from io import StringIO
from typing import Literal
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from service.expect.site import Site
from service.jobs.proving import lowest_change
from service.jobs.punch_list import kept_sentence
from service.report import words
from service.report.language import gettext as _
from service.report.language import ngettext
from service.report.marks import Dot, dot
from service.report.sentences import say
from service.store.punch import LIVE, STATES, Line, Page
from service.store.tables import PunchEntry, PunchStep, User
from service.verify.mended import Level
from service.web.pages.addresses import path_segment
from service.web.pages.visit import STATES as STATE_WORDS
from service.web.pages.visit import Marks, MarkView, StepView, state_sentence, step_view, subject_words

PAGE_LENGTH = 50
OPEN: Literal["open"] = "open"
"""Of the filters: all that still has to be done."""

ALL = "all"


@dataclass(frozen=True)
class Band:
    """A performance index on the common scale, as the mark of an index is drawn."""

    index: str
    band: str
    dot: Dot | None
    is_fault: bool
    name: str


@dataclass(frozen=True)
class EntryView:
    """One entry as it is read."""

    number: int
    title: str
    mark: str
    place: str
    unit_href: str
    replace_href: str
    state: str
    word: str
    sentence: str
    evidence: str
    advice: str
    lost: str
    opened: str
    reopened: str
    given_to: int | None
    given_name: str
    due: str
    due_iso: str
    is_late: bool
    bands: tuple[Band, ...]
    steps: tuple[StepView, ...]
    form: MarkView

    @property
    def is_live(self) -> bool:
        """Return whether somebody still has to do something."""
        return self.state in LIVE


@dataclass(frozen=True)
class SiteList:
    """One site's list: what is to be done, what is left, what is closed."""

    headline: str
    groups: tuple[tuple[str, tuple[EntryView, ...]], ...]
    open_findings: int


@dataclass(frozen=True)
class Row:
    """One entry among those of all sites."""

    href: str
    site_href: str
    site: str
    number: int
    title: str
    place: str
    who: str
    due: str
    is_late: bool
    word: str
    lost: str


@dataclass(frozen=True)
class Choice:
    """A filter as a link."""

    href: str
    text: str
    chosen: bool


@dataclass(frozen=True)
class Overview:
    """A page of the entries of all sites."""

    headline: str
    rows: tuple[Row, ...]
    states: tuple[Choice, ...]
    people: tuple[Choice, ...]
    csv_href: str
    page: int
    pages: int
    earlier: str | None
    further: str | None


@dataclass(frozen=True)
class Asked:
    """What the address of the list over all sites asks for."""

    state: str = OPEN
    who: int | None = None
    page: int = 1

    @property
    def states(self) -> tuple[str, ...]:
        """Return the states that are meant."""
        if self.state == ALL:
            return STATES
        return tuple(LIVE) if self.state == OPEN else (self.state,)

    def href(self, path: str = "/punch", **changed: str | int | None) -> str:
        """Return the address that asks for this with something changed; another filter begins on the first page."""
        plain: dict[str, str | int | None] = {"state": OPEN, "who": None, "page": 1}
        asked = plain | {"state": self.state, "who": self.who} | changed
        query = urlencode({k: v for k, v in asked.items() if v != plain[k]})
        return f"{path}?{query}" if query else path


def site_list(
    site: Site,
    href: str,
    entries: Sequence[PunchEntry],
    steps: Sequence[PunchStep],
    marks: Marks,
    names: Mapping[int, str],
    *,
    today: date,
    open_findings: int,
) -> SiteList:
    """Return one site's list; `names` are those of the accounts, `open_findings` faults that are not on it."""
    ordered = sorted(entries, key=lambda e: (e.due_on or date.max, -e.lost_wh_per_day, e.number))
    views = [entry_view(e, site, href, steps, marks, names, today) for e in ordered]
    groups = (
        (_("To do"), tuple(v for v in views if v.is_live)),
        (_("Left, with the reason"), tuple(v for v in views if v.state == "left")),
        (_("Closed by proof"), tuple(v for v in views if v.state == "closed")),
    )
    return SiteList(_headline(len(groups[0][1]), len(views)), groups, open_findings)


def entry_view(
    entry: PunchEntry,
    site: Site,
    href: str,
    steps: Sequence[PunchStep],
    marks: Marks,
    names: Mapping[int, str],
    today: date,
) -> EntryView:
    """Return one entry as it is read."""
    zone, cause = ZoneInfo(site.timezone), words.CAUSES[entry.cause]
    serial = entry.serials[0] if entry.subject.startswith("unit:") else ""
    on_record = any(u.serial == serial for u in site.units)
    return EntryView(
        number=entry.number,
        title=cause_title(entry),
        mark=cause.mark,
        place=_where(entry, site),
        unit_href=f"{href}/units/{path_segment(serial)}" if on_record else "",
        replace_href=f"{href}/replace?{urlencode({'old': serial})}" if on_record else "",
        state=entry.state,
        word=_(STATE_WORDS[entry.state]),
        sentence=state_sentence(entry, zone),
        evidence=say(kept_sentence(entry, "evidence")),
        advice=say(kept_sentence(entry, "advice")),
        lost=words.energy(entry.lost_wh_per_day) if entry.lost_wh_per_day else "",
        opened=_("On the list since %(when)s, by %(who)s.")
        % {"when": words.moment(entry.opened_at, zone), "who": entry.opened_by},
        reopened=_reopened(entry.reopened),
        given_to=entry.given_to,
        given_name=names.get(entry.given_to or 0, ""),
        due=words.day(entry.due_on) if entry.due_on else "",
        due_iso=entry.due_on.isoformat() if entry.due_on else "",
        is_late=_is_late(entry, today),
        bands=_bands(entry),
        steps=tuple(step_view(s, href, zone) for s in steps if s.number == entry.number),
        form=marks.subject(entry.subject),
    )


def overview(found: Page, asked: Asked, people: Iterable[User], *, today: date) -> Overview:
    """Return a page of the list over all sites."""
    pages = max(1, -(-found.total // PAGE_LENGTH))
    return Overview(
        headline=_headline(found.total, found.total) if asked.state == OPEN else _counted(found.total),
        rows=tuple(_row(line, today) for line in found.lines),
        states=tuple(_state_choices(asked)),
        people=tuple(_people_choices(asked, people)),
        csv_href=asked.href("/punch.csv"),
        page=asked.page,
        pages=pages,
        earlier=asked.href(page=min(asked.page - 1, pages)) if asked.page > 1 else None,
        further=asked.href(page=asked.page + 1) if asked.page < pages else None,
    )


CSV_HEAD = (
    "site", "number", "cause", "serials", "branch", "plane", "state", "opened_at", "opened_by", "given_to", "due_on",
    "mended_at", "closed_at", "reopened", "reason", "lost_wh_per_day", "index_before", "index_after", "evidence",
)  # fmt: skip


def as_csv(lines: Iterable[Line]) -> str:
    """Return entries as a table for spreadsheets; a cell that one would take for a formula is marked as text."""
    out = StringIO()
    writer = csv.writer(out)
    writer.writerow(CSV_HEAD)
    writer.writerows([_plain_text(value) for value in _cells(line)] for line in lines)
    return out.getvalue()


def cause_title(entry: PunchEntry) -> str:
    """Return what was found, as a heading."""
    one = words.CAUSES[entry.cause].one
    return words.site_sentence(entry.cause) if len(entry.serials) != 1 else one[:1].upper() + one[1:]


def _cells(line: Line) -> tuple[object, ...]:
    e, change = line.entry, lowest_change(line.entry)
    before, after = change or (None, None)
    times = (m.isoformat() if m else "" for m in (e.mended_at, e.closed_at))
    return (
        line.site_name, e.number, e.cause, " ".join(e.serials), e.branch or "", e.plane or "", e.state,
        e.opened_at.isoformat(), e.opened_by, line.given_to or "", e.due_on or "", *times, e.reopened, e.reason,
        e.lost_wh_per_day, _index(before), _index(after), e.finding.get("evidence", ""),
    )  # fmt: skip


def _index(level: Level | None) -> float | str:
    return "" if level is None or level.index is None else level.index


def _plain_text(value: object) -> object:
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r") else value


def _where(entry: PunchEntry, site: Site) -> str:
    if entry.subject.startswith("units:"):
        return words.listed(entry.serials)
    return subject_words(entry.subject, site)


def _bands(entry: PunchEntry) -> tuple[Band, ...]:
    change = lowest_change(entry)
    if change is None:
        return ()
    before, after = change
    found = [(_("before"), before, True), (_("after"), after, entry.state != "closed")]
    return tuple(_band(name, level, is_fault=fault) for name, level, fault in found if level is not None)


def _band(name: str, level: Level, *, is_fault: bool) -> Band:
    told = "" if level.low is None else f"{words.ratio(level.low)} {words.EN_DASH} {words.ratio(level.high)}"
    return Band(words.ratio(level.index), told, dot(level.index, level.low, level.high), is_fault, name)


def _reopened(times: int) -> str:
    if not times:
        return ""
    return ngettext("Opened again once.", "Opened again %(num)d times.", times) % {"num": times}


def _is_late(entry: PunchEntry, today: date) -> bool:
    return entry.due_on is not None and entry.due_on < today and entry.state in ("open", "looked_at")


def _headline(live: int, known: int) -> str:
    if not known:
        return _("Nothing is on the punch list")
    if not live:
        return _("Nothing is left to do")
    return ngettext("%(num)d thing to do", "%(num)d things to do", live) % {"num": live}


def _counted(count: int) -> str:
    return ngettext("%(num)d entry", "%(num)d entries", count) % {"num": count}


def _row(line: Line, today: date) -> Row:
    entry = line.entry
    href = f"/sites/{entry.site_id}"
    units = ngettext("%(num)d unit", "%(num)d units", len(entry.serials)) % {"num": len(entry.serials)}
    return Row(
        href=f"{href}/punch#no-{entry.number}",
        site_href=href,
        site=line.site_name,
        number=entry.number,
        title=cause_title(entry),
        place=entry.serials[0] if len(entry.serials) == 1 else entry.branch or entry.plane or units,
        who=line.given_to or "",
        due=words.day(entry.due_on) if entry.due_on else "",
        is_late=_is_late(entry, today),
        word=_(STATE_WORDS[entry.state]),
        lost=words.energy(entry.lost_wh_per_day) if entry.lost_wh_per_day else "",
    )


def _state_choices(asked: Asked) -> Iterable[Choice]:
    named: dict[str, str] = {OPEN: _("to do"), ALL: _("all")}
    order: tuple[str, ...] = (OPEN, *(state for state in STATES if state != OPEN), ALL)
    for state in order:
        text = named.get(state) or _(STATE_WORDS[state])
        yield Choice(asked.href(state=state), text, state == asked.state)


def _people_choices(asked: Asked, people: Iterable[User]) -> Iterable[Choice]:
    yield Choice(asked.href(who=None), _("everybody"), asked.who is None)
    for person in people:
        yield Choice(asked.href(who=person.id), person.name, asked.who == person.id)
