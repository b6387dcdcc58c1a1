"""Unfolds tables of another shape into rows with a time each: blocks one after another, days or times across, and such.

A table whose rows have times already is left as it is. What the cells mean beside times is not known here.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from itertools import islice

from service.intake.export import bare
from service.intake.export.bare import Fold, Row
from service.intake.export.blocks import in_blocks
from service.intake.export.cells import decimal_signs, number
from service.intake.export.commas import rejoined
from service.intake.export.elapsed import elapsed, intervals
from service.intake.export.halves import in_halves
from service.intake.export.markup import marked_up
from service.intake.export.matrices import (
    across,
    clock_across,
    days_down,
    in_blocks_beside,
    side_by_side,
    times_down,
)
from service.intake.export.qualified import by_input, by_one_unit, by_quality, by_units, of_means
from service.intake.export.rows import full
from service.intake.export.said_once import date_above, date_alone, date_once, name_once, year_above
from service.intake.export.spelled import spelled
from service.intake.export.tables import Table
from service.intake.export.told_in_rows import in_columns
from service.intake.export.units_below import FAR, blocks_of_units

HEAD = 400
FEWEST_LINES, MOST_LINES = 6, 0.8
_FULL_WIDTH_DIGIT = re.compile("[\uff10-\uff19]")
_FROM_FULL_WIDTH = {0x3000: " "} | {sign: chr(sign - 0xFEE0) for sign in range(0xFF01, 0xFF5F)}

_WITH_UNIT = re.compile(r"([+-]?\d[\d.,'\s]*?)\s*(k?wh?|v|a|hz|°\s?c|%)", re.I)
LONGEST_WITH_UNIT = 40
"""The pattern takes long for long cells."""

Shape = Callable[[list[Row], Table], Fold | None]
_MATRICES: tuple[Shape, ...] = (days_down, times_down)


def unfolded(table: Table) -> Table:
    """Return the table with a row for each time, itself if it has them."""
    table = _with_cells(table)
    head = list(islice(table.rows(), HEAD))
    for qualifies in (by_units, by_one_unit, by_quality, of_means, by_input):
        fold = qualifies(head, lambda table=table: islice(table.rows(), FAR))  # type: ignore[misc]
        if fold is not None:
            table = _folded(table, fold)
            head = list(islice(table.rows(), HEAD))
    if with_years := year_above(head, table):
        table = _folded(table, with_years)
        head = list(islice(table.rows(), HEAD))
    by_row = (
        intervals,
        elapsed,
        bare.midnights,
        bare.ranges,
        bare.in_parts,
        bare.hours_across,
        bare.clocks,
        bare.counted,
    )
    written = next(filter(None, (kind(head) for kind in by_row)), None)
    told = None if written else in_columns(head, lambda: islice(table.rows(), FAR))
    if written:
        table = _folded(table, written)
    elif told:
        table = _reshaped(table, told)
    head = list(islice(table.rows(), HEAD)) if written or told else head
    if dated := date_alone(head):
        table = _reshaped(table, dated)
        head = list(islice(table.rows(), HEAD))
    shapes = (
        blocks_of_units,
        in_blocks_beside,
        side_by_side,
        clock_across,
        date_above,
        date_once,
        name_once,
        across,
        *_MATRICES,
    )
    if found := _first_of(shapes, head, table):
        shape, laid_out = found
        table = _reshaped(table, laid_out)
        if shape is blocks_of_units and (
            within := _first_of(_MATRICES, list(islice(table.rows(), HEAD)), table)
        ):
            table = _reshaped(table, within[1])
    return _with_plain_cells(table)


def _with_cells(table: Table) -> Table:
    """Return the table with lines and numbers parted where they are to be."""
    head = list(islice(table.rows(), HEAD))
    if parted := _quoted_lines(head, table.delimiter) or _full_width(head):
        return _with_cells(_folded(table, parted))
    if lines := marked_up(head, table.delimiter) or spelled(head, table.delimiter):
        return _reshaped(table, lines)
    numbers = rejoined(head, table.delimiter)
    return table if numbers is None else _folded(table, numbers)


def _with_plain_cells(table: Table) -> Table:
    """Return the table with numbers and hours written as other tables have them."""
    for written in (_units_in_cells, _commas_beside_points):
        if fold := written(list(islice(table.rows(), HEAD))):
            table = _folded(table, fold)
    fold = in_halves(list(islice(table.rows(), HEAD)), lambda: islice(table.rows(), FAR))
    return table if fold is None else _folded(table, fold)


def _first_of(shapes: Sequence[Shape], head: list[Row], table: Table) -> tuple[Shape, Fold] | None:
    """Return the first shape that a table has, with its fold."""
    return next(((shape, fold) for shape in shapes if (fold := shape(head, table)) is not None), None)


def _folded(table: Table, fold: Fold) -> Table:
    """Return the table with each of its rows written anew."""
    return replace(table, open=lambda seen: in_blocks(fold(table.rows(seen))))


def _reshaped(table: Table, fold: Fold) -> Table:
    return replace(_folded(table, fold), is_reshaped=True)


# Units of measure in the cells


def _units_in_cells(head: list[Row]) -> Fold | None:
    """Return the fold that takes units of measure out of cells and says them in the headings."""
    first = next((i for i, row in enumerate(head) if any(map(_with_unit, row))), None)
    if not first:
        return None
    width = max(len(row) for row in head)
    units = {i: unit for i in range(width) if (unit := _unit_of_column(head[first:], i))}
    heading = max((i for i in range(first) if len(full(head[i])) > 1), default=0)

    def fold(rows: Iterator[Row]) -> Iterator[Row]:
        for at, row in enumerate(rows):
            if at == heading:
                yield [f"{cell} ({units[i]})" if i in units else cell for i, cell in enumerate(row)]
            elif at < first:
                yield row
            else:
                yield [_bare(cell, units[i]) if i in units else cell for i, cell in enumerate(row)]

    return fold if units else None


def _with_unit(cell: str) -> re.Match[str] | None:
    bare = cell.strip()
    return _WITH_UNIT.fullmatch(bare) if bare[:1] and len(bare) <= LONGEST_WITH_UNIT else None


def _unit_of_column(rows: list[Row], column: int) -> str | None:
    """Return the unit of a column, without its prefix if cells differ in it."""
    found = [m[2] for row in rows if len(row) > column and (m := _with_unit(row[column]))]
    plain = {unit.lower().removeprefix("k") for unit in found}
    if len(plain) != 1 or len(found) < 0.3 * len(rows):
        return None
    said = {unit.lower() for unit in found}
    return found[0] if len(said) == 1 else found[0].lower().removeprefix("k").replace("w", "W")


def _bare(cell: str, unit: str) -> str:
    found = _with_unit(cell)
    if not found:
        return cell
    if found[2].lower() == unit.lower() or not found[2].lower().startswith("k"):
        return found[1]
    decimal = "," if found[1].rfind(",") > found[1].rfind(".") else "."
    try:
        value = number(found[1], decimal)
    except ValueError:
        return cell
    return "" if value is None else f"{value * 1000:.6f}".replace(".", decimal)


# Decimal signs


def _commas_beside_points(head: list[Row]) -> Fold | None:
    """Return the fold that writes points into columns of decimal commas, where other columns have points."""
    width = max(map(len, head), default=0)
    signs = {i: decimal_signs(row[i] for row in head if len(row) > i) for i in range(width)}
    commas = {i for i, s in signs.items() if s.comma and not s.point}
    points = {i for i, s in signs.items() if s.point and not s.comma}
    if not (commas and points) or any(s.either and not s.comma + s.point for s in signs.values()):
        return None  # in a column of 1.234 alone the others tell which it is

    def fold(rows: Iterator[Row]) -> Iterator[Row]:
        for row in rows:
            yield [_with_point(cell) if i in commas else cell for i, cell in enumerate(row)]

    return fold


def _with_point(cell: str) -> str:
    try:
        value = number(cell, ",")
    except ValueError:
        return cell
    return cell if value is None else repr(value)


# Lines and signs


def _quoted_lines(head: list[Row], delimiter: str | None) -> Fold | None:
    """Return the fold of a table whose every line stands in quotation marks as one cell, with others in it."""
    said = [row for row in head if row]
    if not delimiter or len(said) < FEWEST_LINES or any(len(row) > 1 for row in said):
        return None
    if sum(delimiter in row[0] for row in said) < MOST_LINES * len(said):
        return None
    return lambda rows: (next(csv.reader(row, delimiter=delimiter), []) for row in rows)


def _full_width(head: list[Row]) -> Fold | None:
    """Return the fold that writes digits and signs of full width, as of East Asia, as others."""
    if not any(_FULL_WIDTH_DIGIT.search(cell) for row in head for cell in row):
        return None
    return lambda rows: ([cell.translate(_FROM_FULL_WIDTH) for cell in row] for row in rows)
