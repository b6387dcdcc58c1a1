"""Every chart of a site by its name, each defined once for page, SVG, PNG and numbers.

A name is what stands in the chart's address: `site`, `plan`, `evidence/2`, `units/SERIAL`. It is drawn when asked for.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol
from zoneinfo import ZoneInfo

from service.expect.site import Site
from service.report import charts, heat, heat_map, plan_chart, ranking_chart, rankings, sunpaths, words
from service.report.days import sum_series, totals, unit_series
from service.report.evidence import evidence, powers
from service.report.language import gettext as _
from service.report.plan_chart import Roof, Spot
from service.report.ranking_chart import RankRow
from service.report.sheets import Table
from service.verify.result import Verification
from service.web.pages import heat_view, plan, sun_view, view
from service.web.pages.heat_view import MOST_ROWS
from service.web.pages.plan import Cell, PlanePlan

LEAST_COLUMNS = 8


class Draw(Protocol):
    """Makes the SVG of a chart."""

    def __call__(self, *, narrow: bool, dark: bool) -> str:
        """Return it for a narrow or wide page, on light or dark paper."""
        ...


@dataclass(frozen=True)
class Drawing:
    """A chart: how it is drawn, and its numbers."""

    title: str
    draw: Draw
    table: Callable[[], Table]


def drawing(record: Site, found: Verification, name: str) -> Drawing | None:
    """Return the chart of that name; None if the site has none."""
    kind, _slash, which = name.partition("/")
    maker = KINDS.get(kind)
    return maker(record, found, which) if maker else None


def _site(record: Site, found: Verification, which: str) -> Drawing | None:
    if found.curves is None or which:
        return None
    curves, zone = found.curves, ZoneInfo(record.timezone)
    series = sum_series(curves, curves.measured_wh, zone)
    title = _("%(name)s, measured and expected power") % {"name": record.name}
    return Drawing(
        title,
        lambda **form: charts.day_panels(series, title=title, **form),
        lambda: rankings.days(record.name, totals(series)),
    )


def _plan(record: Site, found: Verification, which: str) -> Drawing | None:
    roofs = [_roof(one) for one in plan.plans(record, found)] if not which else []
    if not roofs:
        return None
    title = _("%(name)s, the roof") % {"name": record.name}
    return Drawing(
        title,
        lambda *, narrow, dark: plan_chart.plan_chart(roofs, title=title, dark=dark),  # noqa: ARG005 - one size
        lambda: rankings.ranking(found, record.name),
    )


def _roof(one: PlanePlan) -> Roof:
    """Return a plane as it is drawn; units without a place of their own stand in further rows below."""
    wide = max(len(one.columns), LEAST_COLUMNS)
    placed = [(i, k, cell) for i, row in enumerate(one.rows) for k, cell in enumerate(row.cells) if cell]
    further = [(len(one.rows) + i // wide, i % wide, cell) for i, cell in enumerate(one.unplaced)]
    rows = [str(row.number) for row in one.rows] + [words.EN_DASH] * -(-len(one.unplaced) // wide)
    columns = [str(number) for number in one.columns]
    columns += [""] * (min(wide, len(one.unplaced)) - len(columns))
    spots = tuple(_spot(*where) for where in (*placed, *further))
    return Roof(one.name, one.facing, tuple(rows), tuple(columns), spots)


def _spot(row: int, column: int, cell: Cell) -> Spot:
    return Spot(row, column, cell.tail, next((label.short for label in cell.faults), ""), cell.course)


def _ranking(record: Site, found: Verification, which: str) -> Drawing | None:
    if which:
        return None
    rows = [_rank_row(line) for line in view.unit_lines(found)[:MOST_ROWS]]
    title = _("%(name)s, every unit, lowest first") % {"name": record.name}
    return Drawing(
        title,
        lambda **form: ranking_chart.ranking_chart(rows, title=title, **form),
        lambda: rankings.ranking(found, record.name),
    )


def _rank_row(line: view.UnitLine) -> RankRow:
    cause = next((label.text for label in line.labels if label.is_fault), "")
    return RankRow(line.rank, line.serial, line.place, line.performance_ratio, line.index, line.dot, cause)


def _heat(record: Site, found: Verification, which: str) -> Drawing | None:
    curves = found.curves
    if curves is None or which:
        return None
    rows = heat_view.row_labels(record, found, view.unit_lines(found))
    planes = {unit.serial: unit.plane for unit in found.units}
    title = _("%(name)s, every unit by time") % {"name": record.name}
    zone = ZoneInfo(record.timezone)
    return Drawing(
        title,
        lambda **form: heat_view.draw(record, curves, rows, title=title, **form),
        lambda: heat.by_hour(
            heat.cells(curves, list(planes), zone, heat_map.SLOT_MIN), planes, zone, record.name
        ),
    )


def _evidence(record: Site, found: Verification, number: str) -> Drawing | None:
    finding = found.findings[int(number)] if number in map(str, range(len(found.findings))) else None
    zone = ZoneInfo(record.timezone)
    shown = evidence(found, finding, zone) if finding else None
    if finding is None or shown is None:
        return None
    title = words.capital(words.CAUSES[finding.cause].phrase(len(finding.serials) or 1))
    return Drawing(
        title,
        lambda **form: charts.evidence_panel(shown, title=title, **form),
        lambda: powers(record.name, shown, zone, charts.CHART_STEP_MIN),
    )


def _unit(record: Site, found: Verification, serial: str) -> Drawing | None:
    if found.curves is None or not _is_on_record(record, serial):
        return None
    series = unit_series(found.curves, serial, ZoneInfo(record.timezone))
    title = _("%(name)s, measured and expected power") % {"name": serial}
    return Drawing(
        title,
        lambda **form: charts.day_panels(series, title=title, **form),
        lambda: rankings.days(serial, totals(series)),
    )


def _sun(record: Site, found: Verification, serial: str) -> Drawing | None:
    shade = sun_view.shade_of(found, serial)
    if shade is None or not _is_on_record(record, serial):
        return None
    title = _("%(name)s, the sun\u2019s paths and what stands before them") % {"name": serial}
    return Drawing(
        title,
        lambda **form: sun_view.draw(record, found, shade, title=title, **form),
        lambda: rankings.outline(serial, sunpaths.tops(shade.details["outline"])),
    )


def _is_on_record(record: Site, serial: str) -> bool:
    return any(unit.serial == serial for unit in record.units)


KINDS: dict[str, Callable[[Site, Verification, str], Drawing | None]] = {
    "site": _site,
    "plan": _plan,
    "ranking": _ranking,
    "heat": _heat,
    "evidence": _evidence,
    "units": _unit,
    "sun": _sun,
}
