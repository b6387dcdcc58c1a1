"""Finds in the first rows of a table where its data begin and what each column is. Says nothing of units or zones."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

from service.intake.export import words
from service.intake.export.cells import lost_digits, number
from service.intake.export.naming import Units, names_nobody
from service.intake.export.times import lacks_year, offset_of, parse, zone_name_of
from service.intake.problems import told

LOOKED_AT = 200
MOST_PREAMBLE = 100
MOST_NAMES = 500
RUN = 8
LONGEST_MEASURE = 5
MOST_WHOLE = 0.95
MOST_NAMED = 0.3
"""Of a column's cells: so many serials of the record are what it holds, though they look like times or numbers."""

MOST_MOVED = 0.2
"""Of the rows: more of them that have cells beyond the headings are no accidents."""

FEWEST_OF_A_DAY = 12
SHOWN = 30
_FRACTION = re.compile(r"\s*[+-]?\d*[.,]\d+\s*")
Rows = Sequence[Sequence[str]]


@dataclass(frozen=True)
class Value:
    """A column of values with its whole heading, and the serial that the heading names."""

    index: int
    heading: str
    serial: str | None


@dataclass(frozen=True)
class Layout:
    """Where the data begin, which columns hold time, and which values."""

    first_row: int
    headings: tuple[str, ...]
    preamble: str
    time_columns: tuple[int, ...]
    end_column: int | None
    serial_column: int | None
    values: tuple[Value, ...]
    """Columns of energy or power; where neither the column nor a row names its unit, only a person knows it."""
    beside: tuple[Value, ...] = ()
    ignored: tuple[str, ...] = ()
    lost: tuple[str, ...] = ()
    warnings: tuple[str, ...] = field(default=())
    width: int = 0
    """How many cells a usual row has, or the headings have, if they are more."""
    headings_end: int = 0
    """The row, counted from 1, in which the headings end; 0 if there are none."""


class NotReadable(Exception):  # noqa: N818 - an answer, not a fault
    """The table has no readings of units; the message says what is missing."""


class NoTimes(NotReadable):
    """No column holds times with a date."""

    def __init__(self) -> None:
        super().__init__(told("no column holds times with a date"))


