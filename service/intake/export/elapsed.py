"""Times that are told from another: what has gone by since one that stands above, and intervals of ISO 8601."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, timedelta
from itertools import pairwise

import pandas as pd

from service.intake.export import words
from service.intake.export.bare import FEWEST, FURTHEST, Fold, Row

_SINCE = re.compile(
    r"elapsed|\bsince\b|verstrichen|vergangen|\bseit\b|écoulé|depuis|trascors|transcurrid|verstreken", re.I
)
_SECONDS = (
    (re.compile(r"\b(s|secs?|seconds?|sekunden?|secondes?|segundos?|secondi)\b", re.I), 1),
    (re.compile(r"\b(min|minutes?|minuten?|minutos?|minuti)\b", re.I), 60),
    (re.compile(r"\b(h|hrs?|hours?|stunden?|heures?|horas?|ore|uren)\b", re.I), 3600),
    (re.compile(r"\b(d|days?|tagen?|jours?|d[ií]as?|giorni|dagen)\b", re.I), 86_400),
)
_START = re.compile(
    r"(?<!\d)(\d{4}-\d\d-\d\d|\d{1,2}\.\d{1,2}\.\d{4})[T ,]+(\d{1,2}:\d\d(?::\d\d)?)"
    r"(?:\s?\(?((?:UTC|GMT)?[+-]\d\d:?\d\d|UTC|GMT|Z)\b)?"
)
_CLOCK = re.compile(r"(\d{1,4}):([0-5]\d)(?::([0-5]\d))?")
_NUMBER = re.compile(r"\d{1,9}(?:[.,]\d+)?")
_INTERVAL = re.compile(r"\s*(\d{4}-?\d\d-?\d\dT[^/\s]{4,20})/([P\d][^/\s]{2,30})\s*")


def elapsed(head: Sequence[Row]) -> Fold | None:
    """Return the fold of a table that says how long after a start, which is named above, each of its rows is."""
    for at, row in enumerate(head[:30]):
        for column, heading in enumerate(row[:FURTHEST]):
            start = _start_of(heading, head[:at]) if _SINCE.search(heading) else None
            if start is None:
                continue
            cells = [r[column].strip() for r in head[at + 1 :] if len(r) > column and r[column].strip()]
            if len(cells) >= FEWEST and (read := _reader_of(cells, heading)):
                return _telling(column, at, *start, read)
    return None


def _start_of(heading: str, above: Sequence[Row]) -> tuple[datetime, str] | None:
    """Return the one time that the heading names, or a line above that speaks of a start, and its zone as written."""
    lines = [" ".join(row) for row in above]
    said = " ".join(line for line in lines if words.START.search(line))
    found = {m.groups() for m in _START.finditer(heading)} or {m.groups() for m in _START.finditer(said)}
    if len(found) != 1:
        return None
    day, clock, zone = found.pop()
    form = "%Y-%m-%d" if day[4:5] == "-" else "%d.%m.%Y"
    try:
        at = datetime.strptime(f"{day} {clock}", f"{form} %H:%M{':%S' * (clock.count(':') - 1)}")  # noqa: DTZ007
    except ValueError:
        return None
    return at, zone or ""


def _reader_of(cells: Sequence[str], heading: str) -> Callable[[str], float | None] | None:
    """Return what makes seconds of the cells, which never go back: of 25:15 and 25:15:00, or of numbers of one unit."""
    plain = _START.sub(" ", heading)
    each = [factor for unit, factor in _SECONDS if unit.search(plain)]
    if all(map(_CLOCK.fullmatch, cells)) and not re.search(r"(?<!h:)\bm?m:ss", plain, re.I):
        read = _of_clock
    elif len(each) == 1 and all(map(_NUMBER.fullmatch, cells)):
        factor = each[0]

        def read(cell: str) -> float | None:
            if not _NUMBER.fullmatch(cell):
                return None
            exact = float(cell.replace(",", ".")) * factor
            return round(exact / 60) * 60 if factor > 60 else exact  # hours such as 0.08 are of whole minutes
    else:
        return None
    found = [seconds for cell in cells if (seconds := read(cell)) is not None]
    return read if all(a <= b for a, b in pairwise(found)) else None


def _of_clock(cell: str) -> float | None:
    found = _CLOCK.fullmatch(cell)
    return int(found[1]) * 3600 + int(found[2]) * 60 + int(found[3] or 0) if found else None


def _telling(
    column: int, heading: int, start: datetime, zone: str, read: Callable[[str], float | None]
) -> Fold:
    def fold(rows: Iterator[Row]) -> Iterator[Row]:
        for at, row in enumerate(rows):
            cell = row[column].strip() if len(row) > column else ""
            seconds = read(cell) if at > heading and cell else None
            if seconds is None:
                yield row
                continue
            time = (start + timedelta(seconds=round(seconds))).isoformat(" ")
            yield [*row[:column], f"{time} {zone}".strip(), *row[column + 1 :]]

    return fold


def intervals(head: Sequence[Row]) -> Fold | None:
    """Return the fold of a table with ISO 8601 intervals such as 2026-06-14T08:00Z/PT15M: columns of start and end."""
    places = [(i, c) for i, row in enumerate(head) for c, cell in enumerate(row[:FURTHEST]) if _ends(cell)]
    if len(places) < FEWEST or len({column for _, column in places}) > 1:
        return None
    first, column = places[0]
    heading = max((i for i in range(first) if any(head[i])), default=-1)

    def fold(rows: Iterator[Row]) -> Iterator[Row]:
        for at, row in enumerate(rows):
            cell = row[column] if len(row) > column else ""
            both = (f"{cell} (start)", f"{cell} (end)") if at == heading else _ends(cell) or (cell, "")
            yield [*row[:column], *both, *row[column + 1 :]]

    return fold


def _ends(cell: str) -> tuple[str, str] | None:
    """Return the start and the end of an interval, None if it is none."""
    found = _INTERVAL.fullmatch(cell)
    if not found:
        return None
    try:
        start = datetime.fromisoformat(found[1])
        if not found[2].startswith("P"):
            return start.isoformat(), datetime.fromisoformat(found[2]).isoformat()
        return start.isoformat(), (start + pd.Timedelta(found[2]).to_pytimedelta()).isoformat()
    except (ValueError, OverflowError):
        return None
