"""What a finding rests on, for one drawing: its units on the day that shows it best, beside what their neighbours did.

Pure functions from a verification to series. What is a fault was said by the verification; here it is only shown.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from service.report.days import Profile, Series, day_profile, sum_series, totals, unit_series
from service.report.language import gettext as _
from service.report.sheets import TENTH, Column, Row, Table, in_zone, rounded
from service.verify.result import INFORMATION_CAUSES, Curves, Finding, UnitResult, Verification

Floats = NDArray[np.float64]

MOST_NEIGHBOURS = 6
FAR = 1_000.0
"""Distance of a unit without a place on the plan: behind all that have one."""

FAINT = 0.02
"""Share of a neighbour's brightest expectation below which its ratio says nothing."""


@dataclass(frozen=True)
class Evidence:
    """A finding's units together on one day: `series` over their intervals heard, `due` over all.

    `neighbours_ratio` is the median neighbour's output over its expectation, NaN where there is none to tell;
    `seen` are the local minutes of that day in which the cause was seen, None where it was the whole day.
    """

    units: tuple[str, ...]
    neighbours: tuple[str, ...]
    day: date
    series: Series
    due: Series
    neighbours_ratio: Floats
    seen: tuple[int, int] | None

    def profile(self, step_min: int) -> Profile:
        """Return measured and expected power; expected also where nobody was heard."""
        return day_profile(self.series if self.series.heard.any() else self.due, self.day, step_min)

    def neighbours_w(self, step_min: int) -> Floats:
        """Return the power that the units would have had, had they done as the median neighbour did."""
        as_they = self.neighbours_ratio * self.due.expected_wh
        told = Series(
            self.due.interval_min, self.due.days, self.due.day, self.due.minute, as_they, self.due.expected_wh
        )
        return day_profile(told, self.day, step_min).measured_w


def evidence(found: Verification, finding: Finding, zone: ZoneInfo) -> Evidence | None:
    """Return what shows the finding; None without curves, or where no energy was to be expected."""
    curves, named = found.curves, concerned(found, finding)
    if curves is None or not named:
        return None
    series = sum_series(curves, named, zone)
    due = _all_expected(curves, named, zone)
    day = _telling_day(series, due, finding, zone)
    if day is None:
        return None
    beside = neighbours(found, named)
    return Evidence(
        tuple(named),
        tuple(beside),
        day,
        series,
        due,
        _median_ratio(curves, beside, zone),
        _seen(finding, day, zone),
    )


def concerned(found: Verification, finding: Finding) -> list[str]:
    """Return the units that the finding is about: those named, else those of its branch or plane, else all."""
    named = set(finding.serials)
    if named:
        return [unit.serial for unit in found.units if unit.serial in named]
    return [
        unit.serial
        for unit in found.units
        if finding.branch in (None, unit.branch) and finding.plane in (None, unit.plane)
    ]


def neighbours(found: Verification, named: Iterable[str]) -> list[str]:
    """Return the nearest units on the same planes that have no fault of their own, up to six."""
    own = [unit for unit in found.units if unit.serial in set(named)]
    planes = {unit.plane for unit in own}
    free = [
        u
        for u in found.units
        if u not in own and u.plane in planes and not set(u.causes) - INFORMATION_CAUSES
    ]
    heard = [unit for unit in free if unit.heard_share > 0]
    nearest = sorted(heard, key=lambda unit: (min(_distance(unit, one) for one in own), unit.serial))
    return [unit.serial for unit in nearest[:MOST_NEIGHBOURS]]


def powers(name: str, shown: Evidence, zone: ZoneInfo, step_min: int) -> Table:
    """Return the day's powers as a table for a file."""
    columns = (
        Column(in_zone(_("From"), zone), width=18),
        Column(_("Measured [W]"), TENTH),
        Column(_("Expected [W]"), TENTH),
        Column(_("As the neighbours did [W]"), TENTH),
    )
    return Table(name, columns, power_rows(shown, step_min))


def power_rows(shown: Evidence, step_min: int) -> list[Row]:
    """Return the steps of the day with light: from when, measured, expected, and as the neighbours did, W."""
    profile, beside = shown.profile(step_min), shown.neighbours_w(step_min)
    start = datetime.combine(shown.day, time())
    values = zip(profile.measured_w, profile.expected_w, beside, strict=True)
    return [
        (
            start + timedelta(minutes=i * profile.step_min),
            *(rounded(None if np.isnan(w) else float(w), 1) for w in row),
        )
        for i, row in enumerate(values)
        if row[1] > 0
    ]


def _all_expected(curves: Curves, serials: Sequence[str], zone: ZoneInfo) -> Series:
    """Return the sum of what was expected, heard or not, as a series that nobody was heard in."""
    parts = [unit_series(curves, serial, zone) for serial in serials]
    one = parts[0]
    expected = np.sum([np.nan_to_num(part.expected_wh) for part in parts], axis=0)
    return Series(one.interval_min, one.days, one.day, one.minute, np.full(len(one.day), np.nan), expected)


def _telling_day(series: Series, due: Series, finding: Finding, zone: ZoneInfo) -> date | None:
    """Return the day with the largest gap while the cause was seen; with the most light where nobody was heard."""
    ends = (finding.first_seen, finding.last_seen and finding.last_seen - timedelta(microseconds=1))
    first, last = (moment and moment.astimezone(zone).date() for moment in ends)
    gaps = {total.day: abs(total.expected_wh - total.measured_wh) for total in totals(series)}
    light = np.bincount(due.day, due.expected_wh, len(due.days))
    lit = [day for day, energy in zip(due.days, light, strict=True) if energy > 0]
    within = [d for d in lit if (not first or d >= first) and (not last or d <= last)] or lit
    return max(within, key=lambda day: (gaps[day], light[due.days.index(day)]), default=None)


def _median_ratio(curves: Curves, serials: Sequence[str], zone: ZoneInfo) -> Floats:
    ratios = [_ratio(unit_series(curves, serial, zone)) for serial in serials]
    if not ratios:
        return np.full(len(unit_series(curves, "", zone).day), np.nan)
    table = np.array(ratios)
    out = np.full(table.shape[1], np.nan)
    told = np.flatnonzero(np.isfinite(table).any(axis=0))
    out[told] = np.nanmedian(table[:, told], axis=0)
    return out


def _ratio(series: Series) -> Floats:
    bright = series.expected_wh > FAINT * np.nanmax(series.expected_wh, initial=0.0)
    use = series.heard & bright
    return np.asarray(
        np.divide(series.measured_wh, series.expected_wh, out=np.full(len(use), np.nan), where=use)
    )


def _seen(finding: Finding, day: date, zone: ZoneInfo) -> tuple[int, int] | None:
    """Return the minutes of the day between first and last seen; None where that is all of it."""
    start = datetime.combine(day, time(), zone)
    ends = [
        default if moment is None else round((moment - start).total_seconds() / 60)
        for moment, default in ((finding.first_seen, 0), (finding.last_seen, 24 * 60))
    ]
    first, last = max(0, ends[0]), min(24 * 60, ends[1])
    return (first, last) if (first > 0 or last < 24 * 60) and first < last else None


def _distance(one: UnitResult, other: UnitResult) -> float:
    if one.plane != other.plane or None in (one.row, one.column, other.row, other.column):
        return FAR
    return abs((one.row or 0) - (other.row or 0)) + abs((one.column or 0) - (other.column or 0))
