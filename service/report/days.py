"""A verification's curves cut into local days, for charts, cells and tables of days.

Measured and expected are always taken over the same intervals, those in which the unit was heard: a gap in
one alone would bend every comparison. Not for judging: what is healthy is said by the verification.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from service.verify.result import Curves

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
DAY_MIN = 24 * 60


@dataclass(frozen=True)
class Series:
    """Energies on the site's clock: T intervals, each with its day (index into `days`) and minute of that day.

    `measured_wh` is NaN where nothing was heard; `expected_wh` is always given.
    """

    interval_min: int
    days: tuple[date, ...]
    day: Ints
    minute: Ints
    measured_wh: Floats
    expected_wh: Floats

    @property
    def heard(self) -> NDArray[np.bool_]:
        """Return where a value was heard and one is expected."""
        return np.isfinite(self.measured_wh) & np.isfinite(self.expected_wh)


@dataclass(frozen=True)
class DayTotal:
    """One local day: energies over the intervals heard, and the share of expected energy that these hold."""

    day: date
    measured_wh: float
    expected_wh: float
    heard_share: float

    @property
    def ratio(self) -> float | None:
        """Return measured over expected energy; None where nothing was to be expected."""
        return self.measured_wh / self.expected_wh if self.expected_wh > 0 else None


@dataclass(frozen=True)
class Profile:
    """The course of a day: mean power per time step, W.

    `measured_w` is NaN where nothing was heard, both are outside the window.
    """

    step_min: int
    measured_w: Floats
    expected_w: Floats


def unit_series(curves: Curves, serial: str, zone: ZoneInfo) -> Series:
    """Return one unit's series; nothing heard and nothing expected where the curves do not hold the unit."""
    days, day, minute = _clock(curves, zone)
    measured = _values(curves.measured_wh.get(serial), len(day), np.nan)
    expected = _values(curves.expected_wh.get(serial), len(day), 0.0)
    return Series(curves.interval_min, days, day, minute, measured, expected)


def sum_series(curves: Curves, serials: Iterable[str], zone: ZoneInfo) -> Series:
    """Return the sum of units, over the intervals in which each was heard; NaN where none was."""
    days, day, minute = _clock(curves, zone)
    measured, expected = np.zeros(len(day)), np.zeros(len(day))
    heard_any = np.zeros(len(day), dtype=bool)
    for serial in serials:
        unit = unit_series(curves, serial, zone)
        measured += np.where(unit.heard, unit.measured_wh, 0.0)
        expected += np.where(unit.heard, unit.expected_wh, 0.0)
        heard_any |= unit.heard
    measured[~heard_any] = np.nan
    return Series(curves.interval_min, days, day, minute, measured, expected)


def totals(series: Series) -> list[DayTotal]:
    """Return each day's energies."""
    count = len(series.days)
    heard = series.heard
    measured = np.bincount(series.day[heard], series.measured_wh[heard], count)
    expected = np.bincount(series.day[heard], series.expected_wh[heard], count)
    whole = np.bincount(series.day, np.nan_to_num(series.expected_wh), count)
    share = np.divide(expected, whole, out=np.zeros(count), where=whole > 0)
    rows = zip(series.days, measured, expected, share, strict=True)
    return [DayTotal(d, float(m), float(e), float(s)) for d, m, e, s in rows]


def mean_profile(series: Series, step_min: int = 30) -> Profile:
    """Return the mean day of the whole series in steps of `step_min` (or of the interval, if that is longer)."""
    return _profile(series, np.ones(len(series.day), dtype=bool), step_min)


def day_profile(series: Series, day: date, step_min: int = 30) -> Profile:
    """Return one day's course; empty of readings for a day that the series does not hold."""
    index = series.days.index(day) if day in series.days else -1
    return _profile(series, series.day == index, step_min)


def clock(minute: int) -> str:
    """Return a minute of the day as a clock shows it."""
    return f"{minute // 60}:{minute % 60:02d}"


def light_minutes(series: Iterable[Series]) -> tuple[int, int]:
    """Return first and last minute of the local day with energy to be expected, over all series; whole hours."""
    first, last = DAY_MIN, 0
    for one in series:
        lit = one.minute[np.nan_to_num(one.expected_wh) > 0]
        if len(lit):
            first, last = min(first, int(lit.min())), max(last, int(lit.max()) + one.interval_min)
    return (first // 60 * 60, min(DAY_MIN, -(-last // 60) * 60)) if first < last else (6 * 60, 18 * 60)


def _profile(series: Series, chosen: NDArray[np.bool_], step_min: int) -> Profile:
    step = max(step_min, series.interval_min)
    count = -(-DAY_MIN // step)
    slot = series.minute // step
    hours = series.interval_min / 60
    heard = chosen & series.heard
    measured = _mean(slot[heard], series.measured_wh[heard], count) / hours
    compared = _mean(slot[heard], series.expected_wh[heard], count) / hours
    any_expected = chosen & np.isfinite(series.expected_wh)
    unheard = _mean(slot[any_expected], series.expected_wh[any_expected], count) / hours
    return Profile(step, measured, np.where(np.isnan(measured), unheard, compared))


def _mean(slot: Ints, values: Floats, count: int) -> Floats:
    number = np.bincount(slot, minlength=count)
    total = np.bincount(slot, values, count)
    return np.asarray(np.divide(total, number, out=np.full(count, np.nan), where=number > 0))


def _clock(curves: Curves, zone: ZoneInfo) -> tuple[tuple[date, ...], Ints, Ints]:
    lengths = [*map(len, curves.measured_wh.values()), *map(len, curves.expected_wh.values())]
    count = max(lengths, default=0)
    return _local_grid(curves.start, curves.interval_min, count, zone)


@lru_cache(maxsize=16)
def _local_grid(
    start: datetime, interval_min: int, count: int, zone: ZoneInfo
) -> tuple[tuple[date, ...], Ints, Ints]:
    utc = pd.date_range(start, periods=count, freq=pd.Timedelta(minutes=interval_min))
    local = utc.tz_convert(zone)
    codes, days = pd.factorize(local.tz_localize(None).normalize())
    day = np.asarray(codes, dtype=np.int64)
    minute = np.asarray(local.hour * 60 + local.minute, dtype=np.int64)
    day.flags.writeable = minute.flags.writeable = False
    return tuple(d.date() for d in days), day, minute


def _values(values: list[float | None] | list[float] | None, count: int, missing: float) -> Floats:
    padded = np.full(count, missing)
    if values is not None:
        padded[: len(values)] = np.array(values, dtype=float)
    return padded
