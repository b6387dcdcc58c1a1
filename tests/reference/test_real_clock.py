"""Clocks that were really wrong: the cause `clock_shift` on measured power, and a second opinion on each.

SERF East 2011 to 2013 (`system_50_ac_power_2_full_DST.parquet`): labels follow summer time on a standard clock, so
that they are an hour late from March to November. RSF II, January 2022 (`nrel_RSF_II.csv`): labels two hours late.
"""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pandas as pd
import pytest
from pvanalytics.quality.time import has_dst, shifts_ruptures  # type: ignore[import-untyped]
from pvlib import solarposition

from tests.reference.open_data import (
    LATITUDE,
    LONGITUDE,
    QUARTER,
    Roof,
    campus_irradiance,
    rsf_2022,
    serf_east_2011,
)

CHANGE = "2012-03-11"
"""Start of summer time in the United States in 2012."""


@pytest.fixture(scope="module")
def serf_east() -> Roof:
    return serf_east_2011()


# --- the second opinion


def _minutes(moments: pd.Series) -> pd.Series:
    return moments.dt.hour * 60 + moments.dt.minute + moments.dt.second / 60


def _middays(watts: pd.Series) -> pd.Series:
    """Return the middle between the first and last output of each day."""
    giving = watts.index[watts > 0.01 * watts.max()].to_series()
    by_day = giving.groupby(giving.dt.normalize())
    first, last = by_day.min(), by_day.max() + QUARTER
    return (first + (last - first) / 2).asfreq("D")


def _solar_middays(days: pd.DatetimeIndex) -> pd.Series:
    sun = solarposition.sun_rise_set_transit_spa(days, LATITUDE, LONGITUDE)
    return sun["sunrise"] + (sun["sunset"] - sun["sunrise"]) / 2


def test_the_labels_go_forward_by_an_hour_on_the_day_of_the_change(serf_east: Roof) -> None:
    """`pvanalytics.quality.time.shifts_ruptures`, settings of the gallery's "PV Fleets QA Process: Power".

    Its amounts are those of the day's middle, which a roof that faces south-south-east has earlier than the sun: the
    step between them is the clock's.
    """
    middays = _middays(serf_east.watts["2012-01-15":"2012-05-15"])
    solar = _solar_middays(pd.DatetimeIndex(middays.index))
    _, amount = shifts_ruptures(
        _minutes(middays), _minutes(solar), period_min=15, shift_min=15, zscore_cutoff=1.5
    )
    step = amount.diff()
    steps = step[step.fillna(0) != 0]
    assert [str(day.date()) for day in steps.index] == [CHANGE]
    assert steps.iloc[0] == 60


def test_the_labels_change_with_summer_time(serf_east: Roof) -> None:
    """`pvanalytics.quality.time.has_dst`: on the days of change of this zone, and only there."""
    middays = _middays(serf_east.watts["2012-01-15":"2012-05-15"]).dropna()
    found = has_dst(middays, "America/Denver", missing="warn")
    assert [str(day.date()) for day in found.index[found]] == [CHANGE]


@pytest.mark.parametrize("inverter", [0, 1])
@pytest.mark.parametrize("day", ["2022-01-02", "2022-01-03", "2022-01-04"])
def test_the_power_comes_two_hours_after_the_campus_irradiance(day: str, inverter: int) -> None:
    """The labels of RSF II against the campus's meteorological station: best correlation at 120 minutes."""
    watts = rsf_2022()[inverter].watts
    light = campus_irradiance()["Global Horizontal"].resample(QUARTER).mean()[day]
    minutes = np.arange(-240, 241, 15)
    fits = [light.corr(watts.shift(freq=-timedelta(minutes=int(m))).reindex(light.index)) for m in minutes]
    assert minutes[int(np.argmax(fits))] == 120
    assert max(fits) > 0.99
