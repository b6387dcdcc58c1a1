"""Times that are written as bare numbers: days as spreadsheets count them, hours such as 0915, parts in columns.

Each fold writes them as other tables do; none touches a table whose cells are times already.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date, datetime, timedelta
from itertools import groupby, pairwise
from math import gcd

from service.intake.export import words
from service.intake.export.layout import kind_of
from service.intake.export.rows import is_day
from service.intake.export.times import EARLIEST_YEAR, LATEST_YEAR

Row = list[str]
Fold = Callable[[Iterator[Row]], Iterator[Row]]

FEWEST = 6
FURTHEST = 6
"""Times stand in the first columns."""

FIRST_DAY, LAST_DAY = 38_353, 73_050
"""Days as spreadsheets count them: the beginning of 2005 and the end of 2099."""

HOUR = re.compile(r"hour|\u00f3ra|stunde|heure|\bhora|\bora\b|\buur|godzin|\bh+\b|^std\b", re.I)
_CLOCK = re.compile(rf"{words.TIME.pattern}|{HOUR.pattern}|hh:?mm", re.I)
MINUTES = 1440
_DAYS_OF_NUMBERS = (24, 48, 96, 144, 288)
"""How many intervals of one length a day has."""

_DAYS_OF_HOURS = ([*range(24)], [*range(1, 25)])
_HOUR_ACROSS = re.compile(
    r"\s*(?:he|hr?|hours?|std\.?|stunde|heure|hora|ora|uur)?[ _]?(\d{1,2})"
    r"(?:(?::00)?\s?[-\u2013]\s?\d{1,2}(?::00)?)?\s?(?:h|uhr)?\s*",
    re.I,
)
_SIGN_OF_HOURS = re.compile(r"(?<=\d) ?(h|uhr|hrs?|ч|godz|時|时|시)\.?$", re.I)
LONGEST_HOUR = 40
_MINUTE = re.compile(r"minute|\bmin\b", re.I)
_SECOND = re.compile(r"seconds?|sekunden?|secondes?|segundos?|secondi\b", re.I)
_NUMBERED = re.compile(r"interval|period|slot|settlement|block|\b(no|nr|number|index)\b|#", re.I)
_LENGTHS = {
    96: re.compile(
        r"quarter|viertelstunde|quart d|cuarto de|quarto d|kwartier|kwadrans|čtvrthodin|štvrťhodin|negyedóra|kvart",
        re.I,
    ),
    48: re.compile(r"half.?hour|halbstunde|halbe stunde|demi.?heure|media hora|mezz.?ora|halfuur", re.I),
}
"""What a day has so many of."""

_BARE_CLOCK = re.compile(
    "|".join(
        p.pattern for p in (_CLOCK, _MINUTE, _SECOND, _NUMBERED, words.START, words.END, *_LENGTHS.values())
    ),
    re.I,
)
_DECIMAL_HOUR = re.compile(r"(\d{1,2})(?:[.,](\d{1,6}))?")
_DOTTED = re.compile(r"(\d{1,2})\.(\d\d)(?:\.(\d\d))?")
_RANGE = re.compile(
    r"\s*((?:[^\s:]{1,20}[ T]){0,3}(\d{1,2}):(\d\d)(?::\d\d)?) ?(?:-|\u2013|\u2014|to|bis|a|until) ?"
    r"(?:[^\s:]{1,20}[ T]){0,3}(\d{1,2}):(\d\d)(?::\d\d)?\s*"
)
_FIRST_HOUR = re.compile(r"[ T,]+(?:0?0|12):(\d\d)|[ T,]+0?1:00")
_COUNTED = re.compile(r"\d{5}[.,]\d+")
_PARTS = {
    "year": re.compile(r"y|year|yyyy|jahr|ann[ée]e|a[ñn]o|anno|jaar|rok", re.I),
    "month": re.compile(r"m|month|mm|monat|mois|mes|mese|maand|miesi[ąa]c", re.I),
    "day": re.compile(r"d|day|dd|tag|jour|d[ií]a|giorno|dag|dzie[ńn]", re.I),
    "hour": re.compile(r"h|hours?|hh|hr|stunde|heure|hora|ora|uur|godzina", re.I),
    "minute": re.compile(r"min(ute|utes|uto|uut|uta)?", re.I),
}
_DAY_OF_YEAR = re.compile(
    r"doy|jday|yday|day ?of ?(the )?year|julian day|tag des jahres|jour de l.ann[ée]e", re.I
)
_HHMM = re.compile(r"hh:?mm|time|uhrzeit|heure|hora|ora", re.I)
_BESIDE_PART = re.compile(rf"[(\[][^()\[\]]*[)\]]|{words.START.pattern}|{words.END.pattern}", re.I)


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


def midnights(head: Sequence[Row]) -> Fold | None:
    """Return the fold of a table that leaves out the time of midnights, as spreadsheets do: it writes it."""
    for column in range(FURTHEST):
        cells = [cell for cell, _ in groupby(row[column].strip() for row in head if len(row) > column)]
        kinds = [kind_of(cell) for cell in cells]
        bare = [i for i, kind in enumerate(kinds) if kind == "date"]
        if not bare or kinds.count("datetime") < max(FEWEST, 3 * len(bare)):
            continue
        if all(_is_begun(cells, i) for i in bare if any(kinds[:i])) and any(
            _is_begun(cells, i) for i in bare
        ):
            return _rewriting(
                column, lambda cell: f"{cell.strip()} 00:00" if kind_of(cell) == "date" else cell
            )
    return None


def _is_begun(cells: Sequence[str], at: int) -> bool:
    """Return whether the first hour of a date stands beside it, and no midnight of it does."""
    beside = [cell for cell in (*cells[at - 1 : at], *cells[at + 1 : at + 2]) if cell.startswith(cells[at])]
    clock = [_FIRST_HOUR.match(cell[len(cells[at]) :]) for cell in beside]
    return any(clock) and not any(m and m[1] == "00" for m in clock)


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
        ((i, c) for i, row in enumerate(head) for c in range(len(row[:FURTHEST])) if is_day(row[c])),
        None,
    )
    if dated is None:
        return None
    first, day = dated
    rows = [row for row in _filled_down(head[first:], day) if is_day(row[day])]
    if len(rows) < FEWEST or any(kind_of(cell) == "time" for cell in rows[0][:FURTHEST]):
        return None
    for column in range(FURTHEST):
        heading = _heading(head[:first], column)
        if column == day or not _BARE_CLOCK.search(heading):
            continue
        cells = [_without_h(row[column]) for row in rows if len(row) > column]
        days = [row[day] for row in rows if len(row) > column]
        if read := _clock_of(cells, heading) or _count_of(cells, days, heading):
            return _rewriting(column, lambda cell, read=read: read(_without_h(cell)))  # type: ignore[misc]
    return None


def _without_h(cell: str) -> str:
    """Return an hour without the sign for hours behind it."""
    return _SIGN_OF_HOURS.sub("", cell.strip()[:LONGEST_HOUR])


def _filled_down(rows: Sequence[Row], column: int) -> Iterator[Row]:
    """Give rows with the date above them where they have none of their own."""
    above = ""
    for row in (row for row in rows if len(row) > column):
        above = row[column] if row[column].strip() else above
        yield [*row[:column], above, *row[column + 1 :]]


def hours_across(head: Sequence[Row]) -> Fold | None:
    """Return the fold of a table with days in rows, and the hours 0 to 23 or 1 to 24 in its headings."""
    for row, below in pairwise(head[:30]):
        for first in range(min(FURTHEST, len(row))):
            if _hours(row, first) in _DAYS_OF_HOURS and any(map(is_day, below[:first])):
                return _rewriting_hours(row[first : first + 24], first)
    return None


def _hours(row: Row, first: int) -> list[int]:
    """Return the hours that 24 cells name: 7, 07, HE7, 7 h; of 07-08 the first."""
    found = [_HOUR_ACROSS.fullmatch(cell) for cell in row[first : first + 24]]
    return [int(m[1]) for m in found if m]


def _rewriting_hours(heading: Row, first: int) -> Fold:
    """Give clock times for hours wherever the headings stand, which may be above each block."""

    def fold(rows: Iterator[Row]) -> Iterator[Row]:
        for row in rows:
            if row[first : first + 24] == heading and not any(map(is_day, row[:first])):
                clock = [f"{hour:02}:00" for hour in _hours(row, first)]
                yield [*row[:first], *clock, *row[first + 24 :]]
            else:
                yield row

    return fold


def _clock_of(texts: Sequence[str], heading: str) -> Callable[[str], str] | None:
    """Return what makes clock times of a column's numbers, if all of them are such."""
    if _are_decimal_hours(texts):
        return _from_decimal_hour
    dotted = [_DOTTED.fullmatch(text) for text in texts]
    if all(m and int(m[1]) <= 24 and int(m[2]) < 60 for m in dotted):
        return lambda cell: cell.strip().replace(".", ":") if _DOTTED.fullmatch(cell.strip()) else cell
    cells = {text.removesuffix(".0") for text in texts}
    if len(cells) < FEWEST or not all(cell.isdecimal() and len(cell) <= 6 for cell in cells):
        return None
    is_of_time = any(word.search(heading) for word in (_CLOCK, words.START, words.END))
    return _digits_of(cells, heading) if is_of_time and not _SECOND.search(heading) else None


