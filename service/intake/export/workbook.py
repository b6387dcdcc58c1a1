"""The sheets of a workbook as blocks of text cells. Each is gone through once, however often its rows are asked for.

What its XML gave is kept as text, in a file of its own where it is much: reading that again takes a tenth of the time.
"""

from __future__ import annotations

import csv
import io
import weakref
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from tempfile import SpooledTemporaryFile
from typing import Any

import openpyxl

from service.intake.export.blocks import Block, Row, Rows, in_blocks, regular
from service.intake.export.packed import Open

MOST_ROWS = 1_048_576
"""Of a sheet, in the file format's own limits."""

LONGEST_CELL = 32_767
IN_MEMORY = 1 << 23


def sheets_of(opened: Open) -> list[Sheet]:
    """Return a workbook's sheets; it stays open as long as there is one of them."""
    with ExitStack() as stack:
        book = openpyxl.load_workbook(stack.enter_context(opened()), read_only=True, data_only=True)
        stack.callback(book.close)
        text = _Text(stack.enter_context(SpooledTemporaryFile(IN_MEMORY)))
        sheets = [
            Sheet(
                sheet.title,
                min(sheet.max_row or MOST_ROWS, MOST_ROWS),
                _rows(sheet),
                text,
                is_hidden=sheet.sheet_state != "visible",
            )
            for sheet in book.worksheets
        ]
        weakref.finalize(text, stack.pop_all().close)
    return sheets


def _rows(sheet: Any) -> Iterator[Rows]:
    sheet.reset_dimensions()
    yield from in_blocks(
        [cell_text(value)[:LONGEST_CELL] for value in row] for row in sheet.iter_rows(values_only=True)
    )


class _Text:
    """Blocks of rows as text."""

    def __init__(self, stream: Any) -> None:
        self._stream = stream

    def keep(self, rows: list[Row]) -> tuple[int, int]:
        """Keep rows, and return where."""
        text = io.StringIO(newline="")
        csv.writer(text).writerows(rows)
        place = self._stream.seek(0, io.SEEK_END)
        return place, self._stream.write(text.getvalue().encode(errors="replace"))

    def block(self, place: int, size: int) -> Block:
        """Return the rows that are kept there."""
        self._stream.seek(place)
        raw = self._stream.read(size)
        text = io.StringIO(raw.decode(), newline="")
        return regular(raw, ",") or Rows(list(csv.reader(text)))


@dataclass
class Sheet:
    """A sheet, and how many rows it says that it has."""

    title: str
    size: int
    _more: Iterator[Rows]
    _text: _Text
    is_hidden: bool = False
    _kept: list[tuple[int, int]] = field(default_factory=list)
    _damage: Exception | None = None

    def blocks(self) -> Iterator[Block]:
        """Give the rows; what is damaged says so after those before it, each time anew."""
        at = 0
        while at < len(self._kept) or self._goes_on():
            yield self._text.block(*self._kept[at])
            at += 1
        if self._damage is not None:
            raise self._damage

    def _goes_on(self) -> bool:
        """Go through the next rows, and return whether there are any."""
        try:
            rows = next(self._more, None)
        except Exception as damage:
            self._damage = damage
            return False
        if rows is not None:
            self._kept.append(self._text.keep(rows.held))
        return rows is not None


def cell_text(value: Any) -> str:
    """Return a workbook's cell as the text that a person would have typed."""
    if value is None:
        return ""
    if isinstance(value, datetime):
        return (value + timedelta(milliseconds=500)).replace(microsecond=0).isoformat(" ")
    if isinstance(value, (date, time)):
        return value.isoformat()[:10] if isinstance(value, date) else value.replace(microsecond=0).isoformat()
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e18 else repr(value)
    return str(value)
