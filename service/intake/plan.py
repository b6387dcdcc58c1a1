"""A roof plan as it is built: which serial is in which cell, apart from all else that a record holds. Pure.

A cell holds the unit that is there now. Units that left the roof, further inputs of an inverter, and units without a
row and column stay on the record as they are until somebody puts them somewhere.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from service.intake.inputs import Stay
from service.intake.problems import Refused
from service.intake.record import as_stored, read_begun

Stored = dict[str, Any]
"""A site record, or one entry of it, as it is kept."""

WIDEST_GRID = 60
"""Rows or columns up to which gaps in the numbering are rows and columns of the plan."""

PLACE = ("plane", "row", "column")


class Spot(NamedTuple):
    """A cell of the plan."""

    plane: str
    row: int
    column: int


@dataclass(frozen=True)
class Cell:
    """Who is in a cell, and on which branch circuit."""

    serial: str
    branch: str | None = None


Cells = Mapping[Spot, Cell]


@dataclass(frozen=True)
class Grid:
    """One roof plane with the rows and columns of its plan, top row and left column first."""

    name: str
    tilt_deg: float
    azimuth_deg: float
    rows: tuple[int, ...]
    columns: tuple[int, ...]

    def spots(self) -> Iterator[Spot]:
        """Give all cells, along the rows."""
        return (Spot(self.name, row, column) for row in self.rows for column in self.columns)


@dataclass(frozen=True)
class Plan:
    """All planes, and who is where."""

    grids: tuple[Grid, ...]
    cells: Cells = field(default_factory=dict)


@dataclass(frozen=True)
class Kinds:
    """What a unit is that the record does not know yet."""

    module_type: str
    inverter_type: str


# From a record to its plan


def plan_of(record: Mapping[str, Any]) -> Plan:
    """Return the plan of a stored record."""
    held = holders(record["units"])
    grids = tuple(
        _grid(plane, [spot for spot in held if spot.plane == plane["name"]]) for plane in record["planes"]
    )
    return Plan(grids, {spot: Cell(unit["serial"], unit.get("branch")) for spot, unit in held.items()})


def holders(units: Iterable[Stored]) -> dict[Spot, Stored]:
    """Return who is in which cell now; of several inputs of one inverter the first on the record."""
    held: dict[Spot, Stored] = {}
    for unit in units:
        spot = spot_of(unit)
        if spot is not None and unit.get("until") is None:
            held.setdefault(spot, unit)
    return held


def spot_of(unit: Mapping[str, Any]) -> Spot | None:
    """Return the unit's cell, None where the record does not say."""
    if unit.get("row") is None or unit.get("column") is None:
        return None
    return Spot(unit["plane"], unit["row"], unit["column"])


def beside_the_plan(record: Mapping[str, Any]) -> list[Stored]:
    """Return the units that are on the record and in no cell."""
    held = {unit["serial"] for unit in holders(record["units"]).values()}
    return [unit for unit in record["units"] if unit["serial"] not in held]


def numbers(used: Iterable[int], last: int | None) -> tuple[int, ...]:
    """Return the rows (or columns) of a plan: from 1 on, 0 if it is used; only those used where they lie far apart."""
    found = sorted(set(used))
    low, high = min([1, *found]), max([last or 1, *found])
    if high - low < WIDEST_GRID:
        return tuple(range(low, high + 1))
    return tuple(found) or tuple(range(1, WIDEST_GRID + 1))


def _grid(plane: Mapping[str, Any], spots: Sequence[Spot]) -> Grid:
    return Grid(
        plane["name"],
        plane["tilt_deg"],
        plane["azimuth_deg"],
        numbers((spot.row for spot in spots), plane.get("rows")),
        numbers((spot.column for spot in spots), plane.get("columns")),
    )


# What is done to a plan


def put(cells: Cells, source: Spot, target: Spot) -> dict[Spot, Cell]:
    """Return the cells with the unit put into the other cell; two units exchange places with their branches."""
    moved = dict(cells)
    here, there = moved.pop(source, None), moved.pop(target, None)
    if here is not None:
        moved[target] = Cell(here.serial, there.branch if there else here.branch)
    if there is not None:
        moved[source] = Cell(there.serial, here.branch if here else there.branch)
    return moved


