"""Hours that go from 1 to 12 twice a day without AM or PM: which half of the day a time is in shows by its order.

A day whose rows show one half alone is told by the days beside it, where the rows go on from them; else its times are
left unreadable, and are rejected.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

from service.intake.export.bare import FURTHEST, Fold, Row
from service.intake.export.layout import kind_of
from service.intake.export.rows import of_kind

HALF_MIN, HOUR_MIN = 720, 60
FALL_MIN = 120
"""By so much a clock goes back at noon and midnight, and never when it is put back."""

MOST_ROWS = 200_000
"""Of a day, which is held until it is known how it goes on."""

NEARLY_ALL = 0.9
LONGEST = 60
FEWEST_HOURS = 8
_CLOCK = re.compile(r"(.*[\sT,]|)(\d{1,2}):([0-5]\d)((?::[0-5]\d)?)\s*", re.S)


class _Time(NamedTuple):
    """A row's date as written, the minutes since noon or midnight, and what follows them."""

    date: str
    minutes: int
    before: str
    after: str


@dataclass
class _Run:
    """Rows of one day, with the minutes at which each stands in its half, and whether it is in the second."""

    date: str
    rows: list[tuple[Row, _Time | None, bool]] = field(default_factory=list)
    first: int = 0
    last: int = 0
    is_second: bool = False


def in_halves(head: list[Row], rows: Callable[[], Iterator[Row]]) -> Fold | None:
    """Return the fold that writes hours 0 to 24; `rows` gives rows enough to know that all have hours 1 to 12."""
    column = next((i for i in range(FURTHEST) if _may_be(head, i)), None)
    if column is None:
        return None
    found = [time for row in rows() if (time := _time(row, column))]
    steps = Counter(
        b.minutes - a.minutes for a, b in pairwise(found) if 0 < abs(b.minutes - a.minutes) < FALL_MIN
    )
    if not steps or not _has_twelve_hours(found):
        return None
    ((step, _),) = steps.most_common(1)
    runs = list(_runs(((row, _time(row, column)) for row in rows()), step))
    if not any(run.is_second and run.last >= HOUR_MIN for run in runs):  # from 5 to 12 may be one morning
        return None
    return lambda given: _written(_runs(((row, _time(row, column)) for row in given), step), column, step)


def _may_be(head: Sequence[Row], column: int) -> bool:
    data = [row for row in head if of_kind(row[:FURTHEST], "date", "datetime")]
    times = [time for row in data if (time := _time(row, column))]
    return len(times) >= NEARLY_ALL * len(data) > 0 and len(times) > 1


def _has_twelve_hours(times: Sequence[_Time]) -> bool:
    """Return whether there are many hours, of which noon or midnight is one."""
    hours = {time.minutes // 60 for time in times}
    return 0 in hours and len(hours) >= FEWEST_HOURS


def _time(row: Row, column: int) -> _Time | None:
    cell = row[column] if len(row) > column else ""
    found = _CLOCK.fullmatch(cell) if len(cell) <= LONGEST else None
    if not found or not 1 <= int(found[2]) <= 12:
        return None
    date = found[1].strip() or next((cell for cell in row[:FURTHEST] if kind_of(cell) == "date"), "")
    return _Time(date, int(found[2]) % 12 * 60 + int(found[3]), found[1], f":{found[3]}{found[4]}")


def _place(time: _Time, step: int) -> int:
    """Return the minutes since the half began in the rows' order, in which the newest may come first."""
    return time.minutes if step > 0 else HALF_MIN + step - time.minutes


def _runs(rows: Iterator[tuple[Row, _Time | None]], step: int) -> Iterator[_Run]:
    run = _Run("")
    for row, time in rows:
        if time is not None:
            place = _place(time, step)
            falls = bool(run.date) and place < run.last - FALL_MIN
            if time.date != run.date or (falls and run.is_second) or len(run.rows) >= MOST_ROWS:
                yield run
                run = _Run(time.date, first=place)
            elif falls:
                run.is_second = True
            run.last = place
        run.rows.append((row, time, run.is_second))
    yield run


def _written(runs: Iterator[_Run], column: int, step: int) -> Iterator[Row]:
    """Give rows with the hours 0 to 23."""
    before, run = None, next(runs, None)
    while run is not None:
        after = next(runs, None)
        later = run.is_second or _is_second_alone(run, before, after, abs(step))
        for row, time, is_second in run.rows:
            if time is None:
                yield row
                continue
            half = is_second if run.is_second else later
            yield [*row[:column], _text(time, half, step), *row[column + 1 :]]
        before, run = run, after


def _is_second_alone(run: _Run, before: _Run | None, after: _Run | None, step: int) -> bool | None:
    """Return whether a run of one half alone is the second, None where the runs beside it do not tell."""
    goes_on = before is not None and before.last >= HALF_MIN - step and run.first <= step
    is_gone_on_from = after is not None and run.last >= HALF_MIN - step and after.first <= step
    return is_gone_on_from if goes_on != is_gone_on_from else None


def _text(time: _Time, is_second: bool | None, step: int) -> str:
    if is_second is None:
        return f"{time.before}{time.minutes // 60 or 12}{time.after} ?"
    hour = time.minutes // 60 + 12 * (is_second == (step > 0))
    return f"{time.before}{hour:02}{time.after}"
