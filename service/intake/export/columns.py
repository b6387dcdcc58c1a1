"""Which columns are read and as which units: names in headings and rows, further channels, energies too coarse."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from service.intake.export import words
from service.intake.export.cells import lost_digits, number
from service.intake.export.channels import channel_of
from service.intake.export.draft import Draft, listed
from service.intake.export.layout import Layout, NotReadable, Rows, Value, named_column, stranger, table_stem
from service.intake.export.model import Column, Guess
from service.intake.export.naming import Units, resembling, stem, units_question
from service.intake.export.scale import Factor, factor_of
from service.intake.export.words import is_missing
from service.intake.problems import told

LOOKED_AT = 600
SLOW = 0.6
"""Of the moves of another column: a counter of fine steps moves with each power, in all the light."""
FEWEST_STEPS = 12
"""Energies of fewer different values tell a unit from its neighbour worse than its power does."""


def names_of(
    layout: Layout,
    columns: Sequence[Value],
    rows: Iterable[Sequence[str]],
    table: str,
    units: Units,
    draft: Draft,
) -> dict[str, str]:
    """Return the serial of each name, empty for what is no unit; ask for the names that nobody but a person knows."""
    if layout.serial_column is None:
        unknown = [unit_name(v, columns) for v in columns if v.serial is None]
        if len(columns) == len(unknown) == 1 and "/" in table:
            unknown = [table_stem(table)]
        if unknown:
            draft.questions.append(units_question(unknown, units))
        return {v.heading: v.serial or v.heading or " " for v in columns}
    column, heading = layout.serial_column, layout.headings[layout.serial_column].strip()
    cells = dict.fromkeys(r[column] for r in rows if len(r) > column and r[column].strip() != heading)
    return _in_rows(cells, units, draft)


def unit_name(value: Value, columns: Sequence[Value]) -> str:
    """Return what a heading calls its unit, the whole heading if others are called the same."""
    short = stem(value.heading)
    return short if sum(stem(v.heading) == short for v in columns) == 1 else value.heading


def _in_rows(cells: Iterable[str], units: Units, draft: Draft) -> dict[str, str]:
    found, unknown = dict[str, str](), []
    for cell in cells:
        serial = units.serial_of(cell)
        if serial is not None:
            found[cell] = serial
        elif is_missing(cell) or lost_digits(cell):
            continue
        elif stranger(cell):
            found[cell] = cell.strip()
        else:
            unknown.append(cell)
    if unknown and not any(found.values()):
        found |= {cell: cell for cell in unknown}
        draft.questions.append(units_question([" ".join(c.split()) for c in unknown], units))
    elif unknown:
        draft.warnings.append(told("rows of these names are not read: {names}", names=listed(unknown)))
    return dict.fromkeys(unknown, "") | found


_SCALES = {"w": 1.0, "kw": 1e3, "wh": 1.0, "kwh": 1e3, "mwh": 1e6}


def measure_of(columns: Sequence[Value]) -> str | None:
    """Return the unit of measure of headings, W of W and kW; NotReadable where they speak of energy and power."""
    found = set(map(_measure, columns))
    other = {words.other_measure(v.heading) for v in columns}
    if found == {None} and None not in other:
        measures = listed(sorted(filter(None, other)))
        raise NotReadable(
            told("its values are in {unit}, which is not read; export W, kW, Wh or kWh", unit=measures)
        )
    if found == {"mwh"}:
        return "kwh"
    if len(found) == 1:
        return found.pop()
    base = next((unit for unit in ("w", "wh") if all(f and f.lstrip("km") == unit for f in found)), None)
    if base is None:
        raise NotReadable(told("its columns have different units of measure; export energy or power alone"))
    return base


def _measure(value: Value) -> str | None:
    is_mega = words.other_measure(value.heading) == "MWh"
    return "mwh" if is_mega else words.unit_of(value.heading)


def factors_of(columns: Sequence[Value]) -> dict[int, float]:
    """Return what makes the values of each column those of the one unit of measure, but for a factor beside it."""
    base = _SCALES[measure_of(columns) or "w"]
    return {v.index: _SCALES[_measure(v) or "w"] / base for v in columns}


def factor_beside(columns: Sequence[Value], above: str) -> Factor | None:
    """Return the factor that headings have beside their unit of measure, or the text above the table."""
    said = {factor_of(without_serial(v)) for v in columns}
    if len(said) > 1:
        raise NotReadable(told("its columns have different units of measure; export energy or power alone"))
    return said.pop() or next(filter(None, map(factor_of, above.splitlines())), None)


def read_columns(layout: Layout, columns: Sequence[Value], factors: Mapping[int, float]) -> list[Column]:
    """Return the columns of the quantity for the recipe."""
    wide = layout.serial_column is None
    return [Column(v.index, (v.serial or v.heading) if wide else None, "", factors[v.index]) for v in columns]


def tell_layout(layout: Layout, left: Sequence[Value], draft: Draft) -> None:
    """Note what the layout is, and what of the table is not read."""
    wide = layout.serial_column is None
    above = Guess(layout.headings_end, 0.95, told("the rows with times begin after it"))
    draft.settle("header_row", above, None)
    shape, why = (
        ("wide", told("units stand in the headings")) if wide else ("long", told("rows name their units"))
    )
    draft.guesses["shape"] = Guess(shape, 0.95, why)
    names = [named_column(layout.headings, i) for i in layout.time_columns]
    draft.guesses["time_columns"] = Guess(names, 0.95, told("all their cells are times"))
    draft.warnings += layout.warnings
    ignored = [*(named_column(layout.headings, v.index) for v in left), *layout.ignored]
    if ignored:
        draft.warnings.append(told("these columns are not read: {names}", names=listed(ignored)))
    if layout.lost:
        lost = listed(layout.lost)
        draft.warnings.append(
            told("serials have lost their last digits ({names}); export them as text", names=lost)
        )


def tell_units(
    layout: Layout, columns: Sequence[Value], names: Mapping[str, str], units: Units, draft: Draft
) -> None:
    """Note which unit each column or name is, how it was found, and who is not on the record."""
    wide = layout.serial_column is None
    open_, plain = told("to be asked"), {c.index: named_column(layout.headings, c.index) for c in columns}
    shown = (
        {plain[c.index]: c.serial or open_ for c in columns}
        if wide
        else {n: s for n, s in names.items() if s}
    )
    draft.guesses["units"] = Guess(shown, 0.95, told("serials of the record"))
    used = {c.heading for c in columns} if wide else set(names)
    draft.warnings += resembling(
        {n: m for n, m in units.taken.items() if n in used or (wide and m.serial in used)}
    )
    found = dict.fromkeys(c.serial for c in columns) if wide else dict.fromkeys(names.values())
    strange = [s for s in found if s and s not in units.known.serials]
    if strange:
        draft.warnings.append(told("not on the site's record: {serials}", serials=listed(strange)))
    if wide and any(
        c.serial and c.serial not in c.heading and c.serial.lstrip("0") in c.heading for c in columns
    ):
        draft.warnings.append(
            told("serials have lost their leading zeros; each was found on the record all the same")
        )


def coarse_columns(data: Rows, layout: Layout) -> frozenset[int]:
    """Return the columns whose values take very few steps."""
    if len(layout.values) < 2 or len(data) < LOOKED_AT / 3:
        return frozenset()
    few = {v.index for v in layout.values if _steps(data, v.index) < FEWEST_STEPS}
    return frozenset(few | _slow_counters(data, layout))


def _slow_counters(data: Rows, layout: Layout) -> set[int]:
    """Return the counters that stand still while another column of their unit moves: they count in large steps."""
    counters = [v for v in layout.values if words.COUNTER.search(v.heading)]
    if not counters or len(counters) == len(layout.values):
        return set()
    moved = {v.index: _moves(data, v.index, layout.serial_column) for v in layout.values}
    most = {c.index: max(moved[v.index] for v in layout.values if v.serial == c.serial) for c in counters}
    return {column for column, count in most.items() if moved[column] < SLOW * count}


def _moves(data: Rows, column: int, serial_column: int | None) -> int:
    """Return how often a unit's cell is not as in its row before."""
    last: dict[str, str] = {}
    count = 0
    for row in data[: 10 * LOOKED_AT]:
        if len(row) > column and (cell := row[column]).strip():
            unit = "" if serial_column is None or len(row) <= serial_column else row[serial_column]
            count += last.get(unit, cell) != cell
            last[unit] = cell
    return count


