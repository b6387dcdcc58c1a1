"""Tables with times or days across, or days side by side."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import chain, islice, pairwise

from service.intake.export import words
from service.intake.export.bare import Fold, Row
from service.intake.export.rows import FEWEST_ACROSS, dates_of, full, of_kind
from service.intake.export.said_once import only_date
from service.intake.export.tables import Table
from service.intake.export.times import parse


def clock_across(head: list[Row], table: Table) -> Fold | None:
    """Return the fold of a table of one day with its times in one row, and a row for each unit."""
    for at, row in enumerate(head[:30]):
        times = of_kind(row, "time")
        if len(times) < FEWEST_ACROSS or len(times) <= 0.7 * len(full(row)):
            continue
        date = only_date(head[:at], table)
        if date is None or any(of_kind(below, "datetime", "date", "time") for below in head[at + 1 :]):
            return None
        return _transposing(at, times, date=date)
    return None


def across(head: list[Row], table: Table) -> Fold | None:  # noqa: ARG001 - as all shapes are asked
    """Return the fold of a table with all its times in one row, and a row for each unit."""
    for at, row in enumerate(head[:30]):
        times = of_kind(row, "datetime")
        is_days = len(dates_of(row)) >= len(times)
        is_of_times = len(times) >= FEWEST_ACROSS and len(times) > 0.7 * len(full(row))
        if is_of_times and not is_days and _go_on([row[i] for i in times]):
            return _transposing(at, times)
        below = head[at + 1] if at + 1 < len(head) else []
        dates, clock = of_kind(row, "date"), of_kind(below, "time")
        if (
            len(clock) >= FEWEST_ACROSS
            and len(clock) > 0.7 * len(full(below))
            and dates
            and dates[0] <= clock[0]
        ):
            return _transposing(at, clock, dates_above=True)
    return None


def _go_on(cells: Iterable[str]) -> bool:
    """Return whether times go on by whole minutes, as times do: serials of ten digits look like seconds."""
    found = [parse(cell, "ymd") or parse(cell, "dmy") or parse(cell, "mdy") for cell in cells]
    steps = [b.naive - a.naive for a, b in pairwise(s for s in found if s is not None)]
    return sum(step % 60 == 0 and step != 0 for step in steps) > 0.5 * len(steps)


def _transposing(at: int, times: list[int], *, dates_above: bool = False, date: str = "") -> Fold:
    def fold(rows: Iterator[Row]) -> Iterator[Row]:
        yield from islice(rows, at)
        heading = next(rows)
        if dates_above:
            heading = _with_dates(heading, next(rows), times)
        units = [row for row in rows if len(full(row)) > 1]
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


def days_down(head: list[Row], table: Table) -> Fold | None:  # noqa: ARG001 - as all shapes are asked
    """Return the fold of a table with a row for each day (and unit), and a column for each time of the day."""
    for at, row in enumerate(head[:30]):
        times = of_kind(row, "time")
        below = head[at + 1] if at + 1 < len(head) else []
        if len(times) >= FEWEST_ACROSS and dates_of(below[: times[0]]):
            return _unpivoted(at, times)
    return None


def _unpivoted(at: int, times: list[int]) -> Fold:
    def fold(rows: Iterator[Row]) -> Iterator[Row]:
        yield from islice(rows, at)
        heading = next(rows)
        first = next(rows)
        date = dates_of(first[: times[0]])[0]
        named = [i for i in range(times[-1] + 1, len(heading)) if words.SERIAL.search(heading[i])]
        others = [i for i in range(times[0]) if i != date] + named
        value = _value_named(" ".join(heading[: times[0]]))
        yield [heading[date], "Time", *(heading[i] for i in others), value]
        for row in chain([first], rows):
            beside = [row[o] if len(row) > o else "" for o in others]
            for i in times if date in dates_of(row[: date + 1]) else ():
                yield [row[date], heading[i], *beside, row[i] if len(row) > i else ""]

    return fold


def times_down(head: list[Row], table: Table) -> Fold | None:  # noqa: ARG001 - as all shapes are asked
    """Return the fold of a table with a row for each time of the day, and a column for each day."""
    for at, row in enumerate(head[:30]):
        dates = dates_of(row)
        below = head[at + 1 : at + 1 + FEWEST_ACROSS]
        if len(dates) < 2 or len(dates) <= 0.6 * len(full(row)) or len(below) < FEWEST_ACROSS:
            continue
        if all(of_kind(r[: dates[0]], "time") for r in below):
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
        if dates_of(row) == dates:
            found.append(_UnderDates(title, row, []))
        elif found and (clock := of_kind(row[: dates[0]], "time")):
            found[-1].timed.append((row[clock[0]], row))
        elif full(row):
            title = " ".join(row[i].strip() for i in full(row))
    return found


def _value_named(corner: str) -> str:
    """Return a heading with the unit of measure that the corner of a table names."""
    unit = words.unit_of(corner)
    return f"Value ({unit.replace('w', 'W')})" if unit else "Value"


def side_by_side(head: list[Row], table: Table) -> Fold | None:  # noqa: ARG001 - as all shapes are asked
    """Return the fold of a table with a block of columns for each day, under its date, and times down the side."""
    for at, (row, names) in enumerate(pairwise(head[:30])):
        begins = dates_of(row)
        if len(begins) < 2 or len(begins) != len(full(row)) or begins[0] == 0:
            continue
        ends = [*begins[1:], len(names)]
        blocks = [names[i:j] for i, j in zip(begins, ends, strict=True)]
        below = head[at + 2 : at + 2 + FEWEST_ACROSS]
        timed = len(below) == FEWEST_ACROSS and all(of_kind(r[: begins[0]], "time") for r in below)
        if timed and len(blocks[0]) > 1 and all(block == blocks[0] for block in blocks):
            return _one_below_the_other(at, begins, len(blocks[0]))
    return None


def in_blocks_beside(head: list[Row], table: Table) -> Fold | None:  # noqa: ARG001 - as all shapes are asked
    """Return the fold of a table whose headings come again beside themselves, each time over times of their own."""
    for at, row in enumerate(head[:30]):
        said = full(row)
        begins = [i for i in said if row[i].strip() == row[said[0]].strip()]
        if len(begins) < 2 or len(said) == len(begins):
            continue
        ends = [*begins[1:], len(row)]
        blocks = [[c.strip() for c in row[i:j]] for i, j in zip(begins, ends, strict=True)]
        width = max(_width(block) for block in blocks)
        below = head[at + 1 : at + 1 + FEWEST_ACROSS]
        timed = [of_kind([r[i] if len(r) > i else "" for i in begins], "datetime", "date") for r in below]
        is_timed = len(below) == FEWEST_ACROSS and all(len(found) == len(begins) for found in timed)
        if is_timed and all(block[:width] == blocks[0][:width] for block in blocks):
            return _each_block(at, begins, width)
    return None


def _width(cells: Row) -> int:
    return max((i + 1 for i, cell in enumerate(cells) if cell), default=0)


def _each_block(at: int, begins: list[int], width: int) -> Fold:
    def fold(rows: Iterator[Row]) -> Iterator[Row]:
        yield from islice(rows, at)
        heading, below = next(rows), list(rows)
        yield heading[begins[0] : begins[0] + width]
        for begin in begins:
            for row in below:
                if full(row[begin : begin + width]):
                    yield row[begin : begin + width]

    return fold


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
        below = [row for row in rows if of_kind(row[: begins[0]], "time")]
        for begin in begins:
            for row in below:
                yield [dates[begin], *(row[i] for i in side), *row[begin : begin + width]]

    return fold
