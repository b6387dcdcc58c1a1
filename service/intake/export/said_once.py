"""What a table says once for many rows: a date or a year above them or in its name, a date or a unit in the first."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from service.intake.export import words
from service.intake.export.bare import Fold, Row
from service.intake.export.layout import kind_of, stranger
from service.intake.export.rows import FEWEST_ACROSS, dates_in, dates_of, full, is_data, of_kind
from service.intake.export.tables import Table
from service.intake.export.times import lacks_year, parse, with_year, without_weekdays

NOON_S = 43_200
LONGEST_TITLE = 80


def only_date(above: Sequence[Row], table: Table) -> str | None:
    """Return the one date that stands above, or in the table's name; not that on which the file was made."""
    lines = [" ".join(row) for row in above]
    text = " ".join(line for line in lines if not words.MADE.search(line))
    dates = next(filter(None, map(dates_in, (text, table.title, table.name))), [])
    return dates[0] if len(set(dates)) == 1 else None


def date_alone(head: list[Row]) -> Fold | None:
    """Return the fold of a table with each day's date in a row of its own, above the rows of its times."""
    timed = [i for i, row in enumerate(head) if _is_timed(row) and len(full(row)) > 1]
    dated = {i: found for i, row in enumerate(head) if (found := _date_of_row(row))}
    if len(timed) < FEWEST_ACROSS or any(of_kind(head[i], "datetime", "date") for i in timed):
        return None
    above = [word for i, (word, _) in dated.items() if i < timed[0]]
    again = [word for i, (word, _) in dated.items() if i > timed[0]]
    if not above or (len(above) > 1 and (above[-1] not in again or above[-1] in above[:-1])):
        return None

    def fold(rows: Iterator[Row]) -> Iterator[Row]:
        day = _Day("")
        for row in rows:
            found = _date_of_row(row)
            if found and found[0] == above[-1]:
                if not day.date and words.unit_of(found[0]):
                    yield [found[0]]
                day = _Day(found[1])
            elif _is_timed(row):
                yield [day.date, *day.with_its_end(row)]
            else:
                is_heading = len(full(row)) > 1 and not any(map(words.is_plain_number, row))
                yield ["Date" if is_heading else "", *row]

    return fold


def _is_timed(row: Row) -> bool:
    """Return whether a row begins with its time of the day; one with many times is the head of days below it."""
    return bool(of_kind(row[:3], "time")) and len(of_kind(row, "time")) < FEWEST_ACROSS


def _date_of_row(row: Row) -> tuple[str, str] | None:
    """Return the word for a date and the date, where a row has nothing else; not that on which the file was made."""
    cells = [row[i].strip() for i in full(row)]
    if len(cells) == 1 and len(within := dates_in(cells[0][:LONGEST_TITLE])) == 1:
        before, _, behind = cells[0].partition(within[0])
        cells = [without_weekdays(f"{before.strip()} {behind.strip()}".strip()), within[0]]
    dates = [cell for cell in cells if kind_of(cell) == "date"]
    said = [cell for cell in cells if cell and cell not in dates]
    if len(dates) != 1 or len(said) > 1 or any(c.isdigit() for cell in said for c in cell):
        return None
    return None if words.MADE.search("".join(said)) else ("".join(said), dates[0])


class _Day:
    """Rows below one date. The midnight behind an afternoon ends the day, if the day did not begin with one: 24:00."""

    def __init__(self, date: str) -> None:
        self.date = date
        self._begins_at_midnight: bool | None = None
        self._before = 0

    def with_its_end(self, row: Row) -> Row:
        """Return a row whose midnight is written as 24:00, if it is the one that ends the day."""
        column = of_kind(row[:3], "time")[0]
        at = parse(row[column], "ymd")
        second = at.second if at and at.second is not None else self._before
        if self._begins_at_midnight is None:
            self._begins_at_midnight = second == 0
        if second == 0 and not self._begins_at_midnight and self._before >= NOON_S:
            return [*row[:column], "24:00", *row[column + 1 :]]
        self._before = second
        return row


_YEAR = re.compile(r"(?<![\d.,-])20[0-9]{2}(?![\d.,:-])")


