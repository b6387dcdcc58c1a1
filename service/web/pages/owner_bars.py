"""The owner's one small chart: what was made within what was to be expected, by day, or by month once there are many.

Drawn by the template from the places here; the same numbers stand in words and in a table beside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby

from babel.dates import format_date

from service.report import words
from service.report.language import current_locale
from service.report.language import gettext as _
from service.store.site_days import Day

HEIGHT, STEP, WIDTH = 140, 26, 20
"""Of the highest bar, from one bar to the next, and of a bar; in a picture as wide as a phone."""

DAYS_SHOWN, MONTHS_SHOWN = 14, 13
MONTHS_FROM = timedelta(days=75)
"""So long after the first day months are shown: before that there are too few to compare."""


@dataclass(frozen=True)
class Bar:
    """One day or month: its place in the picture, what it is called, and its numbers as they are read."""

    x: int
    made_height: float
    due_height: float
    above: str
    below: str
    name: str
    made: str
    due: str

    @property
    def middle(self) -> float:
        """Return where the name stands."""
        return self.x + WIDTH / 2


@dataclass(frozen=True)
class Bars:
    """The picture, and what it shows in words."""

    width: int
    bars: tuple[Bar, ...]
    title: str
    alt: str


@dataclass(frozen=True)
class _Sum:
    """A day or a month before it is drawn; nothing was heard of it where both are 0."""

    first: date
    made_wh: float
    due_wh: float


def bars(days: Sequence[Day]) -> Bars | None:
    """Return the picture of days in order, None where there is nothing to draw."""
    if not any(day.expected_wh or day.measured_wh for day in days):
        return None
    by_month = days[-1].day - days[0].day >= MONTHS_FROM
    sums = _months(days) if by_month else _days(days)
    tallest = max(max(one.made_wh, one.due_wh) for one in sums) or 1.0
    drawn = tuple(_bar(i, one, tallest, by_month=by_month) for i, one in enumerate(sums))
    said = "; ".join(
        f"{bar.name}: {words.energy_of(s.made_wh, s.due_wh)}" for bar, s in zip(drawn, sums, strict=True)
    )
    title = _("Month by month") if by_month else _("The last days")
    return Bars(
        len(drawn) * STEP, drawn, title, _("Made, of what was to be expected. %(all)s.") % {"all": said}
    )


def _days(days: Sequence[Day]) -> list[_Sum]:
    known = {day.day: day for day in days}
    count = min(DAYS_SHOWN, (days[-1].day - days[0].day).days + 1)
    shown = [days[-1].day - timedelta(days=count - 1 - n) for n in range(count)]
    found = [(day, known.get(day, Day(day))) for day in shown]
    return [_Sum(day, one.measured_wh, one.expected_wh) for day, one in found]


def _months(days: Sequence[Day]) -> list[_Sum]:
    by_month = groupby(days, key=lambda day: day.day.replace(day=1))
    sums = [(first, list(of_month)) for first, of_month in by_month]
    return [
        _Sum(first, sum(d.measured_wh for d in each), sum(d.expected_wh for d in each))
        for first, each in sums[-MONTHS_SHOWN:]
    ]


def _bar(index: int, one: _Sum, tallest: float, *, by_month: bool) -> Bar:
    made, due = (round(HEIGHT * wh / tallest, 1) for wh in (one.made_wh, one.due_wh))
    above, below, name = _month_names(index, one.first) if by_month else _day_names(one.first)
    x = index * STEP + (STEP - WIDTH) // 2
    return Bar(x, made, due, above, below, name, words.energy(one.made_wh), words.energy(one.due_wh))


def _day_names(day: date) -> tuple[str, str, str]:
    return _formatted(day, "EEEEEE").rstrip("."), str(day.day), words.short_day(day)


def _month_names(index: int, first: date) -> tuple[str, str, str]:
    year = str(first.year) if index == 0 or first.month == 1 else ""
    return _formatted(first, "LLL").rstrip(".")[:4], year, _formatted(first, "LLLL y")


def _formatted(day: date, form: str) -> str:
    return format_date(day, form, locale=current_locale())
