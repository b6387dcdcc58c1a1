"""Looks through a whole table once: its first rows, and rows spread over all of it. Memory stays bounded."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import accumulate
from math import nan

import numpy as np

from service.intake.export.blocks import Block, Row
from service.intake.export.cells import number
from service.intake.export.layout import Layout
from service.intake.export.model import Order
from service.intake.export.tables import Seen, Table
from service.intake.export.times import Stamp, parse
from service.intake.export.words import is_dash
from service.store.grids import FloatArray, IntArray

HEAD_ROWS = 20_000
HEAD_CELLS = 400_000
SPREAD_ROWS = 6_000
TAIL_ROWS = 60
MANY_BEHIND = 0.1


@dataclass(frozen=True)
class Survey:
    """The first rows without a gap, and rows from all over the table in their order."""

    head: list[Row]
    spread: list[Row]
    rows: int
    tail: list[Row] = field(default_factory=list)
    """The last rows, in which a table's time ends."""


@dataclass(frozen=True)
class Trace:
    """What the rows say of one unit: times on the clock that wrote them, in the rows' order, and bare numbers."""

    naive: IntArray
    values: FloatArray

    def in_order(self) -> Trace:
        """Return it sorted by time."""
        order = np.argsort(self.naive, kind="stable")
        return Trace(self.naive[order], self.values[order])

    def is_behind(self, *, newest_first: bool) -> bool:
        """Return whether many times lie before those above them, as where days go back and their hours do not."""
        in_turn = -self.naive if newest_first else self.naive
        return bool(np.mean(in_turn < np.maximum.accumulate(in_turn)) > MANY_BEHIND)


def survey(table: Table, seen: Seen = lambda _: None) -> Survey:
    """Return what is kept of the table's rows."""
    head: list[Row] = []
    spread: list[Row] = []
    tail: deque[Row] = deque(maxlen=TAIL_ROWS)
    cells, stride, count = 0, 1, 0
    for block in table.blocks(seen):
        if len(head) == count and cells < HEAD_CELLS:
            more = _beginning(block, HEAD_ROWS - count, HEAD_CELLS - cells)
            head += more
            cells += sum(map(len, more))
        while len(spread) + len(range(-count % stride, block.size, stride)) > SPREAD_ROWS:
            spread, stride = spread[::2], stride * 2
        spread += block.rows(range(-count % stride, block.size, stride))
        tail.extend(block.rows(range(max(0, block.size - TAIL_ROWS), block.size)))
        count += block.size
    return Survey(head, spread, count, list(tail))


def _beginning(block: Block, rows: int, cells: int) -> list[Row]:
    """Return the block's first rows: so many, or until they have so many cells."""
    first = block.rows(range(max(0, min(rows, block.size))))
    before = accumulate(map(len, first), initial=0)
    return [row for row, count in zip(first, before, strict=False) if count < cells]


def time_text(row: Row, columns: tuple[int, ...]) -> str:
    """Return the cells of a time, joined."""
    if len(columns) == 1:
        return row[columns[0]] if len(row) > columns[0] else ""
    return " ".join(row[c] for c in columns if len(row) > c)


def stamps(rows: list[Row], layout: Layout, order: Order) -> list[Stamp | None]:
    """Return the rows' times, each text parsed once."""
    known: dict[str, Stamp | None] = {}
    found = []
    for row in rows:
        text = time_text(row, layout.time_columns)
        if text not in known:
            known[text] = parse(text, order)
        found.append(known[text])
    return found


def traces(
    rows: list[Row],
    stamped: list[Stamp | None],
    layout: Layout,
    factors: Mapping[int, float],
    decimal: str,
    *,
    with_dashes: bool = False,
) -> dict[str, Trace]:
    """Return what the rows say of each unit in columns with factors; cells that are no numbers are left out.

    Dashes are, too, or become NaN.
    """
    named = {v.index: v.serial or v.heading for v in layout.values}
    found: dict[str, tuple[list[int], list[float]]] = {}
    for row, stamp in zip(rows, stamped, strict=True):
        if stamp is None or stamp.second is None:
            continue
        for column, factor in factors.items():
            value = _number(row, column, decimal)
            if value is None and with_dashes and is_dash(_cell(row, column)):
                value = nan
            if value is not None:
                serial = named[column] if layout.serial_column is None else _cell(row, layout.serial_column)
                times, values = found.setdefault(serial, ([], []))
                times.append(stamp.naive)
                values.append(value * factor)
    return {s: Trace(np.array(t, dtype=np.int64), np.array(v)) for s, (t, v) in found.items()}


def _cell(row: Row, column: int) -> str:
    return row[column] if len(row) > column else ""


def _number(row: Row, column: int, decimal: str) -> float | None:
    try:
        return number(_cell(row, column), decimal)
    except ValueError:
        return None