def year_above(head: list[Row], table: Table) -> Fold | None:
    """Return the fold of a table whose days and months have their year above them, or in the table's name."""
    for column in range(3):
        begin = (i for i, row in enumerate(head[:30]) if len(row) > column and lacks_year(row[column]))
        first = next(begin, None)
        if first is None:
            continue
        cells = [row[column] for row in head[first:] if len(row) > column and row[column].strip()]
        said = [" ".join(row) for row in head[:first]]
        years = {y for line in said if not words.MADE.search(line) for y in _YEAR.findall(line)}
        years = years or set(_YEAR.findall(table.name))
        if len(cells) < FEWEST_ACROSS or not all(map(lacks_year, cells)) or len(years) != 1:
            continue
        return _with_years(first, column, int(years.pop()))
    return None


def _with_years(first: int, column: int, year: int) -> Fold:
    def fold(rows: Iterator[Row]) -> Iterator[Row]:
        at, before = year, ""
        for place, row in enumerate(rows):
            cell = row[column] if len(row) > column else ""
            if place < first or not lacks_year(cell):
                yield row
                continue
            at += _is_new_year(before, cell)
            before = cell
            yield [*row[:column], with_year(cell, str(at)), *row[column + 1 :]]

    return fold


def _is_new_year(before: str, cell: str) -> bool:
    """Return whether days go from the last of December to the first of January."""
    ends = {f"{31}{sign}{12}" for sign in "./-"} | {f"{12}{sign}{31}" for sign in "./-"}
    begins = re.match(r"\D*0?1[./-]0?1(?!\d)", cell) is not None
    return begins and any(end in before for end in ends)


def date_above(head: list[Row], table: Table) -> Fold | None:
    first = next((i for i, row in enumerate(head) if of_kind(row[:3], "time") and len(full(row)) > 1), None)
    if first is None or any(of_kind(row, "datetime", "date") for row in head[first:]):
        return None
    date = only_date(head[:first], table)
    if date is None:
        return None

    def fold(rows: Iterator[Row]) -> Iterator[Row]:
        day = _Day(date)
        for at, row in enumerate(rows):
            if at >= first and of_kind(row[:3], "time"):
                yield [date, *day.with_its_end(row)]
            else:
                yield ["Date" if at == first - 1 else "", *row]

    return fold


def date_once(head: list[Row], table: Table) -> Fold | None:  # noqa: ARG001 - as all shapes are asked
    """Return the fold of a table that says a date in the first of its rows only, with a time in each."""
    data = [row for row in head if of_kind(row[:6], "time")]
    dated = [row for row in data if dates_of(row[:6])]
    if len(data) < FEWEST_ACROSS or not 0 < len(dated) <= len(data) / 3:
        return None
    column = dates_of(dated[0][:6])[0]
    if any(row[column].strip() for row in data if row not in dated):
        return None

    def fold(rows: Iterator[Row]) -> Iterator[Row]:
        date = ""
        for row in rows:
            date = row[column] if column in dates_of(row[: column + 1]) else date
            bare = len(row) > column and not row[column].strip() and bool(of_kind(row[:6], "time"))
            yield [*row[:column], date, *row[column + 1 :]] if bare else row

    return fold


def name_once(head: list[Row], table: Table) -> Fold | None:  # noqa: ARG001 - as all shapes are asked
    """Return the fold of a table that names a unit in the first of its rows only, from where times begin anew."""
    data = [row for row in head if is_data(row)]
    for column in range(3):
        cells = [row[column].strip() if len(row) > column else "" for row in data]
        names = [cell for cell in cells if cell]
        if not names or not cells[0] or cells.count("") < max(FEWEST_ACROSS, 0.6 * len(cells)):
            continue
        if all(map(stranger, names)) and len(set(names)) == len(names):
            return _filling_down(column)
    return None


def _filling_down(column: int) -> Fold:
    def fold(rows: Iterator[Row]) -> Iterator[Row]:
        name = ""
        for row in rows:
            if is_data(row) and len(row) > column:
                name = row[column] if row[column].strip() else name
                yield [*row[:column], name, *row[column + 1 :]]
            else:
                yield row

    return fold
