"""The form of a roof plan: from what was typed to a plan, what its buttons do to it, and back to what is shown. Pure.

A cell's fields are named by plane, row and column: `s.0.1.3` holds the serial, `b.0.1.3` the branch circuit. An empty
cell's branch is `*`: whoever is entered there takes the branch chosen for the next entries.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from service.intake.plan import Cell, Cells, Grid, Kinds, Plan, Spot, plan_of, put, twins
from service.report.language import gettext as _
from service.web.pages.plan_warnings import Warned
from service.web.pages.site_form import NUMBERS, Typed, number_typed

ORDERS = ("rows", "columns", "snake")
NEXT_BRANCH = "*"
MOST_CELLS = 8000
MOST_PLANES = 200


@dataclass
class PlanForm:
    """What stands in the form: the plan, the record's cells that it began with, the choices, and what is wrong."""

    plan: Plan
    base: Cells
    on: str
    order: str = ORDERS[0]
    next_branch: str = ""
    kinds: Kinds = field(default_factory=lambda: Kinds("", ""))
    seen: str = ""
    errors: dict[Spot, str] = field(default_factory=dict)
    general: list[str] = field(default_factory=list)
    warnings: list[Warned] = field(default_factory=list)
    beside: Typed = field(default_factory=dict)
    """What was typed beside the cells, for the tools below the plan; emptied by a tool that has done its work."""

    @property
    def is_right(self) -> bool:
        """Return whether nothing is wrong."""
        return not (self.errors or self.general)


# From record and request


def form_of(record: Mapping[str, Any], on: str) -> PlanForm:
    """Return the form with what the record says."""
    plan = plan_of(record)
    branches = record.get("branches") or []
    branch = branches[0]["name"] if branches else ""
    return PlanForm(plan, plan.cells, on, next_branch=branch, kinds=chosen_kinds(record, {}))


def form_as_sent(record: Mapping[str, Any], sent: Mapping[str, str]) -> PlanForm:
    """Return the form as it was typed."""
    fields = {name: value.strip() for name, value in sent.items()}
    order = fields.get("order", "")
    branch = fields.get("next_branch", "")
    return PlanForm(
        _plan(fields, branch),
        _base(fields.get("base", "")),
        fields.get("on", ""),
        order=order if order in ORDERS else ORDERS[0],
        next_branch=branch,
        kinds=chosen_kinds(record, fields),
        seen=fields.get("seen", ""),
        beside={name: value for name, value in fields.items() if name[:2] in ("a.", "m.", "n.")},
    )


def united(typed: Iterable[Grid], now: Sequence[Grid], cells: Cells) -> tuple[Grid, ...]:
    """Return the record's planes, and those typed on which somebody is, with every row and column that either has."""
    shown = {grid.name: grid for grid in typed}
    further = [grid for name, grid in shown.items() if name not in {g.name for g in now}]
    kept = [grid for grid in further if any(spot.plane == grid.name for spot in cells)]
    return tuple(_spanning(grid, shown.get(grid.name, grid), cells) for grid in (*now, *kept))


def _spanning(grid: Grid, typed: Grid, cells: Cells) -> Grid:
    mine = [spot for spot in cells if spot.plane == grid.name]
    rows = {*grid.rows, *typed.rows, *(spot.row for spot in mine)}
    columns = {*grid.columns, *typed.columns, *(spot.column for spot in mine)}
    return replace(grid, rows=tuple(sorted(rows)), columns=tuple(sorted(columns)))


def base_as_sent(cells: Cells) -> str:
    """Return the cells that a form began with, to be sent with it."""
    return json.dumps([[*spot, cell.serial, cell.branch] for spot, cell in cells.items()])


def is_too_large(plan: Plan) -> bool:
    """Return whether the plan has more cells than a page can show."""
    return sum(len(grid.rows) * len(grid.columns) for grid in plan.grids) > MOST_CELLS


def chosen_kinds(record: Mapping[str, Any], fields: Mapping[str, str]) -> Kinds:
    """Return the chosen types for new units: the first ones unless others were chosen."""
    chosen = []
    for group, name in (("module_types", "module_type"), ("inverter_types", "inverter_type")):
        names = [entry["name"] for entry in record[group]]
        chosen.append(fields[name] if fields.get(name) in names else names[0])
    return Kinds(*chosen)