def layout_of(rows: Rows, units: Units, name: str, header_row: int | None = None) -> Layout:
    """Return the layout, with headings that end where somebody said; NotReadable where there is no time or no value."""
    serials = frozenset(units.known.serials)
    first = (header_row or 0) + _first_row(rows[header_row or 0 : (header_row or 0) + MOST_PREAMBLE], serials)
    further = rows[first + LOOKED_AT :: max(1, len(rows) // LOOKED_AT)]
    data = [r for r in (*rows[first : first + LOOKED_AT], *further) if _has_time(r) or not words.is_remark(r)]
    width = max(len(r) for r in data)
    above = rows[: first if header_row is None else header_row]
    headings, preamble, end = _headings(above, width, units, is_said=header_row is not None)
    headings = _above_their_columns(headings, data)
    kinds = [
        None if _share(data, i, serials.__contains__) >= MOST_NAMED else _kind_of(data, i)
        for i in range(width)
    ]
    times, end_column, warnings = _time_columns(data, kinds, headings)
    used = {*times, *(() if end_column is None else (end_column,))}
    rest = [i for i in range(width) if i not in used and kinds[i] is None]
    if any(
        words.PHASE.search(headings[i]) and len(_distinct(data, i)) > 1 and _are_phases(data, i) for i in rest
    ):
        raise NotReadable(
            told("its rows are of single phases, and what a unit made is their sum; export the sums")
        )
    serial = _serial_column(data, rest, headings, units)
    if serial is None and not any(map(units.is_known, headings)):
        serial = _telling_apart(data, times, rest)
    rest = [i for i in rest if i != serial]
    warnings += _too_few_or_many(
        max(_width(headings), _width(above[end - 1]) if end else 0), data, long=serial is not None
    )
    values, beside, ignored, lost = _values(data, rest, headings, units, name, long=serial is not None)
    if not values and lost:
        raise NotReadable(_lost(lost))
    if not values:
        raise NotReadable(told("no column of numbers is energy or power of a unit"))
    only = None
    if serial is None:
        values, left, only = _with_serials(values, units, name, preamble, lost)
        beside = [replace(v, serial=v.serial or only) for v in beside]
        ignored += [*left, *(v.heading for v in beside if v.serial is None and v.heading)]
        beside = [v for v in beside if v.serial is not None]
    return Layout(
        first,
        headings,
        preamble,
        times,
        end_column,
        serial,
        tuple(values),
        tuple(beside),
        tuple(ignored),
        tuple(lost),
        warnings,
        max(_usual_width(data), _width(headings)),
        end,
    )


def _first_row(rows: Rows, serials: frozenset[str]) -> int:
    """Return the first row of data: a time, with times below it. Serials of ten digits may look like seconds."""
    for i, row in enumerate(rows):
        for column in range(len(row)):
            run = [r[column] for r in rows[i : i + RUN] if len(r) > column]
            if (
                row[column] not in serials
                and kind_of(row[column]) in ("datetime", "date")
                and sum(kind_of(c) in ("datetime", "date") for c in run)
                >= min(len(run), max(1, round(0.75 * len(run))))
                and not _is_above(rows[i : i + RUN], column)
            ):
                return i
    if why := _yearless(rows) or _dateless(rows):
        raise NotReadable(why)
    raise NoTimes


def _is_above(rows: Rows, column: int) -> bool:
    """Return whether the first of the rows is a date above a table: it is narrower, and none stands right below."""
    timed = [r for r in rows[1:] if len(r) > column and kind_of(r[column]) in ("datetime", "date")]
    return bool(timed) and rows[1] is not timed[0] and _width(rows[0]) < max(map(_width, timed))


def _yearless(rows: Rows) -> str | None:
    """Return what to do about a column of days and months without a year, with their times or beside them."""
    for column in range(max(map(len, rows), default=0)):
        cells = [(r[column].strip(), r) for r in rows if len(r) > column and lacks_year(r[column])]
        timed = [cell for cell, r in cells if ":" in cell or any(kind_of(c) == "time" for c in r)]
        if len(timed) >= max(2, len(rows) / 2):
            return told(
                "its dates have no year, such as {date}; export them with it, or write it behind each date",
                date=timed[0][:SHOWN],
            )
    return None


def _dateless(rows: Rows) -> str | None:
    """Return what to do about a column of times of the day without any date."""
    for column in range(max(map(len, rows), default=0)):
        timed = [r for r in rows if len(r) > column and kind_of(r[column]) == "time"]
        if len(timed) >= max(2, len(rows) / 2):
            return told(
                "its times have no date; write it once above them, such as 2026-06-14, or in the name of the file"
            )
    return None


def _has_time(row: Sequence[str]) -> bool:
    return any(kind_of(cell) for cell in row)


@lru_cache(20_000)
def kind_of(cell: str) -> str | None:
    for order in ("dmy", "mdy", "ymd"):
        found = parse(cell, order)
        if found:
            return "time" if found.day is None else "date" if found.second is None else "datetime"
    return None


def _share(data: Rows, column: int, test: Callable[[str], object]) -> float:
    cells = [c for r in data if len(r) > column and not words.is_missing(c := r[column])]
    return sum(bool(test(c)) for c in cells) / len(cells) if cells else 0.0


def _kind_of(data: Rows, column: int) -> str | None:
    kinds = ("datetime", "date", "time")
    return next((k for k in kinds if _share(data, column, lambda c, k=k: kind_of(c) == k) >= 0.8), None)  # type: ignore[misc]


# Headings


def _headings(above: Rows, width: int, units: Units, *, is_said: bool) -> tuple[tuple[str, ...], str, int]:
    """Return each column's heading, joined from the rows that speak of columns, the text above, and where they end."""
    said = [
        i for i, r in enumerate(above) if sum(bool(c.strip()) for c in r) >= min(2, width) or _only_beside(r)
    ]
    if is_said and above:
        said = sorted({*said, len(above) - 1})
    if not said:
        return ("",) * width, "\n".join(" ".join(r) for r in above), 0
    chosen = [said[-1]]
    for i in reversed(said[:-1]):
        if not _speaks_of_columns(above[i], above[chosen[0]], width, units) or _goes_down(above, i, units):
            over = (_names_all, _names_each_measure)
            chosen = [j for j in said[:-1] if any(f(above[j], above[chosen[0]], units) for f in over)][
                :1
            ] + chosen
            break
        chosen.insert(0, i)
    levels = [_filled(above[i], width, forward=i != chosen[-1]) for i in chosen]
    preamble = "\n".join(" ".join(r) for i, r in enumerate(above) if i not in chosen)
    headings = tuple(" ".join(filter(None, column)) for column in zip(*levels, strict=True))
    return headings, preamble, chosen[-1] + 1


def _above_their_columns(headings: tuple[str, ...], data: Rows) -> tuple[str, ...]:
    """Return headings, by one later where rows are numbered; NotReadable where decimal commas part numbers."""
    named, usual = _width(headings), _usual_width(data)
    if not named or usual <= named:
        return headings
    timed = next((i for i in range(usual) if _kind_of(data, i) in ("datetime", "date")), 0)
    if usual == named + 1 and timed and _is_of_time(headings[timed - 1]):
        return ("", *headings[:-1]) if not _is_of_time(headings[timed]) else headings
    values = [i for i in range(usual) if _kind_of(data, i) is None]
    if usual >= 2 * named - 1 and all(_share(data, i, _is_whole) >= MOST_WHOLE for i in values):
        raise NotReadable(
            told(
                "its rows have {cells} cells under {headings} headings, as if decimal commas parted numbers; "
                "export it with semicolons, or with decimal points",
                cells=usual,
                headings=named,
            )
        )
    return headings


def _too_few_or_many(named: int, data: Rows, *, long: bool) -> tuple[str, ...]:
    """Return a word on headings without a column; NotReadable where a column or many rows have none above them."""
    usual = _usual_width(data)
    if not named or long:
        return ()
    count = {"cells": usual, "headings": named}
    if named < usual and any(_share(data, i, _is_number) >= MOST_WHOLE for i in range(named, usual)):
        raise NotReadable(
            told(
                "its rows have {cells} cells under {headings} headings, and which column has none does not show; "
                "give each column its heading",
                **count,
            )
        )
    timed = [row for row in data if _has_time(row)]
    moved = sum(any(_is_number(cell) for cell in row[max(named, usual) :]) for row in timed)
    if moved > MOST_MOVED * len(timed):
        raise NotReadable(
            told(
                "{moved} of {rows} rows have more cells than headings, as if decimal commas parted numbers; "
                "export it with semicolons, or with decimal points",
                moved=moved,
                rows=len(timed),
            )
        )
    widest = max(map(len, data))
    if widest < named:
        return (
            told(
                "{headings} headings stand over {cells} columns; the first is taken for that of the first column, "
                "and so on",
                headings=named,
                cells=widest,
            ),
        )
    return ()


def _width(row: Sequence[str]) -> int:
    return max((i + 1 for i, cell in enumerate(row) if cell.strip()), default=0)


def _usual_width(data: Rows) -> int:
    return Counter(map(_width, data)).most_common(1)[0][0]


def _is_of_time(heading: str) -> bool:
    return any(word.search(heading) for word in (words.TIME, words.START, words.END))


def _is_whole(cell: str) -> bool:
    return cell.strip().lstrip("+-").isdecimal()


def _only_beside(row: Sequence[str]) -> bool:
    """Return whether a row leaves its first cell empty, as headings do over times."""
    return not "".join(row[:1]).strip() and any(cell.strip() for cell in row[1:])


def _speaks_of_columns(row: Sequence[str], below: Sequence[str], width: int, units: Units) -> bool:
    cells = [c for c in row if c.strip()]
    units_below = [c for c in below if c.strip()]
    measured = [len(c.strip()) <= LONGEST_MEASURE and words.is_measure(c) for c in units_below]
    only_units = all(measured) and any(map(words.unit_of, units_below))
    named = sum(units.serial_of(c) is not None for c in cells)
    if named and not _names_all(row, below, units) and len(_own_names(below)) > 1:
        return False  # a list of the units, which does not stand over their columns
    if not named and all(names_nobody(c) or words.unit_of(c) for c in cells) and _only_serials(below, units):
        return True
    return (only_units and len(cells) >= width / 2) or named >= 2 or (named == 1 and len(cells) >= width / 2)


def _own_names(row: Sequence[str]) -> list[int]:
    """Return the columns in which headings call units by names of their own: several, and none of time."""
    said = [
        i for i, c in enumerate(row) if re.search(r"\w", c) and not (words.TIME.search(c) or _is_of_time(c))
    ]
    once = Counter(row)
    return [i for i in said if once[row[i]] == 1 and not names_nobody(row[i])]


def _names_all(row: Sequence[str], below: Sequence[str], units: Units) -> bool:
    """Return whether a serial stands over each column that has a name of its own, and over no other."""
    named = [i for i, c in enumerate(row) if c.strip() and units.serial_of(c)]
    return len(named) > 1 and named == _own_names(below)


def _names_each_measure(row: Sequence[str], below: Sequence[str], units: Units) -> bool:
    """Return whether a serial stands over each measure of a row that has nothing else but a word in front."""
    named = [i for i, c in enumerate(row) if c.strip() and units.serial_of(c)]
    measured = [i for i, c in enumerate(below) if i and c.strip()]
    return len(named) > 1 and named == measured and all(names_nobody(below[i]) for i in measured)


def _only_serials(row: Sequence[str], units: Units) -> bool:
    """Return whether all headings but those of time are serials."""
    said = [c for c in row if c.strip() and not _is_of_time(c)]
    return len(said) > 1 and all(units.serial_of(c) for c in said)


def _goes_down(rows: Rows, i: int, units: Units) -> bool:
    """Return whether a row belongs to a list with a unit in each row."""

    def named(row: Sequence[str]) -> list[tuple[int, str]]:
        return [
            (column, serial) for column, c in enumerate(row) if c.strip() and (serial := units.serial_of(c))
        ]

    own, beside = named(rows[i]), [named(rows[j]) for j in (i - 1, i + 1) if 0 <= j < len(rows)]
    return len(own) == 1 and any(
        len(one) == 1 and one[0][0] == own[0][0] and one[0][1] != own[0][1] for one in beside
    )


def _filled(row: Sequence[str], width: int, *, forward: bool) -> list[str]:
    cells = [c.strip() for c in row][:width] + [""] * (width - len(row))
    for i in range(1, width if forward else 0):
        cells[i] = cells[i] or cells[i - 1]
    return cells


# Times


def _time_columns(
    data: Rows, kinds: Sequence[str | None], headings: Sequence[str]
) -> tuple[tuple[int, ...], int | None, tuple[str, ...]]:
    width = len(kinds)
    full = [i for i, k in enumerate(kinds) if k == "datetime"]
    zones = [i for i in range(width) if kinds[i] is None and _holds_zones(data, i, headings[i])]
    dates, times = ([i for i, k in enumerate(kinds) if k == kind] for kind in ("date", "time"))
    if full and times and all(_share(data, i, _is_midnight) == 1 for i in full):
        dates, full = [*dates, *full], []
    if full:
        return _full_times(data, full, zones, headings)
    if not dates:
        raise NoTimes
    if not times and _rows_of_a_day(data, dates[0]) >= FEWEST_OF_A_DAY:
        raise NotReadable(
            told(
                "its dates have many rows each, but no column holds times of the day that can be read; "
                "write them as 14:15"
            )
        )
    if not times:
        raise NotReadable(
            told(
                "it has one value a day, and energies of whole days prove nothing of a single unit; "
                "export values of an hour or less"
            )
        )
    end = next(
        (t for t in times[1:] if words.END.search(headings[t]) and words.START.search(headings[times[0]])),
        None,
    )
    columns = (dates[0], times[0], *zones[:1])
    return columns, end, ()


def _rows_of_a_day(data: Rows, date: int) -> int:
    """Return how many rows the day with the most has for one unit, by whatever looks like a serial."""
    of_day = Counter((r[date], *(c for c in r if stranger(c))) for r in data if len(r) > date)
    return of_day.most_common(1)[0][1] if of_day else 0


def _full_times(
    data: Rows, full: list[int], zones: list[int], headings: Sequence[str]
) -> tuple[tuple[int, ...], int | None, tuple[str, ...]]:
    starts = [i for i in full if words.START.search(headings[i])]
    ends = [i for i in full if words.END.search(headings[i]) and i not in starts]
    if starts and ends:
        return (starts[0], *zones[:1]), ends[0], ()
    certain = [i for i in full if _share(data, i, _has_offset) == 1]
    named = [i for i in full if words.TIME.search(headings[i])]
    chosen = min(certain or named or full, key=lambda i: bool(words.RECEIVED.search(headings[i])))
    measured = [i for i in full if words.START.search(headings[i]) or words.END.search(headings[i])]
    if words.RECEIVED.search(headings[chosen]) or not measured:
        chosen = (measured or [chosen])[0]
    others = [named_column(headings, i) for i in full if i != chosen]
    warnings: tuple[str, ...] = ()
    if others:
        warnings = (
            told(
                "there are further columns of times ({others}); {chosen} is taken",
                others=", ".join(others),
                chosen=named_column(headings, chosen),
            ),
        )
    return (chosen, *(() if chosen in certain else zones[:1])), None, warnings


def named_column(headings: Sequence[str], index: int) -> str:
    """Return what to call a column: its heading, or its number if it has none."""
    return headings[index] or told("column {number}", number=index + 1)


def _has_offset(cell: str) -> bool:
    found = parse(cell, "dmy") or parse(cell, "mdy")
    return found is not None and (found.offset is not None or bool(found.zone))


def _is_midnight(cell: str) -> bool:
    found = parse(cell, "dmy") or parse(cell, "mdy")
    return found is not None and found.second == 0


def _holds_zones(data: Rows, column: int, heading: str) -> bool:
    """Return whether a column holds offsets; numbers such as -100 or +5 are some only under a heading that says so."""
    if words.ZONE.search(heading):
        return _share(data, column, lambda cell: offset_of(cell) is not None or zone_name_of(cell)) >= 0.9
    return _share(data, column, lambda cell: offset_of(cell) is not None and _is_no_number(cell)) >= 0.9


def _is_no_number(cell: str) -> bool:
    return not re.fullmatch(r"[+-]\d+", cell.strip()) or bool(
        re.fullmatch(r"[+-](0\d|1[0-4])(00|15|30|45)", cell.strip())
    )


# Units and values


def _serial_column(data: Rows, rest: list[int], headings: Sequence[str], units: Units) -> int | None:
    known = {i: _share(data, i, units.is_known) for i in rest}
    best = max(rest, key=lambda i: known[i], default=None)
    if best is not None and known[best] >= MOST_NAMED:
        return best
    named = [i for i in rest if words.SERIAL.search(headings[i]) and _names_units(data, i, headings, units)]
    if named:
        return named[0]
    texts = [i for i in rest if units.serial_of(headings[i]) is None and _is_list_of_names(data, i)]
    return texts[0] if len(texts) == 1 else None


def _telling_apart(data: Rows, times: Sequence[int], rest: Sequence[int]) -> int | None:
    """Return the only column that has another cell in each row of one time, the same ones time after time."""
    at = [tuple(r[i] for i in times if len(r) > i) for r in data]
    if len(set(at)) > len(data) / 2:
        return None
    found = [i for i in rest if _has_names(data, at, i)]
    return found[0] if len(found) == 1 else None


def _has_names(data: Rows, at: Sequence[tuple[str, ...]], column: int) -> bool:
    named = [
        (time, r[column]) for time, r in zip(at, data, strict=True) if len(r) > column and r[column].strip()
    ]
    names = {name for _, name in named}
    is_each_once = len(set(named)) == len(named) == len(data)
    return is_each_once and 2 <= len(names) <= min(MOST_NAMES, len(data) / 3)


def _are_phases(data: Rows, column: int) -> bool:
    return (
        _share(data, column, lambda cell: re.fullmatch(r"(?:L|phase )?[1-3]|[A-CR-T]", cell.strip(), re.I))
        == 1
    )


def _names_units(data: Rows, column: int, headings: Sequence[str], units: Units) -> bool:
    heading = headings[column]
    if _is_numbered(heading, headings) or words.unit_of(heading) or units.serial_of(heading) is not None:
        return False
    names = _distinct(data, column)
    are_measures, are_sums = all(map(words.unit_of, names)), any(map(_FRACTION.fullmatch, names))
    if are_measures or are_sums:
        return False
    return _share(data, column, lambda c: "," not in c) >= 0.8 and len(names) <= len(data) / 2


def _is_numbered(heading: str, headings: Sequence[str]) -> bool:
    """Return whether headings count units, as Unit 1 and Unit 2 do: below them stand values."""
    plain = re.sub(r"\d+", "#", heading)
    return "#" in plain and sum(re.sub(r"\d+", "#", one) == plain for one in headings) > 1


def _is_list_of_names(data: Rows, column: int) -> bool:
    """Return whether a column of words names two or more things again and again, at one time after the other."""
    names = _distinct(data, column)
    return 2 <= len(names) <= min(MOST_NAMES, len(data) / 3) and _share(data, column, _is_name) == 1


def _is_name(cell: str) -> bool:
    return bool(re.search(r"\d", cell)) and bool(re.search(r"[^\W\d_]{2}", cell)) and not words.unit_of(cell)


def _distinct(data: Rows, column: int) -> set[str]:
    return {c for r in data if len(r) > column and not words.is_missing(c := r[column])}


def _values(
    data: Rows, rest: list[int], headings: Sequence[str], units: Units, name: str, *, long: bool
) -> tuple[list[Value], list[Value], list[str], list[str]]:
    """Return the columns of energy or power, those of other quantities, and the headings of the others and the lost."""
    values, beside, ignored, lost, dashed = [], [], [], [], []
    for i in rest:
        heading, serial = headings[i], None if long else units.serial_of(headings[i])
        if serial is None and lost_digits(heading):
            lost.append(heading)
        elif serial and not _is_other(heading, serial) and _is_dashed(data, i):
            dashed.append(Value(i, heading, serial))
        elif serial == "" or _share(data, i, _is_number) < 0.8 or _counts_rows(data, i, heading):
            ignored += [heading] if heading else []
        elif _is_other(heading, serial):
            beside.append(Value(i, heading, serial))
        else:
            values.append(Value(i, heading, serial))
    read = {v.serial for v in values}
    values += [v for v in dashed if v.serial not in read]
    values, beside = _of_the_one(values, beside, units, name)
    totals = [v for v in values if v.serial is None and words.is_total(v.heading)]
    totals = [v for v in totals if not (long and words.unit_of(v.heading))]  # a mean of the row's unit
    if len(totals) < len(values):
        values = [v for v in values if v not in totals]
        ignored += [v.heading for v in totals]
    return values, beside, ignored, lost


def _of_the_one(
    values: list[Value], beside: list[Value], units: Units, name: str
) -> tuple[list[Value], list[Value]]:
    """Return columns with those named that are of the one unit that has given its name to the table and to others."""
    only = units.serial_of(table_stem(name))
    if not only or {v.serial for v in (*values, *beside)} - {None} != {only}:
        return values, beside
    return tuple(  # type: ignore[return-value]
        [replace(v, serial=only) if not v.serial and names_nobody(v.heading) else v for v in columns]
        for columns in (values, beside)
    )


def _is_dashed(data: Rows, column: int) -> bool:
    """Return whether a column holds dashes alone, as that of a unit does that made nothing."""
    cells = [r[column] for r in data if len(r) > column]
    return any(map(words.is_dash, cells)) and all(map(words.is_missing, cells))


def _counts_rows(data: Rows, column: int, heading: str) -> bool:
    """Return whether a column numbers the rows, or what they are kept as: it says so, and its numbers are whole."""
    return bool(words.NUMBER_OF_ROW.fullmatch(heading)) and _share(data, column, _is_whole) == 1


def _is_other(heading: str, serial: str | None) -> bool:
    text = heading.replace(serial, " ") if serial else heading
    return bool(words.OTHER.search(text)) and not words.unit_of(text)


def _is_number(cell: str) -> bool:
    for decimal in ".,":
        try:
            return number(cell, decimal) is not None
        except ValueError:
            continue
    return False


def _with_serials(
    values: list[Value], units: Units, name: str, preamble: str, lost: list[str]
) -> tuple[list[Value], list[str], str | None]:
    """Return the columns to be read, the headings of the others, and the unit of the whole table, if it is of one."""
    named = [v for v in values if v.serial]
    strange = [Value(v.index, v.heading, s) for v in values if not v.serial and (s := stranger(v.heading))]
    if named or strange:
        kept = [*named, *strange]
        left = [v.heading for v in values if v.heading and v.index not in {k.index for k in kept}]
        return kept, left, None
    if lost:
        raise NotReadable(_lost(lost))
    only = units.serial_of(table_stem(name))
    if only == "":
        raise NotReadable(told("somebody said that it is of no unit"))
    only = only or units.only_in(f"{re.sub('[/_.]', ' ', name)} {preamble}")
    return ([Value(v.index, v.heading, only) for v in values] if only else values), [], only


def _lost(names: Sequence[str]) -> str:
    return told("serials have lost their last digits ({names}); export them as text", names=", ".join(names))


def table_stem(name: str) -> str:
    """Return the name of a sheet, or of a file in an archive without its ending."""
    return re.sub(r"\.(csv|txt|tsv|xlsx|dat)$", "", name.rpartition("/")[2], flags=re.I)


def stranger(text: str) -> str | None:
    """Return what looks like a serial, whether it is on the record or not."""
    found = [w for w in re.findall(r"[A-Za-z0-9/-]+", text) if sum(c.isdigit() for c in w) >= 6]
    found = [w for w in found if kind_of(w) is None]
    return found[0] if len(found) == 1 else None