def twins(cells: Cells) -> dict[Spot, Spot]:
    """Return the cells whose serial is in another one too, with the first other."""
    where: dict[str, list[Spot]] = {}
    for spot, cell in cells.items():
        where.setdefault(cell.serial, []).append(spot)
    return {
        spot: next(other for other in spots if other != spot)
        for spots in where.values()
        if len(spots) > 1
        for spot in spots
    }


def merged(base: Cells, typed: Cells, now: Cells) -> dict[Spot, Cell]:
    """Return what was typed where it differs from what it began with, and what the record says now elsewhere."""
    result: dict[Spot, Cell] = {}
    for spot in dict.fromkeys([*typed, *now]):
        source = now if typed.get(spot) == base.get(spot) else typed
        if spot in source:
            result[spot] = source[spot]
    return result


# From a plan to a record


@dataclass(frozen=True)
class Drawn:
    """A record made of a plan, not checked yet, and the cell of each of its units by their place in the list."""

    record: Stored
    spots: dict[int, Spot]


def with_plan(record: Mapping[str, Any], plan: Plan, new: Kinds) -> Drawn:
    """Return the record with the plan: who is in no cell any more leaves, who is new has the given types.

    A new serial in the cell of one that leaves takes over its entry: a serial is corrected far more often than a unit
    is replaced unannounced.
    """
    entries = list(_entries(record, plan, new))
    planes = _planes(record["planes"], plan)
    branches = _branches(record.get("branches") or [], plan.cells.values())
    made = {**record, "planes": planes, "branches": branches, "units": [entry for entry, _ in entries]}
    return Drawn(made, {i: spot for i, (_, spot) in enumerate(entries) if spot is not None})


def checked(drawn: Drawn) -> Stored:
    """Return the record as it is kept; Refused with one error per bad field."""
    return as_stored(read_begun(drawn.record))


def _entries(record: Mapping[str, Any], plan: Plan, new: Kinds) -> Iterator[tuple[Stored, Spot | None]]:
    units: list[Stored] = list(record["units"])
    held = {unit["serial"]: spot for spot, unit in holders(units).items()}
    placed = {cell.serial: spot for spot, cell in plan.cells.items()}
    corrected = _corrected(units, held, plan.cells, placed)
    taken = set()
    for unit in units:
        recorded: str = unit["serial"]
        serial = corrected.get(recorded, recorded)
        target = placed.get(serial) or _beside(unit, held, placed)
        if target is not None and unit.get("until") is None:
            taken.add(target)
            yield _put(unit, serial, target, plan.cells[target].branch), target
        elif recorded not in held:
            yield unit, None
    for spot in sorted(set(plan.cells) - taken):
        yield _fresh(plan.cells[spot], spot, units, new), spot


def _corrected(
    units: Iterable[Stored], held: Mapping[str, Spot], cells: Cells, placed: Mapping[str, Spot]
) -> dict[str, str]:
    """Return the serials that leave, with the new one that is in their cell."""
    known = {unit["serial"] for unit in units}
    leaving = {s: cells[spot].serial for s, spot in held.items() if s not in placed and spot in cells}
    return {old: new for old, new in leaving.items() if new not in known}


def _beside(unit: Stored, held: Mapping[str, Spot], placed: Mapping[str, Spot]) -> Spot | None:
    """Return where the first input of the unit's inverter is put, if the unit shares its cell."""
    spot, device = spot_of(unit), _device(unit["serial"])
    if spot is None or unit["serial"] in held:
        return None
    return next((to for s, to in placed.items() if _device(s) == device and held.get(s) == spot), None)


def _device(serial: str) -> str:
    return Stay(serial, None, None).device


def _put(unit: Stored, serial: str, spot: Spot, branch: str | None) -> Stored:
    return {**unit, "serial": serial, **spot._asdict(), "branch": branch}


def _fresh(cell: Cell, spot: Spot, units: Iterable[Stored], new: Kinds) -> Stored:
    # Who left the cell on a day makes room for the new one on that day.
    left = [unit["until"] for unit in units if spot_of(unit) == spot and unit.get("until")]
    return {
        "serial": cell.serial,
        **spot._asdict(),
        "branch": cell.branch,
        "module_type": new.module_type,
        "inverter_type": new.inverter_type,
        "from": max(left, default=None),
    }


