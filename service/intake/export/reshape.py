"""Unfolds tables of another shape into rows with a time each: blocks one after another, days or times across, and such.

A table whose rows have times already is left as it is. What the cells mean beside times is not known here.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import chain, islice, pairwise

from service.intake.export import bare, words
from service.intake.export.bare import Fold, Row
from service.intake.export.blocks import in_blocks
from service.intake.export.cells import number
from service.intake.export.elapsed import elapsed, intervals
from service.intake.export.layout import kind_of, stranger
from service.intake.export.qualified import by_one_unit, by_quality, by_units, of_means
from service.intake.export.spelled import spelled
from service.intake.export.tables import Table
from service.intake.export.times import lacks_year, parse, with_year
from service.intake.export.told_in_rows import in_columns

HEAD = 400
FAR = 60_000
FEWEST_ACROSS = 6
NOON_S = 43_200

_WITH_UNIT = re.compile(r"([+-]?\d[\d.,'\s]*?)\s*(k?wh?|v|a|hz|°\s?c|%)", re.I)
LONGEST_WITH_UNIT = 40
"""The pattern takes long for long cells."""
_LABEL = re.compile(r"^[^\W\d_]+(\s[^\W\d_]+)?\s*:\s*")
_SAID = re.compile(r"[^\d:\uff1a]{1,40}[:\uff1a]\s*")
_DATE = re.compile(r"(?<!\d)(\d{4}-\d\d-\d\d|\d{1,2}\.\d{1,2}\.\d{4}|20\d{6})(?!\d)")


def unfolded(table: Table) -> Table:
    """Return the table with a row for each time, itself if it has them."""
    head = list(islice(table.rows(), HEAD))
    if lines := spelled(head, table.delimiter):
        table = _reshaped(table, lines)
        head = list(islice(table.rows(), HEAD))
    for qualifies in (by_units, by_one_unit, by_quality, of_means):
        fold = qualifies(head, lambda table=table: islice(table.rows(), FAR))  # type: ignore[misc]
        if fold is not None:
            table = _folded(table, fold)
            head = list(islice(table.rows(), HEAD))
    if with_years := _year_above(head, table):
        table = _folded(table, with_years)
        head = list(islice(table.rows(), HEAD))
    by_row = (intervals, elapsed, bare.ranges, bare.in_parts, bare.hours_across, bare.clocks, bare.counted)
    written = next(filter(None, (kind(head) for kind in by_row)), None)
    told = None if written else in_columns(head, lambda: islice(table.rows(), FAR))
    if written:
        table = _folded(table, written)
    elif told:
        table = _reshaped(table, told)
    head = list(islice(table.rows(), HEAD)) if written or told else head
    if dated := _date_alone(head):
        table = _reshaped(table, dated)
        head = list(islice(table.rows(), HEAD))
    shapes = (
        _blocks,
        _side_by_side,
        _clock_across,
        _date_above,
        _date_once,
        _name_once,
        _across,
        *_MATRICES,
    )
    if found := _first_of(shapes, head, table):
        shape, laid_out = found
        table = _reshaped(table, laid_out)
        if shape is _blocks and (within := _first_of(_MATRICES, list(islice(table.rows(), HEAD)), table)):
            table = _reshaped(table, within[1])
    fold = _units_in_cells(list(islice(table.rows(), HEAD)))
    return table if fold is None else _folded(table, fold)


def _first_of(shapes: Sequence[Shape], head: list[Row], table: Table) -> tuple[Shape, Fold] | None:
    """Return the first shape that a table has, with its fold."""
    return next(((shape, fold) for shape in shapes if (fold := shape(head, table)) is not None), None)


def _folded(table: Table, fold: Fold) -> Table:
    """Return the table with each of its rows written anew."""
    return replace(table, open=lambda seen: in_blocks(fold(table.rows(seen))))


def _reshaped(table: Table, fold: Fold) -> Table:
    return replace(_folded(table, fold), is_reshaped=True)


def _full(row: Sequence[str]) -> list[int]:
    return [i for i, cell in enumerate(row) if cell.strip()]


def _of_kind(row: Sequence[str], *kinds: str) -> list[int]:
    return [i for i, cell in enumerate(row) if kind_of(cell) in kinds]


def _is_data(row: Sequence[str]) -> bool:
    """Return whether a row has its own time and something beside it."""
    dated = _of_kind(row, "datetime", "date")
    has_value = len(_full(row)) > 1 or (bool(dated) and kind_of(row[dated[0]]) == "datetime")
    return bool(dated) and dated[0] < 6 and len(dated) < 4 and has_value


# Blocks of rows, each under its own title or headings


def _blocks(head: list[Row], table: Table) -> Fold | None:
    """Return the fold of a table with a block for each unit, named above it or in its headings."""
    begin = _begin_of_data(head)
    if begin is None or not begin[0]:
        return None
    first, column = begin
    groups = [head[:first], *_breaks(table, first, column)]
    named = [_title_and_heading(group) for group in groups]
    headings = {tuple(heading) for _, heading in named}
    titles = {" ".join(title).strip() for title, _ in named}
    if len(named) < 2:
        return None
    if len(headings) == 1 and len(titles) > 1 and not any(map(_is_no_title, titles)):
        return partial(_by_title, column=column)
    parted = len(headings) > 1 and all(len(h) > 1 for h in headings)
    return partial(_by_heading, column=column) if parted else None


def _begin_of_data(head: list[Row]) -> tuple[int, int] | None:
    """Return the first row of two that have their times one below the other, and the column of these."""
    for i, (row, below) in enumerate(pairwise(head)):
        if _is_data(row) and (column := _dated(row)[0]) in _dated(below):
            return i, column
    return None


def _dated(row: Sequence[str]) -> list[int]:
    return _of_kind(row, "datetime", "date")


def _is_row(row: Sequence[str], column: int) -> bool:
    """Return whether a row is data with its time in that column; a line above headings may have one elsewhere."""
    return _is_data(row) and _dated(row)[0] == column


def _is_no_title(title: str) -> bool:
    return not title or bool(re.match(r"(page|seite|p\.)\W*\d", title, re.I))


def _breaks(table: Table, first: int, column: int) -> list[list[Row]]:
    """Return the rows between blocks, those that hold headings."""
    found, group = list[list[Row]](), list[Row]()
    for row in islice(table.rows(), first, FAR):
        if len(row) > 1 and (row[0][:1].isdigit() or _is_row(row, column)):
            if len(group) > 1 or (group and len(_full(group[0])) > 1):
                found.append(group)
            group = []
        elif _full(row) and not _is_total(row):
            group.append(row)
    return [g for g in found if not any(words.is_remark(r) and words.is_total("".join(r[:1])) for r in g)]


def _is_total(row: Row) -> bool:
    """Return whether a row has the sums of the block above it: numbers such as no serial is."""
    numbers = sum(words.is_plain_number(row[i]) and not row[i].strip().isdecimal() for i in _full(row))
    return len(_full(row)) > 1 and (words.is_total(row[0]) or numbers >= max(1, len(_full(row)) - 1))


def _title_and_heading(group: list[Row]) -> tuple[Row, Row]:
    """Return the last row above the headings, and the headings: the last row with two cells or more."""
    said = [row for row in group if _full(row) and not row[0].startswith("#") and not _is_total(row)]
    heading = next((row for row in reversed(said) if len(_full(row)) > 1 or not row[0].strip()), [])
    above = said[: said.index(heading)] if heading else said
    return (above[-1] if above else []), heading


def _by_title(rows: Iterator[Row], column: int) -> Iterator[Row]:
    """Give the blocks as one table whose last column names the block."""
    title, group, begun = "", list[Row](), False
    for row in rows:
        if not _is_row(row, column):
            group.append(row)
            continue
        if group:
            above, heading = _title_and_heading(group)
            title = _LABEL.sub("", " ".join(c.strip() for c in above if c.strip())) or title
            if not begun:
                yield from (row for row in group if row not in (above, heading))
                yield [*heading, "Unit"]
            begun, group = True, []
        yield [*row, title]


def _by_heading(rows: Iterator[Row], column: int) -> Iterator[Row]:
    """Give each value of the blocks as a row, with its heading as the name."""
    heading, group, begun = Row(), list[Row](), False
    for row in rows:
        if not _is_row(row, column):
            group.append(row)
            continue
        times = _of_kind(row, "datetime", "date", "time")
        if group:
            heading = _title_and_heading(group)[1] or heading
            if not begun:
                yield from (row for row in group if row != heading)
                units = {words.unit_of(h) or "" for i, h in enumerate(heading) if i not in times}
                yield [*(heading[i] for i in times), "Unit", f"({units.pop()})" if len(units) == 1 else ""]
            begun, group = True, []
        for i, cell in enumerate(row[: len(heading)]):
            if i not in times and heading[i].strip():
                yield [*(row[t] for t in times), heading[i], cell]


# A date that stands once: above the table, in its name, or in the first row of its day


def _only_date(above: Sequence[Row], table: Table) -> str | None:
    """Return the one date that stands above, or in the table's name; not that on which the file was made."""
    lines = [" ".join(row) for row in above]
    text = " ".join(line for line in lines if not words.MADE.search(line))
    dates = {m[0] for m in _DATE.finditer(text)} or {m[0] for m in _DATE.finditer(table.name)}
    return dates.pop() if len(dates) == 1 else None


