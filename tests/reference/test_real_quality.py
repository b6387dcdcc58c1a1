"""Trouble in readings that were really sent, and a second opinion on each from the `pvanalytics` package (MIT).

`ac_power_inv_2173_stale_data.csv`: a month of one inverter's quarter hours, over the highest, with the package's own
mask of the values that stand still. `system_50_ac_power_2_full_DST.parquet`: SERF East, whose labels follow summer time
on a standard clock (test_real_clock.py). Where the first system stands is not said: all its intervals count as lit.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from pvanalytics.quality.gaps import stale_values_diff  # type: ignore[import-untyped]
from pvanalytics.quality.time import shifts_ruptures  # type: ignore[import-untyped]

from service.quality import clock, stale
from service.quality.model import Arrived
from tests.reference.open_data import DATA

QUARTER_MIN = 15
A_FEW = 3
"""Values at both ends of a run that one counts and the other does not: the first, and those that end it."""

CHANGE = pd.Timestamp("2012-03-11")
"""Start of summer time in the United States in 2012."""


def _arrived(watts: pd.Series, elevation_deg: np.ndarray) -> Arrived:
    """Return one unit's readings on the full grid of quarter hours."""
    start_s = int(watts.index[0].timestamp())
    return Arrived(
        serials=("unit",),
        start_s=start_s,
        interval_min=QUARTER_MIN,
        energy_wh=watts.to_numpy(dtype=np.float64)[None] / 4,
        fitted=np.ones((1, len(watts)), dtype=bool),
        rated_wh=np.array([watts.max() / 4]),
        plane=np.zeros(1, dtype=np.int64),
        elevation_deg=elevation_deg,
        day=((start_s + 900 * np.arange(len(watts))) // 86_400).astype(np.int64),
    )


def test_values_that_stood_still_in_a_real_month() -> None:
    data = pd.read_csv(DATA / "ac_power_inv_2173_stale_data.csv", index_col=0, parse_dates=True)
    data = data[~data.index.duplicated()].asfreq("15min")
    watts = 1000 * data["value_normalized"]
    (found,) = stale.find(_arrived(watts, np.full(len(watts), 45.0)))

    marked = data["stale_data_mask"].eq(True) & (watts > 0)
    second = stale_values_diff(watts) & (watts > 0)
    assert marked.sum() > 100
    runs = int((marked & ~marked.shift(fill_value=False)).sum())
    assert found.values == pytest.approx(marked.sum(), abs=A_FEW * runs)
    assert found.values == pytest.approx(second.sum(), abs=A_FEW * runs)
    assert found.first == marked.idxmax() + pd.Timedelta(minutes=QUARTER_MIN)


def _serf_east(first: str, last: str) -> pd.Series:
    data = pd.read_parquet(DATA / "system_50_ac_power_2_full_DST.parquet")
    moments = pd.DatetimeIndex(data["measured_on"]).tz_convert("UTC")
    watts = pd.Series(data["ac_power_2"].to_numpy(), index=moments)
    watts = watts[~watts.index.duplicated()].asfreq("15min")
    return watts[first:last]  # type: ignore[misc]


def _middays(watts: pd.Series) -> pd.Series:
    """Return the middle of each local day's output, in minutes of the day of standard time."""
    giving = watts.index[watts > 0.01 * watts.max()].tz_convert("Etc/GMT+7").to_series()
    by_day = giving.groupby(giving.dt.normalize().dt.tz_localize(None))
    middle = by_day.min() + (by_day.max() - by_day.min()) / 2
    return middle.dt.hour * 60 + middle.dt.minute


def test_a_clock_that_really_changed_is_seen_in_the_stamps() -> None:
    watts = _serf_east("2012-03-04 07:00", "2012-03-18 06:45")
    sent = _arrived(watts, np.zeros(len(watts)))
    local = pd.DatetimeIndex(watts.index).tz_convert("Etc/GMT+7")
    day = (local.tz_localize(None).normalize() - pd.Timestamp(0)).days.to_numpy()
    (found,) = clock.find(replace(sent, day=day.astype(np.int64)))

    assert found.numbers["minutes"] == pytest.approx(60, abs=QUARTER_MIN)
    seen = pd.Timestamp(found.first).tz_convert("Etc/GMT+7").tz_localize(None).normalize()
    assert (
        CHANGE <= seen <= CHANGE + pd.Timedelta(days=1)
    )  # the first day of which both ends of the light are told

    middays = _middays(_serf_east("2012-01-15 07:00", "2012-05-15 06:45")).asfreq("D")
    usual = pd.Series(middays[:CHANGE].median(), index=middays.index)  # type: ignore[misc]
    _, amounts = shifts_ruptures(middays, usual, period_min=15, shift_min=QUARTER_MIN, zscore_cutoff=1.5)
    week = pd.Timedelta(days=7)
    step = amounts[CHANGE + week] - amounts[CHANGE - week]
    assert step == pytest.approx(
        found.numbers["minutes"], abs=QUARTER_MIN
    )  # noon itself moves by some minutes
