"""The plan of each roof plane: rows of cells, each cell a unit's own day.

Pure functions from verification and record to what the template draws; no HTML here.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from zoneinfo import ZoneInfo

import numpy as np

from service.expect.site import Site, Unit
from service.report import words
from service.report.days import Profile, Series, day_profile, light_minutes, mean_profile, unit_series
from service.report.language import gettext as _
from service.report.marks import Course, cell_frame, course
from service.report.sunpaths import compass
from service.verify.result import Curves, UnitResult, Verification
from service.web.pages.view import Label, labels, tail

WIDEST_GRID = 60
"""Rows or columns up to which gaps in the numbering are drawn as gaps in the roof."""


@dataclass(frozen=True)
class Cell:
    """One unit on the plan; `course` is None before there are readings."""

    serial: str
    tail: str
    labels: tuple[Label, ...]
    course: Course | None

    @property
    def faults(self) -> tuple[Label, ...]:
        """Return the causes that somebody should look at; the plan leaves mere information out."""
        return tuple(label for label in self.labels if label.is_fault)

    @property
    def is_fault(self) -> bool:
        """Return whether somebody should look at it."""
        return bool(self.faults)


@dataclass(frozen=True)
class PlanRow:
    """One row of a plane; None where no unit sits."""

    number: int
    cells: tuple[Cell | None, ...]


@dataclass(frozen=True)
class PlanePlan:
    """One roof plane: its cells by row and column, and the units that have no place of their own on it."""

    name: str
    facing: str
    columns: tuple[int, ...]
    rows: tuple[PlanRow, ...]
    unplaced: tuple[Cell, ...]


def plans(site: Site, found: Verification | None, day: date | None = None) -> list[PlanePlan]:
    """Return the plans of all planes that carry units; `day` None means the mean day of the window."""
    drawn = cells(site, found, day)
    made = [
        _plane_plan(plane.name, facing(plane.tilt_deg, plane.azimuth_deg), site, drawn)
        for plane in site.planes
    ]
    return [plan for plan in made if plan.rows or plan.unplaced]


def facing(tilt_deg: float, azimuth_deg: float) -> str:
    """Return in words which way a plane faces."""
    if tilt_deg < 2:
        return _("flat")
    return _("faces %(direction)s (azimuth %(azimuth)s), tilt %(tilt)s") % {
        "direction": compass(azimuth_deg),
        "azimuth": words.angle(azimuth_deg),
        "tilt": words.angle(tilt_deg),
    }


def cells(site: Site, found: Verification | None, day: date | None) -> dict[str, Cell]:
    """Return every unit of the record as it is drawn, all on one scale."""
    results = {unit.serial: unit for unit in found.units} if found else {}
    courses = _courses(found.curves, site, day) if found and found.curves else {}
    return {
        unit.serial: Cell(
            unit.serial, tail(unit.serial), _labels(results.get(unit.serial), found), courses.get(unit.serial)
        )
        for unit in site.units
    }


def _labels(result: UnitResult | None, found: Verification | None) -> tuple[Label, ...]:
    return labels(result, found) if result and found else ()


def _courses(curves: Curves, site: Site, day: date | None) -> dict[str, Course]:
    zone = ZoneInfo(site.timezone)
    series = {
        u.serial: unit_series(curves, u.serial, zone) for u in site.units if u.serial in curves.expected_wh
    }
    profiles = {serial: _profile(one, day) for serial, one in series.items()}
    frame = cell_frame(light_minutes(series.values()), 1.05 * _peak(profiles.values()))
    return {serial: course(profile, frame) for serial, profile in profiles.items()}


def _profile(series: Series, day: date | None) -> Profile:
    return mean_profile(series) if day is None else day_profile(series, day)


def _peak(profiles: Iterable[Profile]) -> float:
    return max((float(np.nanmax([*p.measured_w, *p.expected_w], initial=0.0)) for p in profiles), default=1.0)


def _plane_plan(name: str, facing: str, site: Site, cells: dict[str, Cell]) -> PlanePlan:
    units = [unit for unit in site.units if unit.plane == name]
    placed = _holders(units)
    rows = _span(row for row, _ in placed)
    columns = _span(column for _, column in placed)
    grid = tuple(PlanRow(r, tuple(_cell(placed.get((r, c)), cells) for c in columns)) for r in rows)
    held = {unit.serial for unit in placed.values()}
    return PlanePlan(
        name, facing, columns, grid, tuple(cells[u.serial] for u in units if u.serial not in held)
    )


def _holders(units: Iterable[Unit]) -> dict[tuple[int, int], Unit]:
    """Return who sits where; of several on one position the one that is there last."""
    there: dict[tuple[int, int], Unit] = {}
    for unit in sorted(units, key=lambda u: u.active_until or date.max):
        if unit.row is not None and unit.column is not None:
            there[unit.row, unit.column] = unit
    return there


def _cell(unit: Unit | None, cells: dict[str, Cell]) -> Cell | None:
    return cells[unit.serial] if unit else None


def _span(numbers: Iterable[int]) -> tuple[int, ...]:
    used = sorted(set(numbers))
    if used and used[-1] - used[0] < WIDEST_GRID:
        return tuple(range(used[0], used[-1] + 1))
    return tuple(used)
