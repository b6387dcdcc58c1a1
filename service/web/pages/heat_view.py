"""What the map of all units by time shows on a site's page: its rows, its words, and its numbers by day."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from service.expect.site import Site
from service.report import heat, heat_map, words
from service.report.days import clock, unit_series
from service.report.heat import cells
from service.report.heat_map import RowLabel
from service.report.language import gettext as _
from service.report.language import ngettext
from service.verify.result import Curves, Verification
from service.web.pages import view
from service.web.pages.lookup import Shown
from service.web.pages.view import UnitLine

MOST_ROWS = 120
"""Units drawn at most, those that rank lowest; the numbers hold all."""

MOST_NAMED = 6
"""Units named in the words that stand for the drawing."""


@dataclass(frozen=True)
class HeatLine:
    """One unit in the table: its performance index of each day."""

    serial: str
    ratios: tuple[str, ...]


@dataclass(frozen=True)
class HeatView:
    """The drawing's address, sizes and words, with the fields of a `Chart`, and its numbers by day."""

    path: str
    version: str
    alt: str
    wide: tuple[int, int]
    narrow: tuple[int, int]
    hours: str
    left_out: str
    days: tuple[str, ...]
    lines: tuple[HeatLine, ...]


def heat_view(site: Shown, found: Verification, lines: Sequence[UnitLine]) -> HeatView | None:
    """Return what the page shows, given the ranking's lines; None where no curves are held."""
    if found.curves is None:
        return None
    rows = row_labels(site.record, found, lines)
    by_hour = cells(found.curves, [row.serial for row in rows], site.zone, heat_map.SLOT_MIN)
    first, last = view.light_hours(found, site.zone)
    return HeatView(
        path=f"{site.href}/chart/heat.svg",
        version=site.version,
        alt=_alt(found, site, lines),
        wide=heat_map.size(rows, len(by_hour.days), narrow=False),
        narrow=heat_map.size(rows, len(by_hour.days), narrow=True),
        hours=words.between(clock(first), clock(last)),
        left_out=_left_out(found, rows),
        days=tuple(words.short_day(day) for day in by_hour.days),
        lines=tuple(
            HeatLine(serial, tuple(words.ratio(one) for one in ratios))
            for serial, ratios in heat.by_day(by_hour)
        ),
    )


def draw(
    record: Site, curves: Curves, rows: Sequence[RowLabel], *, title: str, narrow: bool, dark: bool
) -> str:
    """Return the drawing's SVG."""
    serials, zone = [row.serial for row in rows], ZoneInfo(record.timezone)
    days = len(unit_series(curves, "", zone).days)
    made = cells(curves, serials, zone, heat_map.slot_for(days, narrow=narrow))
    return heat_map.heat_map(made, rows, title=title, narrow=narrow, dark=dark)


def row_labels(record: Site, found: Verification, lines: Sequence[UnitLine]) -> list[RowLabel]:
    """Return the rows as one walks the roof, of the units that rank lowest where there are too many."""
    planes = {unit.serial: unit.plane for unit in found.units}
    rows = view.climbing_order(lines[:MOST_ROWS], found, record)
    return [RowLabel(line.serial, line.tail, planes[line.serial], _cause(line)) for line in rows]


def _cause(line: UnitLine) -> str:
    return next((label.short for label in line.labels if label.is_fault), "")


def _left_out(found: Verification, rows: Sequence[RowLabel]) -> str:
    if len(rows) == len(found.units):
        return ""
    counts = {"shown": words.number(len(rows)), "all": words.number(len(found.units))}
    return (
        _("Shown are the %(shown)s units that rank lowest of %(all)s; the numbers as a file hold all.")
        % counts
    )


def _alt(found: Verification, site: Shown, lines: Sequence[UnitLine]) -> str:
    """Return what stands out in the drawing, in words."""
    faulty = [line for line in lines if line.is_fault]
    fine = len(found.units) - len(faulty)
    head = ngettext(
        "Every unit\u2019s share of its expected energy, hour by hour, %(window)s: %(fine)s unit without a fault.",
        "Every unit\u2019s share of its expected energy, hour by hour, %(window)s: %(fine)s units without a fault.",
        fine,
    ) % {"window": words.span(found.start, found.end, site.zone), "fine": words.number(fine)}
    named = [_("%(serial)s %(cause)s (%(index)s)") % _said(line) for line in faulty[:MOST_NAMED]]
    more = len(faulty) - len(named)
    if more:
        named.append(ngettext("%(num)d more", "%(num)d more", more) % {"num": more})
    if not named:
        return head
    standing_out = _("Standing out: %(units)s.") % {"units": words.listed(named)}
    return f"{head} {standing_out}"


def _said(line: UnitLine) -> dict[str, str]:
    cause = next(label.text for label in line.labels if label.is_fault)
    return {"serial": line.serial, "cause": cause, "index": line.index}
