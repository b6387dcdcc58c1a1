"""Commas that part cells and stand before fractions at once, without quotation marks: 0,5 is two cells then.

Where the last headings have twice as many cells of digits below them, each two are one number.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from service.intake.export import words
from service.intake.export.bare import Fold, Row
from service.intake.export.rows import full, is_data, of_kind

FEWEST_ROWS = 6
FEWEST_FRACTIONS = 6
"""Different ones: a column of states without a heading has few."""

MOST = 0.9


def rejoined(head: Sequence[Row], delimiter: str | None) -> Fold | None:
    """Return the fold that makes one number of each two such cells, None for any other table."""
    first = next((i for i, row in enumerate(head) if is_data(row)), 0)
    if delimiter != "," or not first:
        return None
    data, named = [row for row in head[first:] if is_data(row)], _width(head[first - 1])
    (usual, count), *_ = Counter(map(_width, data)).most_common(1)
    begin = named - (usual - named)
    rows = [row for row in data if _width(row) == usual]
    if (
        usual <= named
        or count < max(FEWEST_ROWS, MOST * len(data))
        or not _are_values(head[first - 1], rows, begin)
    ):
        return None

    def fold(given: Iterator[Row]) -> Iterator[Row]:
        for row in given:
            yield _joined(row, begin, usual) if _width(row) == usual else row

    return fold


def _width(row: Row) -> int:
    return max(full(row), default=-1) + 1


def _are_values(heading: Row, rows: Sequence[Row], begin: int) -> bool:
    """Return whether the cells from there on are halves of numbers, behind times that stand under their headings."""
    times = of_kind(rows[0], "datetime", "date", "time")
    if begin <= max(times) or not all(cell.strip() for cell in heading[begin:]):
        return False
    if not any(word.search(heading[times[0]]) for word in (words.TIME, words.START, words.END)):
        return False
    fractions = {cell.strip() for row in rows for cell in row[begin + 1 :: 2]}
    wholes = (cell.strip().lstrip("+-") for row in rows for cell in row[begin::2])
    return all(map(str.isdecimal, (*wholes, *fractions))) and len(fractions) >= FEWEST_FRACTIONS


def _joined(row: Row, begin: int, width: int) -> Row:
    return [*row[:begin], *(f"{row[i]}.{row[i + 1]}" for i in range(begin, width, 2))]
