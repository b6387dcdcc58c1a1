"""Numbers that stand for no value: the same again and again, far above all others, in a form that programs use."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from collections.abc import Set as AbstractSet

from service.intake.export.blocks import Row
from service.intake.export.cells import number

FEWEST = 3
FAR = 10
"""So many times the largest other number: no reading of any unit jumps so, and a full counter has others beside it."""

_FULL = {2**bits - 1 for bits in (*range(8, 17), 24, 31, 32, 53, 63, 64)}
"""What a whole number of so many bits holds at most."""


def markers_in(rows: Sequence[Row], columns: Collection[int], decimal: str) -> dict[str, float]:
    """Return the cells of columns that hold such numbers, with the numbers."""
    cells = Counter(row[i] for row in rows for i in columns if len(row) > i)
    held = {cell: value for cell in cells if (value := _number(cell, decimal)) is not None}
    alike = Counter[float]()
    for cell, value in held.items():
        alike[value] += cells[cell]
    likely = {value for value, count in alike.items() if count >= FEWEST and _is_full(value)}
    most = max((value for value in alike if value not in likely), default=0.0)
    return {cell: value for cell, value in held.items() if value in likely and value > FAR * most > 0}


def without(rows: Sequence[Row], columns: Collection[int], cells: AbstractSet[str]) -> list[Row]:
    """Return rows in which cells of columns that hold markers are empty."""
    return [
        row
        if cells.isdisjoint(row)
        else ["" if i in columns and cell in cells else cell for i, cell in enumerate(row)]
        for row in rows
    ]


def _is_full(value: float) -> bool:
    """Return whether a number is what fills its places: 999, 9999, 65535."""
    return value in _FULL or (value >= 999 and set(f"{value:g}") == {"9"})


def _number(cell: str, decimal: str) -> float | None:
    try:
        return number(cell, decimal)
    except ValueError:
        return None
