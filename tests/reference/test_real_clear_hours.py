"""The sky that an array shows against a pyranometer on the same campus and pvlib's clear-sky detection.

Array: the two inverters of RSF II, their labels brought back by the two hours that they are late (see
test_real_clock.py). Pyranometer: `rmis_weather_data.csv` of the `pvanalytics` package, five-minute means of global
horizontal irradiance by the campus's reference meteorological station, 2022-01-01 to 04. Clear times by
`pvlib.clearsky.detect_clearsky` (Reno & Hansen, Renewable Energy 90, 520-531, 2016; limits for the interval by
Jordan & Hansen, Renewable Energy 209, 393-400, 2023).

The two mean different things by clear. The detection wants irradiance as high as a clear sky's *and* as smooth for an
hour; `clear_share` wants the level alone, interval by interval, and takes it from the array's own power, over that of
its own level hours where there are enough. So they part where broken cloud happens to give the clear level.
"""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pandas as pd
import pytest
from pvlib import clearsky
from pvlib.location import Location

from service.verify.case import Case
from service.verify.ranking import CLEAR, sky_result
from service.verify.run import build_case
from tests.reference.open_data import (
    ELEVATION_M,
    LATITUDE,
    LONGITUDE,
    QUARTER,
    STANDARD_TIME,
    campus_irradiance,
    readings,
    rsf_2022,
    site,
)

pytestmark = [
    pytest.mark.filterwarnings(f"ignore:{inside_pvlib}")
    for inside_pvlib in (
        "DatetimeIndex.values returning",
        "A future version of pandas will return a BaseOffset",
    )
]

SUN_WELL_UP = 78.0
"""Zenith, degrees: lower, the array's own horizon and the model's error at grazing light are what is seen."""

FOLLOWS = 0.9
"""Least correlation between the array's clear-sky index and the pyranometer's on a day of broken cloud."""

LEVEL_KNOWN = 0.15
"""How far a whole roof may lie from the clear-sky model: 10 % for model, rating and dirt, and some of snow."""

AGREES = 0.75
"""Least share of the quarter hours of a mixed day that both call clear or both not; 0.81 when this was written."""

CLEAR_DAY, BROKEN_DAY, MIXED_DAY = "2022-01-02", "2022-01-03", "2022-01-04"


@pytest.fixture(scope="module")
def pyranometer() -> pd.DataFrame:
    """Return the campus's clear-sky index and whether the quarter hour was clear throughout, by its start."""
    ghi = campus_irradiance()["Global Horizontal"].asfreq("5min").interpolate()
    place = Location(LATITUDE, LONGITUDE, STANDARD_TIME, ELEVATION_M)
    model = place.get_clearsky(ghi.index + pd.Timedelta(minutes=2.5)).set_axis(ghi.index)["ghi"]
    clear = clearsky.detect_clearsky(ghi, model, infer_limits=True)
    quarters = pd.DataFrame({"ghi": ghi, "model": model, "clear": clear}).resample(QUARTER).mean()
    quarters["clear"] = quarters["clear"] == 1
    zenith = place.get_solarposition(quarters.index + QUARTER / 2)["apparent_zenith"].to_numpy()
    quarters["index"] = quarters["ghi"] / quarters["model"].where(quarters["model"] > 1)
    return quarters[zenith < SUN_WELL_UP]


def _case(day: str) -> Case:
    pair = rsf_2022(later=-timedelta(hours=2))
    return build_case(site(*pair), readings(*pair, first=day, days=1))


def _index(case: Case, at: pd.DatetimeIndex) -> pd.Series:
    starts = case.day.grid.starts()[case.day.positions].tz_convert(STANDARD_TIME)
    return pd.Series(np.where(case.array_sky.known, case.array_sky.index, np.nan), starts).reindex(at)


def _clear(index: pd.Series) -> pd.Series:
    return index.between(*CLEAR)


@pytest.mark.parametrize("day", [BROKEN_DAY, MIXED_DAY])
def test_the_array_sees_the_clouds_that_the_pyranometer_sees(pyranometer: pd.DataFrame, day: str) -> None:
    theirs = pyranometer.loc[day, "index"]
    ours = _index(_case(day), theirs.index)
    assert ours.notna().all()
    assert ours.corr(theirs) >= FOLLOWS


@pytest.mark.parametrize("day", [BROKEN_DAY, MIXED_DAY])
def test_the_array_knows_how_bright_the_sky_was(pyranometer: pd.DataFrame, day: str) -> None:
    theirs = pyranometer.loc[day, "index"]
    assert (_index(_case(day), theirs.index) / theirs).median() == pytest.approx(1, abs=LEVEL_KNOWN)


def test_a_mixed_day_is_clear_at_the_same_hours(pyranometer: pd.DataFrame) -> None:
    theirs = pyranometer.loc[MIXED_DAY]
    ours = _clear(_index(_case(MIXED_DAY), theirs.index))
    assert 0.3 < theirs["clear"].mean() < 0.8
    assert (ours == theirs["clear"]).mean() >= AGREES


def test_broken_cloud_at_the_clear_level_is_where_they_part(pyranometer: pd.DataFrame) -> None:
    """The detection calls no quarter hour of the day clear; where we do, the irradiance is a clear sky's in level."""
    theirs = pyranometer.loc[BROKEN_DAY]
    ours = _clear(_index(_case(BROKEN_DAY), theirs.index))
    assert not theirs["clear"].any()
    assert ours.any()
    assert theirs["index"][ours].between(0.9, 1.4).all()


def test_a_clear_day_is_clear_on_a_roof_below_its_record_too(pyranometer: pd.DataFrame) -> None:
    assert pyranometer.loc[CLEAR_DAY, "clear"].all()
    share = sky_result(_case(CLEAR_DAY)).clear_share
    assert share is not None
    assert share >= AGREES