def _digits_of(cells: set[str], heading: str) -> Callable[[str], str] | None:
    found = sorted(map(int, cells))
    if found[-1] <= 24:
        return (lambda cell: _clock(cell, 10_000)) if HOUR.search(heading) and not _length(heading) else None
    for unit, largest in ((100, 2400), (1, 240_000))[max(map(len, cells)) > 4 :]:
        seconds = [n * unit for n in found]
        if found[-1] <= largest and all(s % 100 < 60 and s // 100 % 100 < 60 for s in seconds):
            return lambda cell, unit=unit: _clock(cell, unit)  # type: ignore[misc]
    return None


def _count_of(texts: Sequence[str], days: Sequence[str], heading: str) -> Callable[[str], str] | None:
    """Return what makes clock times of numbers that begin anew each day: its minutes, or the number of an interval."""
    cells = [text.removesuffix(".0") for text in texts]
    if not all(cell.isdecimal() and len(cell) <= 5 for cell in cells):
        return None
    found = set(map(int, cells))
    if _SECOND.search(heading):
        is_second = MINUTES < max(found) < 60 * MINUTES and not any(n % 60 for n in found)
        return (lambda cell: _of_minutes(cell, 1 / 60, 0)) if is_second else None
    begin, last = min(found), max(found)
    is_minute = _MINUTE.search(heading) and 60 < last < MINUTES and any(n % 100 >= 60 for n in found)
    if is_minute and not _length(heading):
        return lambda cell: _of_minutes(cell, 1, 0)
    first = {day: int(cell) for day, cell in zip(reversed(days), reversed(cells), strict=True)}
    if len(found) < FEWEST or len(set(first.values())) > 1:
        return None
    whole = next((n for n in _DAYS_OF_NUMBERS if last - begin == n - 1), None) if len(first) > 1 else None
    count = _length(heading) or (whole if _NUMBERED.search(heading) else None)
    if count and begin in (0, 1) and last < count + begin:
        zero = 0 if words.END.search(heading) else begin
        return lambda cell: _of_minutes(cell, MINUTES // count, zero)
    return None


def _length(heading: str) -> int | None:
    return next((count for count, name in _LENGTHS.items() if name.search(heading)), None)


def _are_decimal_hours(cells: Sequence[str]) -> bool:
    """Return whether numbers are hours whose fractions part each hour evenly; as minutes their digits do not."""
    found = {cell: m for cell in cells if (m := _DECIMAL_HOUR.fullmatch(cell))}
    if len(found) < len(set(cells)) or not any(m[2] for m in found.values()) or len(found) < FEWEST:
        return False
    minutes = {round(60 * float(cell.replace(",", "."))) for cell in found}
    written = {int(m[1]) * 60 + int((m[2] or "0").ljust(2, "0")) for m in found.values()}
    return max(minutes) <= MINUTES and _part_evenly(minutes) and not _part_evenly(written)


def _part_evenly(minutes: set[int]) -> bool:
    within = {minute % 60 for minute in minutes}
    return len(within) > 1 and len(within) * gcd(60, *within) == 60


def _from_decimal_hour(cell: str) -> str:
    if not _DECIMAL_HOUR.fullmatch(cell.strip()):
        return cell
    return _clock_at(round(60 * float(cell.strip().replace(",", "."))))


def _of_minutes(cell: str, each: float, first: int) -> str:
    text = cell.strip().removesuffix(".0")
    return _clock_at(round((int(text) - first) * each)) if text.isdecimal() and len(text) <= 5 else cell


def _clock_at(minute: int) -> str:
    return f"{minute // 60:02}:{minute % 60:02}"


def _clock(cell: str, unit: int) -> str:
    text = cell.strip().removesuffix(".0")
    if not text.isdecimal() or len(text) > 6:
        return cell
    digits = int(text) * unit
    return f"{digits // 10_000:02}:{digits // 100 % 100:02}:{digits % 100:02}"


def in_parts(head: Sequence[Row]) -> Fold | None:
    """Return the fold of a table whose year, month, day (or day of the year) and time of the day have columns."""
    for at, row in enumerate(head[:30]):
        named = [" ".join(_BESIDE_PART.sub(" ", cell).replace("_", " ").split()) for cell in row]
        parts = {**_PARTS, "doy": _DAY_OF_YEAR, "hhmm": _HHMM}
        found = {
            part: i for part, name in parts.items() for i, cell in enumerate(named) if name.fullmatch(cell)
        }
        begins = [
            i
            for i, cell in enumerate(row)
            if not named[i] and (words.START.search(cell) or words.END.search(cell))
        ]
        if len(begins) == 1:
            found.setdefault("hhmm", begins[0])
        has_day = {"year", "month", "day"} <= found.keys() or {"year", "doy"} <= found.keys()
        if has_day and (found.keys() & {"hour", "hhmm"}):
            return _joining(at, found)
        if {"hour", "minute"} <= found.keys() and (
            date_at := _date_beside(head[at + 1 :], found)
        ) is not None:
            return _joining(at, {"date": date_at, "hour": found["hour"], "minute": found["minute"]})
    return None


def _date_beside(rows: Sequence[Row], places: Mapping[str, int]) -> int | None:
    """Return the column of dates of rows that have an hour and a minute in columns of their own."""
    spans = {
        part: {row[places[part]].strip().removesuffix(".0") for row in rows if len(row) > places[part]}
        for part in ("hour", "minute")
    }
    hours, minutes = spans["hour"], spans["minute"]
    are_clocks = all(c.isdecimal() and int(c) <= 24 for c in hours) and all(
        c.isdecimal() and int(c) < 60 for c in minutes
    )
    if not are_clocks or len(hours) < 2 or len(minutes) < 2:
        return None
    return next(
        (i for i in range(FURTHEST) if all(len(row) > i and is_day(row[i]) for row in rows[:FEWEST])), None
    )


def _joining(at: int, places: Mapping[str, int]) -> Fold:
    def fold(rows: Iterator[Row]) -> Iterator[Row]:
        for number, row in enumerate(rows):
            rest = [cell for i, cell in enumerate(row) if i not in places.values()]
            yield [_named(row, places) if number == at else _from_parts(row, places), *rest]

    return fold


def _named(row: Row, places: Mapping[str, int]) -> str:
    """Return the heading of the time, with what those of its parts say of which end it is."""
    said = [row[i] for i in places.values() if words.START.search(row[i]) or words.END.search(row[i])]
    return " ".join(["Time", *dict.fromkeys(said)])


def _from_parts(row: Row, places: Mapping[str, int]) -> str:
    cells = {part: row[i].strip().removesuffix(".0") for part, i in places.items() if len(row) > i}
    clock = cells.pop("hhmm", "") if "hour" not in places else ""
    cells.pop("hhmm", None)
    if kind_of(clock) != "time":
        clock = _clock(clock, 100)
    day = cells.pop("date", "").removesuffix(" 00:00:00")
    numbers = all(cell.isdecimal() and len(cell) <= 4 for cell in cells.values())
    if "date" in places:
        clock = f"{int(cells['hour']):02}:{int(cells['minute']):02}" if numbers and len(cells) == 2 else ""
        return f"{day} {clock}".strip()
    if not numbers or len(cells) < len(places.keys() - {"hhmm"}):
        return " ".join(filter(None, cells.values()))
    of = {part: int(cell) for part, cell in cells.items()}
    if "hour" in of:
        clock = f"{of['hour']:02}:{of.get('minute', 0):02}"
    if "month" in of and "day" in of:
        return f"{of['year']:04}-{of['month']:02}-{of['day']:02} {clock}"
    if not 1 <= of["doy"] <= 366 or not EARLIEST_YEAR <= of["year"] <= LATEST_YEAR:
        return " ".join(filter(None, cells.values()))
    return f"{date(of['year'], 1, 1) + timedelta(days=of['doy'] - 1)} {clock}"


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