def _steps(data: Rows, column: int) -> int:
    cells = {r[column] for r in data[: 10 * LOOKED_AT] if len(r) > column}
    return sum(any(digit in "123456789" for digit in cell) for cell in cells)


def columns_beside(
    data: Rows, layout: Layout, columns: Sequence[Value], decimal: str, draft: Draft
) -> list[Column]:
    """Return the columns of further channels, one of each for a unit; note them, and those that are none."""
    found, shown, ignored = dict[tuple[str | None, str], Column](), dict[str, str](), []
    serials = {c.serial for c in columns}
    for value in layout.beside:
        channel = channel_of(without_serial(value), _usual(data, value.index, decimal))
        own = None if layout.serial_column is not None else value.serial
        if channel is None or (own, channel.name) in found or (own is not None and own not in serials):
            ignored.append(named_column(layout.headings, value.index))
            continue
        found[own, channel.name] = Column(value.index, own, channel.name, channel.factor, channel.shift)
        shown[value.heading] = channel.name
    if shown:
        draft.guesses["beside"] = Guess(shown, 0.9, told("by their headings and values"))
    if ignored:
        draft.warnings.append(told("these columns are not read: {names}", names=listed(ignored)))
    return list(found.values())


def without_serial(value: Value) -> str:
    """Return a heading without the serial in it."""
    return value.heading.replace(value.serial, " ") if value.serial else value.heading


def _usual(data: Rows, column: int, decimal: str) -> float:
    """Return the median of the first values that are not nothing."""
    found = []
    for row in data[: 10 * LOOKED_AT]:
        try:
            value = number(row[column], decimal) if len(row) > column else None
        except ValueError:
            continue
        if value:
            found.append(value)
    return float(np.median(found)) if found else 0.0
