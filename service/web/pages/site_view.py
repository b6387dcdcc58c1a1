"""What one site's page shows, put together from the verification's parts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

from service.report import charts, words
from service.report.days import DayTotal, clock
from service.report.language import gettext as _
from service.report.language import ngettext
from service.verify.result import Verification
from service.web.pages import view
from service.web.pages.evidence_view import evidence_view
from service.web.pages.heat_view import HeatView, heat_view
from service.web.pages.lookup import Shown
from service.web.pages.not_yet import Open, open_lines
from service.web.pages.plan import PlanePlan, plans
from service.web.pages.proposals import ProposalView
from service.web.pages.view import DayLine, FindingView, Summary, UnitLine
from service.web.pages.visit import Marks


@dataclass(frozen=True)
class DayLink:
    """A day that the plan can show."""

    iso: str
    text: str
    chosen: bool


@dataclass(frozen=True)
class Chart:
    """A chart's address, its sizes for wide and narrow pages, and what it shows in words."""

    path: str
    version: str
    alt: str
    wide: tuple[int, int]
    narrow: tuple[int, int]


@dataclass(frozen=True)
class Verified:
    """What there is to show once there are readings."""

    summary: Summary
    first: FindingView | None
    lines: list[UnitLine]
    findings: list[FindingView]
    not_yet: list[Open]
    days: list[DayLine]
    day_links: list[DayLink]
    shown_day: str
    light_span: str
    chart: Chart
    heat: HeatView | None


@dataclass(frozen=True)
class SiteView:
    """One site's page; `verified` is None before there are readings."""

    plans: list[PlanePlan]
    fitted: str
    verified: Verified | None


def site_view(site: Shown, day: str, proposals: Mapping[str, ProposalView], marks: Marks) -> SiteView:
    """Return the page's content; `day` is the day that the plan shows, empty for the mean day."""
    days = view.site_days(site.found, site.zone) if site.found else []
    chosen = view.chosen_day(day, [total.day for total in days])
    return SiteView(
        plans=plans(site.record, site.found, chosen),
        fitted=_fitted(len(site.record.units)),
        verified=_verified(site, site.found, days, chosen, proposals, marks) if site.found else None,
    )


def _fitted(count: int) -> str:
    text = ngettext(
        "%(num)s unit on the record, none heard.", "%(num)s units on the record, none heard.", count
    )
    return text % {"num": words.number(count)}


def chart_of(path: str, version: str, days: list[DayLine]) -> Chart:
    """Return a chart of days as the page embeds it."""
    alt = _("Measured power filled, expected power as a line, one panel a day. %(days)s.")
    said = {"days": "; ".join(_said(line) for line in days)}
    return Chart(
        path, version, alt % said, charts.size(len(days), narrow=False), charts.size(len(days), narrow=True)
    )


def _said(line: DayLine) -> str:
    pair = {"part": line.measured, "whole": line.expected}
    text = _("%(part)s of %(whole)s")
    return f"{line.day}: {text % pair}"


def _verified(
    site: Shown,
    found: Verification,
    days: list[DayTotal],
    chosen: date | None,
    proposals: Mapping[str, ProposalView],
    marks: Marks,
) -> Verified:
    lines = view.day_lines(days)
    units = view.unit_lines(found)
    findings = _findings(site, found, proposals, marks)
    light = view.light_hours(found, site.zone)
    return Verified(
        summary=view.summary(found, site.record),
        first=next((finding for finding in findings if finding.is_fault and not finding.is_settled), None),
        lines=units,
        findings=findings,
        not_yet=open_lines(found),
        days=lines,
        day_links=[DayLink(d.day.isoformat(), words.short_day(d.day), d.day == chosen) for d in days],
        shown_day=words.day(chosen) if chosen else "",
        light_span=words.between(clock(light[0]), clock(light[1])),
        chart=chart_of(f"{site.href}/chart/site.svg", site.version, lines),
        heat=heat_view(site, found, units),
    )


def _findings(
    site: Shown, found: Verification, proposals: Mapping[str, ProposalView], marks: Marks
) -> list[FindingView]:
    """Return the findings with what shows them and what was done about them; those that are mended come last."""
    read = zip(view.in_order(found), view.finding_views(found, site.record, proposals), strict=True)
    findings = [
        replace(one, chart=evidence_view(site, found, finding, one.title), punch=marks.finding(finding))
        for finding, one in read
    ]
    return sorted(findings, key=lambda finding: finding.is_settled)