def _planes(planes: Sequence[Stored], plan: Plan) -> list[Stored]:
    known = {plane["name"]: plane for plane in planes}
    return [_plane(known.get(grid.name, {}), grid, plan.cells) for grid in plan.grids]


def _plane(known: Stored, grid: Grid, cells: Cells) -> Stored:
    mine = [spot for spot in cells if spot.plane == grid.name]
    return {
        "name": grid.name,
        "tilt_deg": grid.tilt_deg,
        "azimuth_deg": grid.azimuth_deg,
        **known,
        "rows": _last(known.get("rows"), grid.rows, [spot.row for spot in mine]),
        "columns": _last(known.get("columns"), grid.columns, [spot.column for spot in mine]),
    }


def _last(known: int | None, shown: Sequence[int], used: Sequence[int]) -> int | None:
    """Return the last row (or column) where the units alone do not show it."""
    last = max(1, *shown)
    return last if known is not None or last > max(1, *used, 1) else None


def _branches(branches: Sequence[Stored], cells: Iterable[Cell]) -> list[Stored]:
    names = {branch["name"] for branch in branches}
    added = sorted({cell.branch for cell in cells if cell.branch and cell.branch not in names})
    return [*branches, *({"name": name} for name in added)]


# What differs between two records


@dataclass(frozen=True)
class Difference:
    """What happened to one unit: `kind` is added, removed, moved, renamed or changed."""

    kind: str
    serial: str
    old: Stored | None
    new: Stored | None


@dataclass(frozen=True)
class Differences:
    """What differs between two records: their units, and the names of the other fields."""

    units: tuple[Difference, ...]
    unchanged: int
    fields: tuple[str, ...]

    def of_kind(self, kind: str) -> list[Difference]:
        """Return the units to which that happened."""
        return [one for one in self.units if one.kind == kind]

    def summary(self) -> Stored:
        """Return how many units of each kind, and which other fields, as JSON."""
        kinds = ("added", "removed", "moved", "renamed", "changed")
        counted = {kind: len(self.of_kind(kind)) for kind in kinds}
        return {**{kind: count for kind, count in counted.items() if count}, "fields": list(self.fields)}


def is_same(before: Mapping[str, Any], after: Mapping[str, Any]) -> bool:
    """Return whether two records say the same, what they leave open taken as its default."""
    return _complete(before) == _complete(after)


def differences(before: Mapping[str, Any], after: Mapping[str, Any]) -> Differences:
    """Return what a change of the record has changed."""
    old, new = _complete(before), _complete(after)
    was = {unit["serial"]: unit for unit in old["units"]}
    now = {unit["serial"]: unit for unit in new["units"]}
    kept = [serial for serial in now if serial in was]
    told = [_difference(was[s], now[s]) for s in kept if was[s] != now[s]]
    gone = {s: unit for s, unit in was.items() if s not in now}
    come = {s: unit for s, unit in now.items() if s not in was}
    fields = tuple(name for name in new if name != "units" and new[name] != old.get(name))
    return Differences((*told, *_come_and_gone(gone, come)), sum(was[s] == now[s] for s in kept), fields)


def _difference(old: Stored, new: Stored) -> Difference:
    moved = any(old[name] != new[name] for name in PLACE)
    return Difference("moved" if moved else "changed", new["serial"], old, new)


def _come_and_gone(gone: Mapping[str, Stored], come: Mapping[str, Stored]) -> Iterator[Difference]:
    left = {spot: unit for unit in gone.values() if (spot := spot_of(unit)) is not None}
    renamed = set()
    for serial, unit in come.items():
        spot = spot_of(unit)
        old = left.pop(spot, None) if spot is not None else None
        renamed |= {old["serial"]} if old else set()
        yield Difference("renamed" if old else "added", serial, old, unit)
    for serial, unit in gone.items():
        if serial not in renamed:
            yield Difference("removed", serial, unit, None)


def _complete(record: Mapping[str, Any]) -> Stored:
    try:
        return as_stored(read_begun(record))
    except Refused:  # kept by an earlier version whose rules were others: still comparable as it is
        return dict(record)
