"""Rankings and charts' numbers as tables for files: every figure as it was worked out, with its unit in the heading."""

from __future__ import annotations

from collections.abc import Iterable

from service.report import words
from service.report.days import DayTotal
from service.report.language import gettext as _
from service.report.sheets import RATIO, TENTH, WHOLE, Column, Row, Table, Value, rounded
from service.report.sunpaths import BIN_DEG, Top, compass
from service.verify.result import UnitResult, Verification

HOURS = "0.00"


def ranking(found: Verification, name: str) -> Table:
    """Return all units by rank."""
    columns = (
        Column(_("Rank"), WHOLE, 6),
        Column(_("Unit"), width=20),
        Column(_("Roof plane"), width=20),
        Column(_("Row"), WHOLE, 7),
        Column(_("Column"), WHOLE, 8),
        Column(_("Branch circuit"), width=14),
        Column(_("Performance ratio"), RATIO),
        Column(_("Performance ratio at 25 °C"), RATIO),
        Column(_("Performance index"), RATIO),
        Column(_("Performance index, low end of the band"), RATIO),
        Column(_("Performance index, high end of the band"), RATIO),
        Column(_("Measured [Wh]"), TENTH),
        Column(_("Expected [Wh]"), TENTH),
        Column(_("Reference yield [h]"), HOURS),
        Column(_("Heard [%]"), TENTH),
        Column(_("Smallest loss that would show [%]"), TENTH),
        Column(_("Cause"), width=30),
    )
    units = sorted(found.units, key=lambda unit: unit.rank)
    return Table(name, columns, (_unit_row(unit) for unit in units))


def days(name: str, totals: Iterable[DayTotal]) -> Table:
    """Return what was measured and expected on each day."""
    columns = (
        Column(_("Day")),
        Column(_("Measured [Wh]"), TENTH),
        Column(_("Expected [Wh]"), TENTH),
        Column(_("Measured over expected"), RATIO),
        Column(_("Heard [%]"), TENTH),
    )
    rows = ((t.day, *_energies(t), rounded(t.ratio, 4), rounded(100 * t.heard_share, 2)) for t in totals)
    return Table(name, columns, rows)


def outline(name: str, tops: Iterable[Top]) -> Table:
    """Return how high what stands before the sun reaches, by azimuth."""
    columns = (
        Column(_("Azimuth from [°]"), TENTH),
        Column(_("Azimuth to [°]"), TENTH),
        Column(_("Direction")),
        Column(_("Top [°]"), TENTH),
        Column(_("How known")),
    )
    half = BIN_DEG / 2
    rows = (
        (
            (top.azimuth_deg - half) % 360,
            (top.azimuth_deg + half) % 360,
            compass(top.azimuth_deg),
            top.elevation_deg if top.known or not top.is_seen else top.at_least_deg,
            _("seen") if top.known else _("at least") if top.is_seen else _("guessed"),
        )
        for top in tops
    )
    return Table(name, columns, rows)


def _unit_row(unit: UnitResult) -> Row:
    ratios = (
        unit.performance_ratio,
        unit.performance_ratio_25c,
        unit.performance_index,
        unit.performance_index_low,
        unit.performance_index_high,
    )
    return (
        unit.rank,
        unit.serial,
        unit.plane,
        unit.row,
        unit.column,
        unit.branch,
        *(rounded(ratio, 4) for ratio in ratios),
        rounded(unit.measured_wh, 1),
        rounded(unit.expected_wh, 1),
        rounded(unit.reference_yield_h, 3),
        rounded(100 * unit.heard_share, 2),
        rounded(unit.smallest_visible_loss_pct, 2),
        "; ".join(words.CAUSES[cause].phrase(1) for cause in unit.causes),
    )


def _energies(total: DayTotal) -> tuple[Value, Value]:
    if not total.heard_share:
        return None, None
    return round(total.measured_wh, 1), round(total.expected_wh, 1)
