"""Times that are written as bare numbers: days as spreadsheets count them, hours such as 0915, parts in columns.

Each fold writes them as other tables do; none touches a table whose cells are times already.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from itertools import pairwise

from service.intake.export import words
from service.intake.export.layout import kind_of

Row = list[str]
Fold = Callable[[Iterator[Row]], Iterator[Row]]

FEWEST = 6
FURTHEST = 6
"""Times stand in the first columns."""

FIRST_DAY, LAST_DAY = 38_353, 73_050
"""Days as spreadsheets count them: the beginning of 2005 and the end of 2099."""

HOUR = re.compile(r"hour|stunde|heure|\bhora|\bora\b|\buur|godzin|\bh+\b|^std\b", re.I)
_CLOCK = re.compile(rf"{words.TIME.pattern}|{HOUR.pattern}|hh:?mm", re.I)
_DAYS_OF_HOURS = tuple(
    [form.format(hour) for hour in range(begin, begin + 24)] for begin in (0, 1) for form in ("{}", "{:02}")
)
_DOTTED = re.compile(r"(\d{1,2})\.(\d\d)(?:\.(\d\d))?")
_RANGE = re.compile(
    r"\s*((?:[^\s:]{1,20}[ T]){0,3}(\d{1,2}):(\d\d)(?::\d\d)?) ?(?:-|\u2013|\u2014|to|bis|a|until) ?"
    r"(?:[^\s:]{1,20}[ T]){0,3}(\d{1,2}):(\d\d)(?::\d\d)?\s*"
)
_COUNTED = re.compile(r"\d{5}[.,]\d+")
_PARTS = {
    "year": re.compile(r"\s*(year|yyyy|jahr|ann[ée]e|a[ñn]o|anno|jaar|rok)\s*", re.I),
    "month": re.compile(r"\s*(month|mm|monat|mois|mes|mese|maand|miesi[ąa]c)\s*", re.I),
    "day": re.compile(r"\s*(day|dd|tag|jour|d[ií]a|giorno|dag|dzie[ńn])\s*", re.I),
    "hour": re.compile(r"\s*(hours?|hh|stunde|heure|hora|ora|uur|godzina)\s*", re.I),
    "minute": re.compile(r"\s*(min(ute|utes|uto|uut|uta)?)\s*", re.I),
}


def ranges(head: Sequence[Row]) -> Fold | None:
    """Return the fold of a table whose times are written from start to end: `08:00-08:15`; it keeps the start."""
    found = next(
        (
            (i, c)
            for i, row in enumerate(head)
            for c, cell in enumerate(row[:FURTHEST])
            if _RANGE.fullmatch(cell)
        ),
        None,
    )
    if found is None:
        return None
    first, column = found
    cells = [row[column] for row in head[first:] if len(row) > column and row[column].strip()]
    pairs = [m for cell in cells if (m := _RANGE.fullmatch(cell))]
    lasts = Counter((_minute(m[4], m[5]) - _minute(m[2], m[3])) % 1440 for m in pairs)
    usual, count = lasts.most_common(1)[0]
    ends = {(m[4], m[5]) for m in pairs}  # an offset from UTC is the same in nearly all
    if not 0 < usual <= 60 or count < max(FEWEST, 0.8 * len(cells)) or len(ends) < FEWEST:
        return None
    heading = max((i for i in range(first) if any(head[i])), default=-1)

    def fold(rows: Iterator[Row]) -> Iterator[Row]:
        for at, row in enumerate(rows):
            cell = row[column] if len(row) > column else ""
            span = _RANGE.fullmatch(cell)
            start = span[1].strip() if span else f"{cell} (start)" if at == heading else cell
            yield [*row[:column], start, *row[column + 1 :]]

    return fold


def _minute(hour: str, minute: str) -> int:
    return int(hour) * 60 + int(minute)


def counted(head: Sequence[Row]) -> Fold | None:
    """Return the fold of a table whose times are days as spreadsheets count them."""
    first = next((i for i, row in enumerate(head) if any(map(_is_counted, row[:FURTHEST]))), None)
    if not first or any(kind_of(cell) in ("datetime", "date") for row in head[first:] for cell in row):
        return None
    for column in range(FURTHEST):
        count = sum(len(row) > column and _is_counted(row[column]) for row in head)
        named = column == 0 or words.TIME.search(_heading(head[:first], column))
        if named and count >= max(FEWEST, 0.6 * len(head)):
            return _rewriting(column, lambda cell: _from_count(cell) if _is_counted(cell) else cell)
    return None


def clocks(head: Sequence[Row]) -> Fold | None:
    """Return the fold of a table with dates in one column, and hours such as 915, 0915, 091500 or 9 in another."""
    dated = next(
        (
            (i, c)
            for i, row in enumerate(head)
            for c in range(len(row[:FURTHEST]))
            if kind_of(row[c]) == "date"
        ),
        None,
    )
    if dated is None:
        return None
    first, date = dated
    rows = [row for row in head[first:] if len(row) > date and kind_of(row[date]) == "date"]
    if len(rows) < FEWEST or any(kind_of(cell) == "time" for cell in rows[0][:FURTHEST]):
        return None
    for column in range(FURTHEST):
        heading = _heading(head[:first], column)
        if column != date and _CLOCK.search(heading) and (read := _clock_of(rows, column, heading)):
            return _rewriting(column, read)
    return None


def hours_across(head: Sequence[Row]) -> Fold | None:
    """Return the fold of a table with days in rows, and the hours 0 to 23 or 1 to 24 in its heading."""
    for at, (row, below) in enumerate(pairwise(head[:30])):
        for first in range(min(FURTHEST, len(row))):
            hours = [cell.strip() for cell in row[first : first + 24]]
            if hours in _DAYS_OF_HOURS and any(kind_of(cell) == "date" for cell in below[:first]):
                return _rewriting_hours(at, first)
    return None


def _rewriting_hours(at: int, first: int) -> Fold:
    def fold(rows: Iterator[Row]) -> Iterator[Row]:
        for i, row in enumerate(rows):
            if i == at:
                hours = [f"{int(cell):02}:00" for cell in row[first : first + 24]]
                yield [*row[:first], *hours, *row[first + 24 :]]
            else:
                yield row

    return fold


def _clock_of(rows: Sequence[Row], column: int, heading: str) -> Callable[[str], str] | None:
    """Return what makes clock times of a column's numbers, if all of them are such."""
    dotted = [_DOTTED.fullmatch(row[column].strip()) for row in rows if len(row) > column]
    if all(m and int(m[1]) <= 24 and int(m[2]) < 60 for m in dotted):
        return lambda cell: cell.strip().replace(".", ":") if _DOTTED.fullmatch(cell.strip()) else cell
    cells = {row[column].strip().removesuffix(".0") for row in rows if len(row) > column}
    if len(cells) < FEWEST or not all(cell.isdecimal() and len(cell) <= 6 for cell in cells):
        return None
    found = sorted(map(int, cells))
    if found[-1] <= 24:
        return (lambda cell: _clock(cell, 10_000)) if HOUR.search(heading) else None
    for unit, largest in ((100, 2400), (1, 240_000))[max(map(len, cells)) > 4 :]:
        seconds = [n * unit for n in found]
        if found[-1] <= largest and all(s % 100 < 60 and s // 100 % 100 < 60 for s in seconds):
            return lambda cell, unit=unit: _clock(cell, unit)  # type: ignore[misc]
    return None


def _clock(cell: str, unit: int) -> str:
    text = cell.strip().removesuffix(".0")
    if not text.isdecimal() or len(text) > 6:
        return cell
    digits = int(text) * unit
    return f"{digits // 10_000:02}:{digits // 100 % 100:02}:{digits % 100:02}"


def in_parts(head: Sequence[Row]) -> Fold | None:
    """Return the fold of a table whose year, month, day and hour (and minute) have columns of their own."""
    for at, row in enumerate(head[:30]):
        found = {
            part: i for part, name in _PARTS.items() for i, cell in enumerate(row) if name.fullmatch(cell)
        }
        if {"year", "month", "day", "hour"} <= found.keys():
            return _joining(at, found)
    return None


def _joining(at: int, places: Mapping[str, int]) -> Fold:
    def fold(rows: Iterator[Row]) -> Iterator[Row]:
        for number, row in enumerate(rows):
            rest = [cell for i, cell in enumerate(row) if i not in places.values()]
            yield ["Time" if number == at else _from_parts(row, places), *rest]

    return fold


def _from_parts(row: Row, places: Mapping[str, int]) -> str:
    cells = {part: row[i].strip().removesuffix(".0") for part, i in places.items() if len(row) > i}
    if not all(cell.isdecimal() and len(cell) <= 4 for cell in cells.values()) or len(cells) < len(places):
        return " ".join(filter(None, cells.values()))
    year, month, day, hour, minute = (int(cells.get(part, "0")) for part in _PARTS)
    return f"{year:04}-{month:02}-{day:02} {hour:02}:{minute:02}"


def _heading(above: Sequence[Row], column: int) -> str:
    return " ".join(row[column] for row in above if len(row) > column)


def _rewriting(column: int, read: Callable[[str], str]) -> Fold:
    def fold(rows: Iterator[Row]) -> Iterator[Row]:
        for row in rows:
            yield [*row[:column], read(row[column]), *row[column + 1 :]] if len(row) > column else row

    return fold


def _is_counted(cell: str) -> bool:
    text = cell.strip().replace(",", ".")
    is_count = _COUNTED.fullmatch(text) or (text.isdecimal() and len(text) == 5)
    return bool(is_count) and FIRST_DAY <= float(text) <= LAST_DAY


def _from_count(cell: str) -> str:
    at = datetime(1899, 12, 30) + timedelta(days=float(cell.strip().replace(",", ".")))  # noqa: DTZ001 - no zone
    return (at + timedelta(milliseconds=500)).replace(microsecond=0).isoformat(" ")
