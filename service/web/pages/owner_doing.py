"""What is being done about a roof, for its owner: from the punch list to a few plain sentences.

Notes and reasons from the roof are not repeated: they are written for people of the trade.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime
from zoneinfo import ZoneInfo

from service.expect.site import Site
from service.report import words
from service.report.language import gettext as _
from service.report.language import ngettext
from service.store.tables import PunchEntry

CLOSED_SHOWN_DAYS = 90
"""So long a repair is news."""


def doing(entries: Sequence[PunchEntry], site: Site, *, firm: str, today: date) -> tuple[str, ...]:
    """Return a sentence for each kind of thing that is being done, was done, or is left."""
    zone = ZoneInfo(site.timezone)
    live = [e for e in entries if e.state in ("open", "looked_at")]
    desk = [e for e in live if words.CAUSES[e.cause].place == "desk"]
    return (
        *_visits([e for e in live if e not in desk], site, firm, today),
        *([_("Your installer is looking into something that needs no visit yet.")] if desk else []),
        *_mended([e for e in entries if e.state == "said_mended"], site, zone),
        *_closed(entries, site, zone, today),
        *_left([e for e in entries if e.state == "left"], site),
    )


def _visits(entries: Sequence[PunchEntry], site: Site, firm: str, today: date) -> Iterator[str]:
    if not entries:
        return
    panels = _panels(entries, site)
    needed = ngettext("One panel needs a visit.", "%(num)s panels need a visit.", panels) % _num(panels)
    needed = needed if panels else _("Your roof needs a visit.")
    yield f"{needed} {_date(entries, firm, today)}"


def _date(entries: Sequence[PunchEntry], firm: str, today: date) -> str:
    days = [e.due_on for e in entries if e.due_on]
    if not days:
        return _("The day is not fixed yet.")
    told = {"firm": firm or _("your installer"), "day": words.day(max(days))}
    if max(days) < today:
        return _("It was planned by %(day)s and is late; ask %(firm)s for the new day.") % told
    return _("It is planned by %(day)s, with %(firm)s.") % told


def _mended(entries: Sequence[PunchEntry], site: Site, zone: ZoneInfo) -> Iterator[str]:
    for day, same in _by_day(((e.mended_at, e) for e in entries), zone):
        panels = _panels(same, site)
        text = ngettext(
            "One panel was mended on %(day)s. The next sunny hours will show whether it is right.",
            "%(num)s panels were mended on %(day)s. The next sunny hours will show whether they are right.",
            panels,
        )
        general = _("Your roof was mended on %(day)s. The next sunny hours will show whether it is right.")
        yield (text if panels else general) % {"day": words.day(day), **_num(panels)}


def _closed(entries: Sequence[PunchEntry], site: Site, zone: ZoneInfo, today: date) -> Iterator[str]:
    recent = [
        (e.mended_at or e.closed_at, e)
        for e in entries
        if e.state == "closed" and e.closed_at and (today - _day(e.closed_at, zone)).days <= CLOSED_SHOWN_DAYS
    ]
    for day, same in _by_day(recent, zone):
        panels = _panels(same, site)
        text = ngettext(
            "One panel is right again since %(day)s: what it made since then proves it.",
            "%(num)s panels are right again since %(day)s: what they made since then proves it.",
            panels,
        )
        general = _("What was wrong is right again since %(day)s: what your roof made since then proves it.")
        yield (text if panels else general) % {"day": words.day(day), **_num(panels)}


def _left(entries: Sequence[PunchEntry], site: Site) -> Iterator[str]:
    panels = _panels(entries, site)
    if panels:
        text = ngettext(
            "One panel stays as it is for now; your installer can tell you why.",
            "%(num)s panels stay as they are for now; your installer can tell you why.",
            panels,
        )
        yield text % _num(panels)


def _by_day(
    dated: Iterable[tuple[datetime | None, PunchEntry]], zone: ZoneInfo
) -> list[tuple[date, list[PunchEntry]]]:
    """Return the entries by their days, the newest first."""
    days: dict[date, list[PunchEntry]] = {}
    for at, entry in dated:
        if at is not None:
            days.setdefault(_day(at, zone), []).append(entry)
    return sorted(days.items(), reverse=True)


def _panels(entries: Iterable[PunchEntry], site: Site) -> int:
    serials = {serial for entry in entries for serial in entry.serials}
    return sum(unit.module_count for unit in site.units if unit.serial in serials)


def _num(panels: int) -> dict[str, str]:
    return {"num": words.number(panels)}


def _day(at: datetime, zone: ZoneInfo) -> date:
    return (at if at.tzinfo else at.replace(tzinfo=ZoneInfo("UTC"))).astimezone(zone).date()
