"""Where units sit, in words and on a small map of each roof plane: the same rows and places in both.

Pure functions. The office's plan, with each unit's day in its cell, is in `plan`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from service.expect.site import Site
from service.report.language import gettext as _
from service.report.ordinals import ordinal
from service.web.pages.plan import PlanePlan, PlanRow, plans

SPOT_WIDTH, SPOT_HEIGHT = 24, 20
NUMBERS_WIDTH = 16
"""Room for the rows' numbers, left of the map."""


@dataclass(frozen=True)
class Spot:
    """A unit on the map; `number` is its number in the list, empty for one that is only there."""

    x: int
    y: int
    number: str


@dataclass(frozen=True)
class RowName:
    """A row's number beside the map."""

    y: int
    name: str


@dataclass(frozen=True)
class RoofMap:
    """One roof plane with its units."""

    plane: str
    facing: str
    width: int
    height: int
    spots: tuple[Spot, ...]
    rows: tuple[RowName, ...]


def places(site: Site) -> dict[str, str]:
    """Return in words where each unit sits."""
    made = {unit.serial: _unplaced(unit.plane, unit.row, unit.column) for unit in site.units}
    for plan in plans(site, None):
        for row in plan.rows:
            made |= dict(_row_places(plan.name, row))
    return made


def roof_map(plan: PlanePlan, numbers: Mapping[str, int]) -> RoofMap:
    """Return the map of a plane; `numbers` are those of the list, by serial."""
    return RoofMap(
        plane=plan.name,
        facing=plan.facing,
        width=NUMBERS_WIDTH + SPOT_WIDTH * len(plan.columns),
        height=SPOT_HEIGHT * len(plan.rows),
        spots=tuple(_spots(plan.rows, numbers)),
        rows=tuple(RowName(i * SPOT_HEIGHT, str(row.number)) for i, row in enumerate(plan.rows)),
    )


def _spots(rows: Sequence[PlanRow], numbers: Mapping[str, int]) -> Iterator[Spot]:
    for i, row in enumerate(rows):
        for j, cell in enumerate(row.cells):
            if cell is not None:
                x, number = NUMBERS_WIDTH + j * SPOT_WIDTH, numbers.get(cell.serial)
                yield Spot(x, i * SPOT_HEIGHT, "" if number is None else str(number))


def _row_places(plane: str, row: PlanRow) -> Iterator[tuple[str, str]]:
    there = [cell.serial for cell in row.cells if cell is not None]
    for i, serial in enumerate(there, start=1):
        yield serial, _place(plane, row.number, i, len(there))


def _place(plane: str, row: int, nth: int, count: int) -> str:
    if count == 1:
        return _("%(plane)s, row %(row)s, the only one") % {"plane": plane, "row": row}
    values = {"plane": plane, "row": row, "nth": ordinal(nth), "count": count}
    return _("%(plane)s, row %(row)s, %(nth)s of %(count)s from the left") % values


def _unplaced(plane: str, row: int | None, column: int | None) -> str:
    values = {"plane": plane, "row": row, "column": column}
    if row is None and column is None:
        return _("%(plane)s, place not on the record") % values
    if row is None:
        return _("%(plane)s, column %(column)s, row not on the record") % values
    if column is None:
        return _("%(plane)s, row %(row)s, column not on the record") % values
    return _("%(plane)s, row %(row)s, column %(column)s, where another unit is now") % values