def _date_alone(head: list[Row]) -> Fold | None:
    """Return the fold of a table with each day's date in a row of its own, above the rows of its times."""
    timed = [i for i, row in enumerate(head) if _of_kind(row[:3], "time") and len(_full(row)) > 1]
    dated = {i: found for i, row in enumerate(head) if (found := _date_of_row(row))}
    if len(timed) < FEWEST_ACROSS or any(_of_kind(head[i], "datetime", "date") for i in timed):
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
                day = _Day(found[1])
            elif _of_kind(row[:3], "time"):
                yield [day.date, *day.with_its_end(row)]
            else:
                yield ["Date" if len(_full(row)) > 1 else "", *row]

    return fold


def _date_of_row(row: Row) -> tuple[str, str] | None:
    """Return the word for a date and the date, where a row has nothing else; not that on which the file was made."""
    full = [row[i].strip() for i in _full(row)]
    if len(full) == 1 and (word := _SAID.match(full[0])):
        full = [word[0].strip(), full[0][word.end() :]]
    dates = [cell for cell in full if kind_of(cell) == "date"]
    said = [cell for cell in full if cell not in dates]
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
        column = _of_kind(row[:3], "time")[0]
        at = parse(row[column], "ymd")
        second = at.second if at and at.second is not None else self._before
        if self._begins_at_midnight is None:
            self._begins_at_midnight = second == 0
        if second == 0 and not self._begins_at_midnight and self._before >= NOON_S:
            return [*row[:column], "24:00", *row[column + 1 :]]
        self._before = second
        return row


