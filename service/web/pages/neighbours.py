"""The units beside a unit on its roof plane: their mean days on one scale with its own, and their indices."""

from __future__ import annotations

from dataclasses import dataclass, replace

from service.expect.site import Site, Unit
from service.report.marks import Course
from service.verify.result import Verification
from service.web.pages import plan, view
from service.web.pages.view import UnitLine


@dataclass(frozen=True)
class Beside:
    """One unit in the list; `is_own` marks the one whose page it is."""

    line: UnitLine
    course: Course | None
    is_own: bool


def beside(site: Site, found: Verification, unit: Unit) -> list[Beside]:
    """Return the unit and those on the places around it, in the order of the plan; empty if it stands alone."""
    results = {result.serial: result for result in found.units}
    near = [one for one in site.units if one.serial in results and (one is unit or _adjoin(unit, one))]
    if len(near) < 2:
        return []
    cells = plan.cells(replace(site, units=tuple(near)), found, None)
    ordered = sorted(near, key=lambda one: (one.row or 0, one.column or 0))
    return [
        Beside(view.unit_line(results[one.serial], found), cells[one.serial].course, one is unit)
        for one in ordered
    ]


def _adjoin(one: Unit, other: Unit) -> bool:
    """Return whether two units sit side by side, corner to corner included."""
    if one.plane != other.plane:
        return False
    if one.row is None or one.column is None or other.row is None or other.column is None:
        return False
    return max(abs(one.row - other.row), abs(one.column - other.column)) == 1
