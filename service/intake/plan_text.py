"""A plan as text: a table of units from a spreadsheet, or one plane's serials as they are seen; and the table written.

Pure, and stores nothing. What is wrong is said by line, column and kind; its words are the pages' business.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from service.intake.plan import (
    Cell,
    Drawn,
    Grid,
    Kinds,
    Plan,
    Spot,
    Stored,
    holders,
    plan_of,
    spot_of,
    with_plan,
)
from service.intake.problems import Refused

COLUMNS = (
    "serial", "plane", "row", "column", "branch", "module_type", "inverter_type", "module_count", "from", "until"
)  # fmt: skip
_NAMES = {
    "serial": "serial serialnumber serialno sn unit seriennummer seriennr einheit",
    "plane": "plane roof roofplane dachfläche dachflaeche dach fläche flaeche",
    "row": "row reihe zeile",
    "column": "column col spalte",
    "branch": "branch branchcircuit circuit stromkreis zweig abzweig",
    "module_type": "moduletype module modultyp modul",
    "inverter_type": "invertertype inverter wechselrichtertyp wechselrichter",
    "module_count": "modulecount modules modulzahl modulanzahl anzahlmodule",
    "from": "from since von ab seit",
    "until": "until bis",
}
_FIELD_OF = {name: field for field, names in _NAMES.items() for name in names.split()}
_WHOLE = frozenset({"row", "column", "module_count"})
_DATES = frozenset({"from", "until"})
_KEPT_IF_EMPTY = frozenset({"plane", "module_type", "inverter_type", "module_count"})

_LIKE_A_FORMULA = re.compile(r"'*[=+\-@\t\r]")
_GUARDED = re.compile(r"'+[=+\-@\t\r]")
_ROUNDED = re.compile(r"\d[.,]\d+E\+\d+", re.IGNORECASE)
_DAY_FIRST = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})")
_UNIT_PATH = re.compile(r"units\[(\d+)\]\.?(.*)")

DELIMITERS = "\t;,"
MOST_LINES = 6000


@dataclass(frozen=True)
class TextProblem:
    """What is wrong in a line: `kind` names it, `about` is what the words need beside the place.

    `line` 0 is the text as a whole; `column` is a field's name or the number of a column.
    """

    line: int
    column: str
    kind: str
    about: str = ""


@dataclass(frozen=True)
class Entry:
    """One unit of a table, with the fields that the table has."""

    line: int
    fields: Stored


@dataclass(frozen=True)
class Understood:
    """What a text holds: the units of a table, or else the rows of a rectangle by line."""

    entries: tuple[Entry, ...] = ()
    rectangle: tuple[tuple[int, tuple[str, ...]], ...] = ()
    ignored: tuple[str, ...] = ()
    problems: tuple[TextProblem, ...] = ()


@dataclass(frozen=True)
class Meant:
    """A record made of a text, not checked yet, and the line of each unit by its place in the list."""

    record: Stored
    lines: Mapping[int, int]
    problems: tuple[TextProblem, ...] = ()


# Reading


def decoded(body: bytes) -> str:
    """Return the text of a file as spreadsheets write it: UTF-8, UTF-16 or Windows' Western European."""
    if body.startswith((b"\xff\xfe", b"\xfe\xff")):
        return body.decode("utf-16", errors="replace")
    try:
        return body.decode("utf-8-sig")
    except UnicodeDecodeError:
        return body.decode("cp1252", errors="replace")


def understood(text: str) -> Understood:
    """Return what the text holds: a table if its first line names columns, else a rectangle of serials."""
    text = text.removeprefix("\ufeff").strip("\r\n")
    header = next(iter(text.splitlines()), "")
    delimiter = max(DELIMITERS, key=lambda d: len(_known(_split(header, d))))
    named = _known(_split(header, delimiter))
    if not named:
        delimiter = next((d for d in DELIMITERS if d in text), ",")
    try:
        lines = list(_lines(text, delimiter))
    except csv.Error:
        return Understood(problems=(TextProblem(0, "", "quotes"),))
    if len(lines) > MOST_LINES:
        return Understood(problems=(TextProblem(0, "", "long", str(MOST_LINES)),))
    if not any(cells for _, cells in lines):
        return Understood(problems=(TextProblem(0, "", "empty"),))
    return _table(lines) if named else _rectangle(lines)


