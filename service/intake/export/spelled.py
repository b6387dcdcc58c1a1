"""Lines that spell out what their values are: statements of SQL, `wh=1.5`, words and units of measure between values.

They become rows under headings. What the cells mean is not known here.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from itertools import chain

from service.intake.export import words
from service.intake.export.bare import Fold, Row
from service.intake.export.cells import number
from service.intake.export.layout import kind_of

LOOKED_AT = 60
MOST = 0.9
LONGEST_UNIT = 4

_INSERT = re.compile(r"\s*insert\s+into\s+[^\s(]{1,200}\s*(?:\(([^()]{1,2000})\))?\s*(?:values)?", re.I)
_OTHER = re.compile(r"\s*(create|drop|alter|set|use|lock|unlock|begin|commit|start|--)\b", re.I)
_ROW = re.compile(r"\(((?:[^()']|'[^']{0,200}'){1,400})\)")
_PAIR = re.compile(r"\s*([^\W\d]\w{0,40})=(.*)", re.S)


def spelled(head: Sequence[Row], delimiter: str | None) -> Fold | None:
    """Return the fold of such lines, None for any other."""
    return _statements(head, delimiter) or _pairs(head) or _with_words(head)


# SQL


def _statements(head: Sequence[Row], delimiter: str | None) -> Fold | None:
    if delimiter is None or not any(_INSERT.match(delimiter.join(row)) for row in head):
        return None

    def fold(rows: Iterator[Row]) -> Iterator[Row]:
        named, begun = "", False
        for row in rows:
            line = delimiter.join(row)
            if _OTHER.match(line) or not (begun := begun or bool(_INSERT.match(line))):
                continue
            if found := _INSERT.match(line):
                if found[1] and found[1] != named:
                    named = found[1]
                    yield [name.strip(' \t`"[]') for name in named.split(",")]
                line = line[found.end() :]
            yield from _rows_of(line)

    return fold


def _rows_of(line: str) -> Iterator[Row]:
    for found in _ROW.finditer(line):
        yield from csv.reader([found[1]], quotechar="'", skipinitialspace=True)


# Names and values


def _pairs(head: Sequence[Row]) -> Fold | None:
    said = [row for row in head[:LOOKED_AT] if len(row) > 1]
    paired = [row for row in said if _named(row)]
    if len(paired) < 2 or len(paired) < MOST * (len(said) - said.index(paired[0])):
        return None
    names = list(_named(paired[0]))

    def fold(rows: Iterator[Row]) -> Iterator[Row]:
        begun = False
        for row in rows:
            found = _named(row)
            if found and not begun:
                yield names
            begun = begun or bool(found)
            yield [found.get(name, "") for name in names] if found else row

    return fold


def _named(row: Row) -> dict[str, str]:
    """Return the values of a row by name, nothing if one has none."""
    found = [_PAIR.fullmatch(cell) for cell in row if cell.strip()]
    return {m[1]: m[2].strip() for m in found if m} if len(found) > 1 and all(found) else {}


# Words between values


def _with_words(head: Sequence[Row]) -> Fold | None:
    """Return the fold of rows without headings, of which a column says the unit of measure of the one before it."""
    data = head[:LOOKED_AT]
    if (
        len(data) < LOOKED_AT / 2
        or not any(kind_of(cell) for cell in data[0])
        or len(set(map(len, data))) > 1
    ):
        return None
    said = {i: cells[0] for i, cells in enumerate(zip(*data, strict=True)) if len({*cells}) == 1}
    units = {
        i: text for i, text in said.items() if len(text) <= LONGEST_UNIT and words.unit_of(text) is not None
    }
    valued = {i - 1: unit for i, unit in units.items() if i and all(_is_number(row[i - 1]) for row in data)}
    if not valued:
        return None
    heading = ["" for _ in data[0]]
    for i, unit in valued.items():
        before = said.get(i - 1, "")
        heading[i] = f"{before if words.is_measure(before) else ''} ({unit})".strip()
    return lambda rows: chain([heading], rows)


def _is_number(cell: str) -> bool:
    for decimal in ".,":
        try:
            number(cell, decimal)
        except ValueError:
            continue
        return True
    return False