_YEAR = re.compile(r"(?<![\d.,-])20[0-9]{2}(?![\d.,:-])")


def _year_above(head: list[Row], table: Table) -> Fold | None:
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


def _clock_across(head: list[Row], table: Table) -> Fold | None:
    """Return the fold of a table of one day with its times in one row, and a row for each unit."""
    for at, row in enumerate(head[:30]):
        times = _of_kind(row, "time")
        if len(times) < FEWEST_ACROSS or len(times) <= 0.7 * len(_full(row)):
            continue
        date = _only_date(head[:at], table)
        if date is None or any(_of_kind(below, "datetime", "date", "time") for below in head[at + 1 :]):
            return None
        return _transposing(at, times, date=date)
    return None


def _date_above(head: list[Row], table: Table) -> Fold | None:
    first = next((i for i, row in enumerate(head) if _of_kind(row[:3], "time") and len(_full(row)) > 1), None)
    if first is None or any(_of_kind(row, "datetime", "date") for row in head[first:]):
        return None
    date = _only_date(head[:first], table)
    if date is None:
        return None

    def fold(rows: Iterator[Row]) -> Iterator[Row]:
        day = _Day(date)
        for at, row in enumerate(rows):
            if at >= first and _of_kind(row[:3], "time"):
                yield [date, *day.with_its_end(row)]
            else:
                yield ["Date" if at == first - 1 else "", *row]

    return fold


def _date_once(head: list[Row], table: Table) -> Fold | None:  # noqa: ARG001 - as all shapes are asked
    """Return the fold of a table that says a date in the first of its rows only, with a time in each."""
    data = [row for row in head if _of_kind(row[:6], "time")]
    dated = [row for row in data if _dates(row[:6])]
    if len(data) < FEWEST_ACROSS or not 0 < len(dated) <= len(data) / 3:
        return None
    column = _dates(dated[0][:6])[0]
    if any(row[column].strip() for row in data if row not in dated):
        return None

    def fold(rows: Iterator[Row]) -> Iterator[Row]:
        date = ""
        for row in rows:
            date = row[column] if column in _dates(row[: column + 1]) else date
            bare = len(row) > column and not row[column].strip() and bool(_of_kind(row[:6], "time"))
            yield [*row[:column], date, *row[column + 1 :]] if bare else row

    return fold


