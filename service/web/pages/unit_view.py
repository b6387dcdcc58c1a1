"""What one unit's page shows, put together from the verification's parts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from service.expect.site import Site, Unit
from service.report import words
from service.report.language import gettext as _
from service.verify.result import Finding, UnitResult, Verification
from service.web.pages import view
from service.web.pages.addresses import path_segment
from service.web.pages.evidence_view import evidence_view
from service.web.pages.lookup import Shown
from service.web.pages.neighbours import Beside, beside
from service.web.pages.proposals import ProposalView, key_of
from service.web.pages.site_view import Chart, chart_of
from service.web.pages.sun_view import sun_view
from service.web.pages.view import DayLine, FindingView, UnitLine


@dataclass(frozen=True)
class Judged:
    """What there is to show of a unit that the verification covers."""

    line: UnitLine
    of_units: int
    smallest_visible: str
    window: str
    days: list[DayLine]
    findings: list[FindingView]
    chart: Chart
    beside: list[Beside]

    @property
    def on_roof(self) -> bool:
        """Return whether a finding leads onto the roof."""
        return any(finding.on_roof for finding in self.findings)

    @property
    def on_mains(self) -> bool:
        """Return whether a finding leads to a connector or the mains."""
        return any(finding.on_mains for finding in self.findings)


@dataclass(frozen=True)
class UnitView:
    """One unit's page; `judged` is None where the verification does not cover it."""

    serial: str
    headline: str
    place: str
    branch: str
    equipment: str
    dates: str
    others_here: list[str]
    judged: Judged | None


def unit_view(
    site: Shown, unit: Unit, result: UnitResult | None, proposals: Mapping[str, ProposalView]
) -> UnitView:
    """Return the page's content."""
    judged = _judged(site, site.found, unit, result, proposals) if site.found and result else None
    return UnitView(
        serial=unit.serial,
        headline=_headline(judged, has_readings=site.found is not None),
        place=words.position(unit.plane, unit.row, unit.column),
        branch=unit.branch or "",
        equipment=_equipment(unit, site.record),
        dates=view.service_dates(unit),
        others_here=[other.serial for other in view.same_place(unit, site.record)],
        judged=judged,
    )


def _judged(
    site: Shown, found: Verification, unit: Unit, result: UnitResult, proposals: Mapping[str, ProposalView]
) -> Judged:
    days = view.day_lines(view.unit_days(found, result.serial, site.zone))
    path = f"{site.href}/chart/units/{path_segment(result.serial)}.svg"
    visible = result.smallest_visible_loss_pct
    own = [f for f in found.findings if result.serial in view.serials_of(f, found)]
    read = [
        _with_sun(view.finding_view(f, site.record, proposals.get(key_of(f))), f, site, result) for f in own
    ]
    shown = [_with_evidence(one, f, site, found) for one, f in zip(read, own, strict=True)]
    return Judged(
        line=view.unit_line(result, found),
        of_units=len(found.units),
        smallest_visible=words.EN_DASH if visible is None else f"{words.number(visible, 1)}{words.NBSP}%",
        window=words.span(found.start, found.end, site.zone),
        days=days,
        findings=[_without_itself(finding) for finding in shown],
        chart=chart_of(path, site.version, days),
        beside=beside(site.record, found, unit),
    )


def _with_sun(read: FindingView, finding: Finding, site: Shown, result: UnitResult) -> FindingView:
    """Return the finding with the sun's paths, where it holds the outline of what shades the unit."""
    has_outline = bool(finding.details.get("outline"))
    return replace(read, sun=sun_view(site, finding, result.serial)) if has_outline else read


def _with_evidence(read: FindingView, finding: Finding, site: Shown, found: Verification) -> FindingView:
    return replace(read, chart=evidence_view(site, found, finding, read.title))


def _without_itself(finding: FindingView) -> FindingView:
    return replace(finding, units=()) if len(finding.units) == 1 else finding


def _headline(judged: Judged | None, *, has_readings: bool) -> str:
    if judged is None:
        return _("Not on the roof in this window") if has_readings else _("No readings yet")
    faults = [label.text for label in judged.line.labels if label.is_fault]
    if faults:
        return words.capital(words.listed(faults))
    return _("Makes what it should") if judged.line.dot else _("Nothing to say yet")


def _equipment(unit: Unit, site: Site) -> str:
    module, inverter = site.module_type(unit.module_type), site.inverter_type(unit.inverter_type)
    count = f"{unit.module_count} \u00d7 " if unit.module_count > 1 else ""
    return (
        f"{count}{words.rated(module.name, module.pmax_w)}, {words.rated(inverter.name, inverter.ac_rated_w)}"
    )