def _plan(fields: Mapping[str, str], next_branch: str) -> Plan:
    spots: dict[int, dict[tuple[int, int], str]] = {}
    for name, value in fields.items():
        if found := re.fullmatch(r"s\.(\d{1,3})\.(\d{1,4})\.(\d{1,4})", name):
            plane, row, column = (int(part) for part in found.groups())
            spots.setdefault(plane, {})[row, column] = value
    grids, cells = [], {}
    for i in range(MOST_PLANES):
        name = fields.get(f"plane.{i}", "")
        if name and i in spots:
            grids.append(_grid(fields, i, name, list(spots[i])))
            for (row, column), serial in spots[i].items():
                if serial:
                    branch = fields.get(f"b.{i}.{row}.{column}", "")
                    cells[Spot(name, row, column)] = Cell(serial, _branch(branch, next_branch))
    return Plan(tuple(grids), cells)


def _branch(sent: str, next_branch: str) -> str | None:
    return (next_branch if sent == NEXT_BRANCH else sent) or None


def _grid(fields: Mapping[str, str], at: int, name: str, spots: Sequence[tuple[int, int]]) -> Grid:
    rows, columns = ({spot[axis] for spot in spots} for axis in (0, 1))
    tilt, azimuth = (_degrees(fields.get(f"plane.{at}.{side}", "")) for side in ("tilt", "azimuth"))
    return Grid(name, tilt, azimuth, tuple(sorted(rows)), tuple(sorted(columns)))