def _split(line: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:
        return []


def _lines(text: str, delimiter: str) -> Iterator[tuple[int, tuple[str, ...]]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    for cells in reader:
        yield reader.line_num, tuple(_plain(cell) for cell in cells)


def _plain(cell: str) -> str:
    cell = cell.strip()
    return cell[1:] if _GUARDED.match(cell) else cell


def _field(name: str) -> str:
    return _FIELD_OF.get(re.sub(r"[^a-zäöüß]", "", name.lower()), "")


def _known(names: Iterable[str]) -> set[str]:
    return {field for name in names if (field := _field(name))}


def _table(lines: Sequence[tuple[int, tuple[str, ...]]]) -> Understood:
    (_, header), rest = lines[0], lines[1:]
    fields = [_field(name) for name in header]
    ignored = tuple(name for name, field in zip(header, fields, strict=True) if name and not field)
    problems = [TextProblem(1, name, "twice") for name in COLUMNS if fields.count(name) > 1]
    if "serial" not in fields:
        problems.append(TextProblem(1, "serial", "missing"))
    if problems:
        return Understood(ignored=ignored, problems=tuple(problems))
    entries = [_entry(line, fields, cells, problems) for line, cells in rest if any(cells)]
    return Understood(
        tuple(entries), (), ignored, (*problems, *_twins((e.line, e.fields["serial"]) for e in entries))
    )


def _entry(line: int, fields: Sequence[str], cells: Sequence[str], problems: list[TextProblem]) -> Entry:
    if len(cells) > len(fields) and any(cells[len(fields) :]):
        problems.append(TextProblem(line, str(len(fields) + 1), "wide"))
    padded = [*cells, *[""] * (len(fields) - len(cells))]
    found: Stored = {}
    for field, cell in zip(fields, padded, strict=False):
        if field:
            found[field] = _value(line, field, cell, problems)
    if not found["serial"]:
        problems.append(TextProblem(line, "serial", "empty_serial"))
    return Entry(line, found)


def _value(line: int, field: str, cell: str, problems: list[TextProblem]) -> Any:
    if field == "serial" and _ROUNDED.fullmatch(cell):
        problems.append(TextProblem(line, field, "rounded", cell))
    if field in _DATES and (day := _DAY_FIRST.fullmatch(cell)):
        return f"{day[3]}-{int(day[2]):02}-{int(day[1]):02}"
    if field not in _WHOLE or not cell:
        return cell or None
    if re.fullmatch(r"\d{1,6}([.,]0+)?", cell):
        return int(re.split("[.,]", cell)[0])
    problems.append(TextProblem(line, field, "whole", cell))
    return None


def _rectangle(lines: Sequence[tuple[int, tuple[str, ...]]]) -> Understood:
    filled = [(line, at, cell) for line, cells in lines for at, cell in enumerate(cells, start=1) if cell]
    rounded = [
        TextProblem(line, str(at), "rounded", cell) for line, at, cell in filled if _ROUNDED.fullmatch(cell)
    ]
    twins = _twins((line, cell) for line, _, cell in filled)
    return Understood(rectangle=tuple(lines), problems=(*rounded, *twins))


def _twins(serials: Iterable[tuple[int, str | None]]) -> Iterator[TextProblem]:
    first: dict[str, int] = {}
    for line, serial in serials:
        if serial and serial in first:
            yield TextProblem(line, "serial", "twin", str(first[serial]))
        elif serial:
            first[serial] = line


# Onto a record


def table_onto(record: Mapping[str, Any], table: Understood, new: Kinds, *, whole: bool) -> Meant:
    """Return the record with the table's units; `whole`: those that are not in it leave.

    Otherwise only he leaves whose cell another takes.
    """
    units: list[Stored] = list(record["units"])
    named = {entry.fields["serial"] for entry in table.entries}
    standing = {spot: u for spot, u in holders(units).items() if u["serial"] not in named}
    planes = [plane["name"] for plane in record["planes"]]
    made = [_unit(entry, units, standing, planes, new) for entry in table.entries]
    lines = [entry.line for entry in table.entries]
    if not whole:
        made, lines = _beside_others(units, made, lines, standing)
    meant = {**record, "units": made, "branches": _with_branches(record.get("branches") or [], made)}
    return Meant(
        meant, {i: line for i, line in enumerate(lines) if line}, tuple(_placeless(table.entries, made))
    )


def rectangle_onto(
    record: Mapping[str, Any], rows: Understood, plane: str, new: Kinds, *, whole: bool
) -> Meant:
    """Return the record with one plane's serials as they are seen, the top row first; empty cells are empty."""
    plan = plan_of(record)
    seen = {
        Spot(plane, row, column): (line, serial)
        for row, (line, cells) in enumerate(rows.rectangle, start=1)
        for column, serial in enumerate(cells, start=1)
    }
    kept = {} if whole else {s: c for s, c in plan.cells.items() if s not in seen}
    drawn = with_plan(record, _with_seen(plan, plane, kept, seen), new)
    return Meant(drawn.record, _seen_lines(drawn, seen))


def _with_seen(
    plan: Plan, plane: str, kept: Mapping[Spot, Cell], seen: Mapping[Spot, tuple[int, str]]
) -> Plan:
    serials = {serial for _, serial in seen.values()}
    branches = {cell.serial: cell.branch for cell in plan.cells.values()}
    cells = {spot: cell for spot, cell in kept.items() if cell.serial not in serials}
    for spot, (_, serial) in seen.items():
        if serial:
            before = plan.cells.get(spot)
            cells[spot] = Cell(serial, branches.get(serial, before.branch if before else None))
    grids = tuple(_spanning(grid, seen) if grid.name == plane else grid for grid in plan.grids)
    return replace(plan, grids=grids, cells=cells)


def _spanning(grid: Grid, spots: Iterable[Spot]) -> Grid:
    rows, columns = {s.row for s in spots}, {s.column for s in spots}
    return replace(
        grid, rows=tuple(sorted({*grid.rows, *rows})), columns=tuple(sorted({*grid.columns, *columns}))
    )


def _seen_lines(drawn: Drawn, seen: Mapping[Spot, tuple[int, str]]) -> dict[int, int]:
    return {i: seen[spot][0] for i, spot in drawn.spots.items() if spot in seen}


def _unit(
    entry: Entry,
    units: Sequence[Stored],
    standing: Mapping[Spot, Stored],
    planes: Sequence[str],
    new: Kinds,
) -> Stored:
    given = {name: v for name, v in entry.fields.items() if v is not None or name not in _KEPT_IF_EMPTY}
    fallback: Stored = {"module_type": new.module_type, "inverter_type": new.inverter_type}
    if len(planes) == 1:
        fallback["plane"] = planes[0]
    known = next((unit for unit in units if unit["serial"] == given["serial"]), None)
    if known is None:
        spot = _spot_if_known({**fallback, **given})
        known = standing.get(spot) if spot else None  # its serial is corrected
    return {**fallback, **(known or {}), **given}


def _spot_if_known(unit: Mapping[str, Any]) -> Spot | None:
    return spot_of(unit) if unit.get("plane") is not None else None


def _beside_others(
    units: Sequence[Stored],
    made: Sequence[Stored],
    lines: Sequence[int],
    standing: Mapping[Spot, Stored],
) -> tuple[list[Stored], list[int]]:
    """Return the record's units in their order with the table's in their places, new ones last."""
    by_serial = dict(zip((unit["serial"] for unit in made), zip(made, lines, strict=True), strict=True))
    taken = {_spot_if_known(unit) for unit in made if unit.get("until") is None}
    leaving = {unit["serial"] for spot, unit in standing.items() if spot in taken}
    known = [by_serial.pop(u["serial"], (u, 0)) for u in units if u["serial"] not in leaving]
    both = [*known, *by_serial.values()]
    return [unit for unit, _ in both], [line for _, line in both]


def _with_branches(branches: Sequence[Stored], units: Iterable[Stored]) -> list[Stored]:
    names = {branch["name"] for branch in branches}
    added = dict.fromkeys(u["branch"] for u in units if u.get("branch") and u["branch"] not in names)
    return [*branches, *({"name": name} for name in added)]


def _placeless(entries: Iterable[Entry], made: Iterable[Stored]) -> Iterator[TextProblem]:
    planes = {unit["serial"]: unit.get("plane") for unit in made}
    for entry in entries:
        if planes.get(entry.fields["serial"]) is None:
            yield TextProblem(entry.line, "plane", "no_plane")


def problems_of(refused: Refused, lines: Mapping[int, int]) -> list[TextProblem]:
    """Return what a record refuses, by the line of the text that it comes from."""
    found = []
    for error in refused.errors:
        unit = _UNIT_PATH.fullmatch(error.field)
        line = lines.get(int(unit[1]), 0) if unit else 0
        found.append(TextProblem(line, unit[2] if unit and line else error.field, "refused", error.message))
    return found


# Writing


def as_csv(record: Mapping[str, Any]) -> str:
    """Return the record's units as a table; no cell of it is a formula to a spreadsheet."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for unit in record["units"]:
        writer.writerow([_guarded(unit.get(name)) for name in COLUMNS])
    return out.getvalue()


def _guarded(value: Any) -> str:
    text = "" if value is None else str(value)
    return f"'{text}" if _LIKE_A_FORMULA.match(text) else text