def _name_once(head: list[Row], table: Table) -> Fold | None:  # noqa: ARG001 - as all shapes are asked
    """Return the fold of a table that names a unit in the first of its rows only, from where times begin anew."""
    data = [row for row in head if _is_data(row)]
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
            if _is_data(row) and len(row) > column:
                name = row[column] if row[column].strip() else name
                yield [*row[:column], name, *row[column + 1 :]]
            else:
                yield row

    return fold


def _dates(row: Sequence[str]) -> list[int]:
    """Return the places of dates; those of a workbook are midnights."""
    return [i for i, cell in enumerate(row) if kind_of(cell.removesuffix(" 00:00:00")) == "date"]


# Times or days across


def _across(head: list[Row], table: Table) -> Fold | None:  # noqa: ARG001 - as all shapes are asked
    """Return the fold of a table with all its times in one row, and a row for each unit."""
    for at, row in enumerate(head[:30]):
        times = _of_kind(row, "datetime")
        is_days = len(_dates(row)) >= len(times)
        if len(times) >= FEWEST_ACROSS and len(times) > 0.7 * len(_full(row)) and not is_days:
            return _transposing(at, times)
        below = head[at + 1] if at + 1 < len(head) else []
        dates, clock = _of_kind(row, "date"), _of_kind(below, "time")
        if (
            len(clock) >= FEWEST_ACROSS
            and len(clock) > 0.7 * len(_full(below))
            and dates
            and dates[0] <= clock[0]
        ):
            return _transposing(at, clock, dates_above=True)
    return None


def _transposing(at: int, times: list[int], *, dates_above: bool = False, date: str = "") -> Fold:
    def fold(rows: Iterator[Row]) -> Iterator[Row]:
        yield from islice(rows, at)
        heading = next(rows)
        if dates_above:
            heading = _with_dates(heading, next(rows), times)
        units = [row for row in rows if len(_full(row)) > 1]
        corner = " ".join(heading[i].strip() for i in range(times[0]) if heading[i].strip())
        if words.TIME.search(corner) or words.SERIAL.search(corner):
            corner = f"({unit.replace('w', 'W')})" if (unit := words.unit_of(corner)) else ""
        corner = f" {corner}".rstrip()
        yield ["Time", *(" ".join(c.strip() for c in row[: times[0]] if c.strip()) + corner for row in units)]
        for i in times:
            yield [f"{date} {heading[i]}".strip(), *(row[i] if len(row) > i else "" for row in units)]

    return fold


def _with_dates(dates: Row, clock: Row, times: list[int]) -> Row:
    found, date = list(clock), ""
    for i in times:
        date = dates[i] if len(dates) > i and dates[i].strip() else date
        found[i] = f"{date} {clock[i]}"
    return found


def _days_down(head: list[Row], table: Table) -> Fold | None:  # noqa: ARG001 - as all shapes are asked
    """Return the fold of a table with a row for each day (and unit), and a column for each time of the day."""
    for at, row in enumerate(head[:30]):
        times = _of_kind(row, "time")
        below = head[at + 1] if at + 1 < len(head) else []
        if len(times) >= FEWEST_ACROSS and _dates(below[: times[0]]):
            return _unpivoted(at, times)
    return None


def _unpivoted(at: int, times: list[int]) -> Fold:
    def fold(rows: Iterator[Row]) -> Iterator[Row]:
        yield from islice(rows, at)
        heading = next(rows)
        first = next(rows)
        date = _dates(first[: times[0]])[0]
        named = [i for i in range(times[-1] + 1, len(heading)) if words.SERIAL.search(heading[i])]
        others = [i for i in range(times[0]) if i != date] + named
        value = _value_named(" ".join(heading[: times[0]]))
        yield [heading[date], "Time", *(heading[i] for i in others), value]
        for row in chain([first], rows):
            beside = [row[o] if len(row) > o else "" for o in others]
            for i in times if date in _dates(row[: date + 1]) else ():
                yield [row[date], heading[i], *beside, row[i] if len(row) > i else ""]

    return fold


