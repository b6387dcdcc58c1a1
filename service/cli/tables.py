"""Verifications as tables for a terminal. Words come from `report`; nothing is computed here."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from zoneinfo import ZoneInfo

from rich.console import RenderableType
from rich.table import Table

from service.report import words
from service.verify.result import Finding, UnitResult, Verification

VERDICTS = {
    "verified": "Every unit makes what it should.",
    "attention": "Something needs a look.",
    "too_little_light": "There was too little light for a verdict.",
}


def one_site(heading: str, verification: Verification, zone: ZoneInfo) -> Iterator[RenderableType]:
    """Give one site's verification: heading, window on the site's clock, verdict, ranking, findings."""
    yield heading
    yield f"{words.moment(verification.start, zone)} to {words.moment(verification.end, zone)} ({zone.key})"
    yield VERDICTS[verification.verdict]
    yield ranking(verification.units)
    if verification.findings:
        yield findings(verification.findings)


def ranking(units: Sequence[UnitResult]) -> Table:
    """Return the units, what a person looks at first on top."""
    table = Table(title="Units, the lowest performance ratio first", title_justify="left")
    table.add_column("Rank", justify="right")
    table.add_column("Unit")
    for heading in ("Measured", "Expected", "Performance ratio", "Performance index", "Heard"):
        table.add_column(heading, justify="right")
    table.add_column("Cause")
    for unit in units:
        table.add_row(*_unit_cells(unit))
    return table


def findings(found: Sequence[Finding]) -> Table:
    """Return the findings with their evidence and advice, the largest loss first."""
    table = Table(title="Findings, the largest loss first", title_justify="left", show_lines=True)
    for heading in ("Cause", "Units", "Lost", "Evidence", "What to look at first"):
        table.add_column(heading, justify="right" if heading == "Lost" else "left")
    for finding in found:
        cause = f"{finding.cause}\n{words.confidence(finding.confidence)}"
        where = ", ".join(finding.serials) or finding.plane or finding.branch or "site"
        table.add_row(cause, where, words.energy(finding.lost_wh), finding.evidence, finding.advice)
    return table


def overview(names: Mapping[str, str], found: Mapping[str, Verification]) -> Table:
    """Return several sites, a line each, in the order of the names."""
    table = Table("Site", "Id", "Verdict", "Findings")
    for site_id, verification in found.items():
        causes = dict.fromkeys(finding.cause for finding in verification.findings)
        table.add_row(names[site_id], site_id, VERDICTS[verification.verdict], ", ".join(causes))
    return table


def _unit_cells(unit: UnitResult) -> Iterator[str]:
    yield str(unit.rank)
    yield unit.serial
    yield words.energy(unit.measured_wh)
    yield words.energy(unit.expected_wh)
    yield words.ratio(unit.performance_ratio)
    yield _with_band(unit)
    yield words.percent(unit.heard_share)
    yield ", ".join(unit.causes)


def _with_band(unit: UnitResult) -> str:
    band = (unit.performance_index_low, unit.performance_index_high)
    index = words.ratio(unit.performance_index)
    return index if None in band else f"{index} ({words.ratio(band[0])} to {words.ratio(band[1])})"
