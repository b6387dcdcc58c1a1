"""What rows of a table hold, as far as it shows in which of them are times."""

from __future__ import annotations

import re
from collections.abc import Sequence

from service.intake.export import words
from service.intake.export.layout import kind_of

FEWEST_ACROSS = 6
"""So many times make a row or a column of times."""


_MONTH = r"[^\W\d_]{3,12}\.?"
_TH = r"(?:st|nd|rd|th|\.)?"
_DATE = re.compile(
    r"(?<!\d)(?:\d{4}([-./])\d{1,2}\1\d{1,2}|\d{1,2}([-./])\d{1,2}\2\d{4}|20\d{6}"
    rf"|\d{{1,2}}{_TH}[ -](?:(?:de|of) )?{_MONTH},?[ -](?:del? )?\d{{4}}|{_MONTH} \d{{1,2}}{_TH},? \d{{4}}"
    rf"|\d{{4}}\.? {_MONTH} \d{{1,2}}|\d{{4}}[\u5e74\ub144] ?\d{{1,2}}[\u6708\uc6d4] ?\d{{1,2}}[\u65e5\uc77c])(?!\d)",
    re.I,
)
"""A whole date within a text: in numbers with one sign between, with the month's name, or with signs of East Asia."""


def dates_in(text: str) -> list[str]:
    """Return the dates within a text, whichever of day and month comes first."""
    return [found[0] for found in _DATE.finditer(text) if kind_of(found[0]) == "date"]


def full(row: Sequence[str]) -> list[int]:
    return [i for i, cell in enumerate(row) if cell.strip()]


def of_kind(row: Sequence[str], *kinds: str) -> list[int]:
    return [i for i, cell in enumerate(row) if kind_of(cell) in kinds]


def is_data(row: Sequence[str]) -> bool:
    """Return whether a row has its own time and something beside it."""
    dated = of_kind(row, "datetime", "date")
    if not dated or dated[0] >= 6 or len(dated) >= 4:
        return False
    beside = [row[i] for i in full(row) if i not in dated]
    if row[dated[0]].strip().isdecimal():  # seconds since 1970, or a serial in a list of units
        return any(words.is_plain_number(cell) or words.is_missing(cell) for cell in beside)
    return len(full(row)) > 1 or kind_of(row[dated[0]]) == "datetime"


def is_day(cell: str) -> bool:
    """Return whether a cell is a date; that of a workbook is a midnight."""
    return kind_of(cell.removesuffix(" 00:00:00")) == "date"


def dates_of(row: Sequence[str]) -> list[int]:
    """Return the places of dates."""
    return [i for i, cell in enumerate(row) if is_day(cell)]