def _times_down(head: list[Row], table: Table) -> Fold | None:  # noqa: ARG001 - as all shapes are asked
    """Return the fold of a table with a row for each time of the day, and a column for each day."""
    for at, row in enumerate(head[:30]):
        dates = _dates(row)
        below = head[at + 1 : at + 1 + FEWEST_ACROSS]
        if len(dates) < 2 or len(dates) <= 0.6 * len(_full(row)) or len(below) < FEWEST_ACROSS:
            continue
        if all(_of_kind(r[: dates[0]], "time") for r in below):
            return _by_day(at, dates)
    return None


def _by_day(at: int, dates: list[int]) -> Fold:
    def fold(rows: Iterator[Row]) -> Iterator[Row]:
        above = list(islice(rows, at))
        yield from above
        tables = _under_dates(chain(above, rows), dates)
        is_named = len(tables) > 1 and len({tuple(t.heading[i] for i in dates) for t in tables}) == 1
        corner = " ".join(c.strip() for c in tables[0].heading[: dates[0]] if c.strip())
        unit = ["Unit"] if is_named else []
        yield ["Date", f"Time {corner}".strip(), *unit, _value_named(f"{corner} {tables[0].title}")]
        for table in tables:
            name = [table.title] if is_named else []
            for i in dates:
                for clock, row in table.timed:
                    yield [table.heading[i], clock, *name, row[i] if len(row) > i else ""]

    return fold


@dataclass(frozen=True)
class _UnderDates:
    """A table under dates: what stands above it, its headings, and its rows with their times of the day."""

    title: str
    heading: Row
    timed: list[tuple[str, Row]]


def _under_dates(rows: Iterable[Row], dates: list[int]) -> list[_UnderDates]:
    """Return the tables that have dates in these columns, one below the other."""
    found, title = list[_UnderDates](), ""
    for row in rows:
        if _dates(row) == dates:
            found.append(_UnderDates(title, row, []))
        elif found and (clock := _of_kind(row[: dates[0]], "time")):
            found[-1].timed.append((row[clock[0]], row))
        elif _full(row):
            title = " ".join(row[i].strip() for i in _full(row))
    return found


def _value_named(corner: str) -> str:
    """Return a heading with the unit of measure that the corner of a table names."""
    unit = words.unit_of(corner)
    return f"Value ({unit.replace('w', 'W')})" if unit else "Value"


def _side_by_side(head: list[Row], table: Table) -> Fold | None:  # noqa: ARG001 - as all shapes are asked
    """Return the fold of a table with a block of columns for each day, under its date, and times down the side."""
    for at, (row, names) in enumerate(pairwise(head[:30])):
        begins = _dates(row)
        if len(begins) < 2 or len(begins) != len(_full(row)) or begins[0] == 0:
            continue
        ends = [*begins[1:], len(names)]
        blocks = [names[i:j] for i, j in zip(begins, ends, strict=True)]
        below = head[at + 2 : at + 2 + FEWEST_ACROSS]
        timed = len(below) == FEWEST_ACROSS and all(_of_kind(r[: begins[0]], "time") for r in below)
        if timed and len(blocks[0]) > 1 and all(block == blocks[0] for block in blocks):
            return _one_below_the_other(at, begins, len(blocks[0]))
    return None


def _one_below_the_other(at: int, begins: list[int], width: int) -> Fold:
    def fold(rows: Iterator[Row]) -> Iterator[Row]:
        yield from islice(rows, at)
        dates, names = next(rows), next(rows)
        side = range(begins[0])
        unit = _value_named(" ".join(names[i] for i in side)).removeprefix("Value")
        yield [
            "Date",
            *(names[i] for i in side),
            *(f"{n}{unit}" for n in names[begins[0] : begins[0] + width]),
        ]
        below = [row for row in rows if _of_kind(row[: begins[0]], "time")]
        for begin in begins:
            for row in below:
                yield [dates[begin], *(row[i] for i in side), *row[begin : begin + width]]

    return fold


Shape = Callable[[list[Row], Table], Fold | None]
_MATRICES: tuple[Shape, ...] = (_days_down, _times_down)


# Units of measure in the cells


def _units_in_cells(head: list[Row]) -> Fold | None:
    """Return the fold that takes units of measure out of cells and says them in the headings."""
    first = next((i for i, row in enumerate(head) if any(map(_with_unit, row))), None)
    if not first:
        return None
    width = max(len(row) for row in head)
    units = {i: unit for i in range(width) if (unit := _unit_of_column(head[first:], i))}
    heading = max((i for i in range(first) if len(_full(head[i])) > 1), default=0)

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
