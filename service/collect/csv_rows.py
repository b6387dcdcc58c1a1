"""CSV of a device as messages of rows, so that one description of serials, times and values serves both forms."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Iterator
from typing import Literal

from pydantic import Field

from service.collect.config import Part

ROWS_IN_MESSAGE = 500

_COMMA = re.compile(r"-?\d+,\d+")


class CsvPart(Part):
    """How the text is written."""

    delimiter: str = Field(default=",", min_length=1, max_length=1)
    decimal: Literal["point", "comma"] = "point"
    encoding: Literal["utf-8", "latin-1", "utf-16"] = "utf-8"
    headings: tuple[str, ...] = ()
    """The columns' names where the text itself has none in its first line."""


def as_messages(body: bytes, written: CsvPart) -> Iterator[bytes]:
    """Give the rows as JSON lists of objects, by the names of their columns; an empty cell is left out."""
    encoding = "utf-8-sig" if written.encoding == "utf-8" else written.encoding
    lines = body.decode(encoding, errors="replace").splitlines()
    rows = csv.DictReader(lines, fieldnames=written.headings or None, delimiter=written.delimiter)
    part = []
    for row in rows:
        part.append(
            {k.strip(): _cell(v, written) for k, v in row.items() if isinstance(k, str) and _is_filled(v)}
        )
        if len(part) == ROWS_IN_MESSAGE:
            yield json.dumps(part).encode()
            part = []
    if part:
        yield json.dumps(part).encode()


def _is_filled(cell: object) -> bool:
    return isinstance(cell, str) and bool(cell.strip())


def _cell(cell: str, written: CsvPart) -> str:
    cell = cell.strip()
    return cell.replace(",", ".") if written.decimal == "comma" and _COMMA.fullmatch(cell) else cell