def _degrees(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return -1.0  # refused where the record is checked


def _base(text: str) -> dict[Spot, Cell]:
    try:
        return {Spot(str(p), int(r), int(c)): Cell(str(s), b) for p, r, c, s, b in json.loads(text or "[]")}
    except (TypeError, ValueError):
        return {}


# What the buttons do


def take_step(form: PlanForm, do: str) -> None:
    """Do to the plan what a button other than saving asks; what cannot be done is said in the form."""
    action, _dot, at = do.partition(".")
    if action in _STEPS:
        _STEPS[action](form)
    elif action in _SHAPES and at.isdecimal() and int(at) < len(form.plan.grids):
        _SHAPES[action](form, int(at))


def mark_twins(form: PlanForm) -> None:
    """Say beside every cell whose serial is in another one too where that is."""
    for spot, other in twins(form.plan.cells).items():
        form.errors[spot] = _("also at %(place)s; correct one of the two") % {"place": spot_words(other)}


def spot_words(spot: Spot) -> str:
    """Return a cell in words."""
    return _("%(plane)s, row %(row)s, column %(column)s") % spot._asdict()


def _assign(form: PlanForm) -> None:
    """Put the units of some rows and columns on a branch circuit."""
    grid = _grid_at(form, form.beside.get("a.plane", ""))
    bounds = [_bound(form.beside.get(f"a.{name}", "")) for name in ("row1", "row2", "column1", "column2")]
    if grid is None or None in bounds:
        form.general.append(_("Give rows and columns as whole numbers, or leave them empty for all."))
        return
    row1, row2, column1, column2 = (bound or 0 for bound in bounds)
    branch = form.beside.get("a.branch") or None
    cells = dict(form.plan.cells)
    for spot, cell in form.plan.cells.items():
        if (
            spot.plane == grid.name
            and row1 <= spot.row <= (row2 or 9999)
            and column1 <= spot.column <= (column2 or 9999)
        ):
            cells[spot] = replace(cell, branch=branch)
    _use(form, cells=cells)


def _put(form: PlanForm) -> None:
    """Put a unit into another cell; who is there goes where it came from."""
    source = _spot_at(form, *form.beside.get("m.unit", "").split("."))
    target = _spot_at(form, *(form.beside.get(f"m.{name}", "") for name in ("plane", "row", "column")))
    if source is None or source not in form.plan.cells:
        form.general.append(_("Choose the unit to move."))
    elif target is None:
        form.general.append(
            _("There is no such cell: give a row and a column that the plan has, or add them first.")
        )
    else:
        _use(form, cells=put(form.plan.cells, source, target))


def _add_plane(form: PlanForm) -> None:
    """Add a plane of so many rows and columns."""
    name = form.beside.get("n.name", "")
    numbers = {
        key: number_typed(form.beside.get(f"n.{key}", "") or fallback, NUMBERS[of])
        for key, of, fallback in _NEW_PLANE
    }
    wrong = [
        f"{label}: {numbers[key]}"
        for key, label in _new_plane_labels().items()
        if isinstance(numbers[key], str)
    ]
    if not name or any(grid.name == name for grid in form.plan.grids):
        wrong.append(_("Give the plane a name that no other has."))
    if wrong:
        form.general += wrong
        return
    rows, columns = (tuple(range(1, int(numbers[key]) + 1)) for key in ("rows", "columns"))
    grid = Grid(name, float(numbers["tilt"]), float(numbers["azimuth"]), rows, columns)
    _use(form, grids=(*form.plan.grids, grid))


_NEW_PLANE = (
    ("tilt", "tilt_deg", ""),
    ("azimuth", "azimuth_deg", ""),
    ("rows", "rows", "1"),
    ("columns", "columns", "1"),
)


def _new_plane_labels() -> dict[str, str]:
    return {"tilt": _("Tilt"), "azimuth": _("Azimuth"), "rows": _("Rows"), "columns": _("Columns")}


def _use(form: PlanForm, **changed: Any) -> None:
    form.plan = replace(form.plan, **changed)
    form.beside = {}


def _bound(text: str) -> int | None:
    """Return the number, 0 for none given, None for what is no number."""
    if not text:
        return 0
    return int(text) if text.isdecimal() and len(text) <= 4 else None


def _grid_at(form: PlanForm, at: str) -> Grid | None:
    known = at.isdecimal() and int(at) < len(form.plan.grids)
    return form.plan.grids[int(at)] if known else None


def _spot_at(form: PlanForm, plane: str = "", row: str = "", column: str = "", *_more: str) -> Spot | None:
    grid = _grid_at(form, plane)
    if grid is None or not row.isdecimal() or not column.isdecimal():
        return None
    known = int(row) in grid.rows and int(column) in grid.columns
    return Spot(grid.name, int(row), int(column)) if known else None


def _shape(form: PlanForm, at: int, **changed: tuple[int, ...]) -> None:
    grids = list(form.plan.grids)
    grids[at] = replace(grids[at], **changed)  # type: ignore[arg-type] # rows and columns only
    form.plan = replace(form.plan, grids=tuple(grids))


def _row_below(form: PlanForm, at: int) -> None:
    rows = form.plan.grids[at].rows
    _shape(form, at, rows=(*rows, rows[-1] + 1))


def _column_right(form: PlanForm, at: int) -> None:
    columns = form.plan.grids[at].columns
    _shape(form, at, columns=(*columns, columns[-1] + 1))


def _row_above(form: PlanForm, at: int) -> None:
    _shift(form, at, row=1)
    rows = form.plan.grids[at].rows
    _shape(form, at, rows=(rows[0], *(row + 1 for row in rows)))


def _column_left(form: PlanForm, at: int) -> None:
    _shift(form, at, column=1)
    columns = form.plan.grids[at].columns
    _shape(form, at, columns=(columns[0], *(column + 1 for column in columns)))


def _shift(form: PlanForm, at: int, *, row: int = 0, column: int = 0) -> None:
    name = form.plan.grids[at].name
    moved = {
        Spot(s.plane, s.row + row, s.column + column) if s.plane == name else s: cell
        for s, cell in form.plan.cells.items()
    }
    form.plan = replace(form.plan, cells=moved)


def _drop_row(form: PlanForm, at: int) -> None:
    grid = form.plan.grids[at]
    if any(s.plane == grid.name and s.row == grid.rows[-1] for s in form.plan.cells):
        form.general.append(
            _("The last row of %(plane)s holds units; move or clear them first.") % {"plane": grid.name}
        )
    elif len(grid.rows) > 1:
        _shape(form, at, rows=grid.rows[:-1])


def _drop_column(form: PlanForm, at: int) -> None:
    grid = form.plan.grids[at]
    if any(s.plane == grid.name and s.column == grid.columns[-1] for s in form.plan.cells):
        form.general.append(
            _("The last column of %(plane)s holds units; move or clear them first.") % {"plane": grid.name}
        )
    elif len(grid.columns) > 1:
        _shape(form, at, columns=grid.columns[:-1])


def _drop_plane(form: PlanForm, at: int) -> None:
    grid = form.plan.grids[at]
    if any(spot.plane == grid.name for spot in form.plan.cells):
        form.general.append(_("%(plane)s holds units; move or clear them first.") % {"plane": grid.name})
    elif len(form.plan.grids) == 1:
        form.general.append(_("A site needs a roof plane; add another before you take this one away."))
    else:
        form.plan = replace(form.plan, grids=(*form.plan.grids[:at], *form.plan.grids[at + 1 :]))


_STEPS: Mapping[str, Callable[[PlanForm], None]] = {"assign": _assign, "put": _put, "add-plane": _add_plane}
_SHAPES: Mapping[str, Callable[[PlanForm, int], None]] = {
    "row-above": _row_above,
    "row-below": _row_below,
    "column-left": _column_left,
    "column-right": _column_right,
    "drop-row": _drop_row,
    "drop-column": _drop_column,
    "drop-plane": _drop_plane,
}


# What is shown


@dataclass(frozen=True)
class CellView:
    """One cell: `key` names its fields, `said` stands below it, `focus` is where typing goes on."""

    key: str
    label: str
    serial: str
    branch: str
    said: str
    is_wrong: bool
    focus: bool


@dataclass(frozen=True)
class GridView:
    """One plane's rows of cells, by their numbers."""

    name: str
    tilt: str
    azimuth: str
    columns: tuple[int, ...]
    rows: tuple[tuple[int, tuple[CellView, ...]], ...]


def grid_views(form: PlanForm) -> list[GridView]:
    """Return the planes as the page shows them."""
    focus = focused(form)
    return [_grid_view(form, i, grid, focus) for i, grid in enumerate(form.plan.grids)]


def in_order(grid: Grid, order: str) -> Iterator[Spot]:
    """Give a plane's cells in the order in which they are entered."""
    if order == "columns":  # up every column, from the left
        yield from (Spot(grid.name, row, column) for column in grid.columns for row in reversed(grid.rows))
        return
    for i, row in enumerate(grid.rows):
        back = order == "snake" and i % 2
        yield from (
            Spot(grid.name, row, column) for column in (reversed(grid.columns) if back else grid.columns)
        )


def focused(form: PlanForm) -> Spot | None:
    """Return where typing goes on: at what is wrong, else behind the last cell that is filled."""
    spots = [spot for grid in form.plan.grids for spot in in_order(grid, form.order)]
    wrong = [spot for spot in spots if spot in form.errors]
    if wrong:
        return wrong[-1]  # of two with one serial the later is the one just typed
    filled = [i for i, spot in enumerate(spots) if spot in form.plan.cells]
    behind = spots[filled[-1] + 1 :] if filled else spots
    return next(iter(behind), next((spot for spot in spots if spot not in form.plan.cells), None))


def _grid_view(form: PlanForm, at: int, grid: Grid, focus: Spot | None) -> GridView:
    rows = tuple(
        (row, tuple(_cell_view(form, at, Spot(grid.name, row, column), focus) for column in grid.columns))
        for row in grid.rows
    )
    return GridView(grid.name, f"{grid.tilt_deg:g}", f"{grid.azimuth_deg:g}", grid.columns, rows)


def _cell_view(form: PlanForm, at: int, spot: Spot, focus: Spot | None) -> CellView:
    cell, wrong = form.plan.cells.get(spot), form.errors.get(spot, "")
    branch = NEXT_BRANCH if cell is None else cell.branch or ""
    said = wrong or (branch if cell else "")
    return CellView(
        f"{at}.{spot.row}.{spot.column}",
        spot_words(spot),
        cell.serial if cell else "",
        branch,
        said,
        bool(wrong),
        spot == focus,
    )
