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

from service.verify.result import Finding
from service.verify.run import verify
from tests.reference.open_data import (
    LATITUDE,
    LONGITUDE,
    QUARTER,
    Roof,
    campus_irradiance,
    readings,
    rsf_2022,
    serf_east_2011,
    site,
)

AN_INTERVAL = 15
"""Minutes to which a clock is told: the readings' own interval, and the step of `shifts_ruptures`."""

LATE_BY = timedelta(hours=2)

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


# --- the cause


def _found(*roofs: Roof, first: str, days: int) -> dict[str, Finding]:
    return {f.cause: f for f in verify(site(*roofs), readings(*roofs, first=first, days=days)).findings}


def _minutes_late(*roofs: Roof, first: str, days: int) -> int | None:
    finding = _found(*roofs, first=first, days=days).get("clock_shift")
    return None if finding is None else int(finding.details["minutes"])


@pytest.mark.parametrize("month", [5, 6, 7, 8, 9])
def test_a_week_of_summer_is_an_hour_late(serf_east: Roof, month: int) -> None:
    """The first week of each month of 2012 that lies whole in summer time; one plane, one unit."""
    late = _minutes_late(serf_east, first=f"2012-{month:02}-01", days=7)
    assert late == pytest.approx(60, abs=AN_INTERVAL)


def test_a_week_of_october_is_an_hour_late(serf_east: Roof) -> None:
    assert _minutes_late(serf_east, first="2012-10-01", days=7) == pytest.approx(60, abs=AN_INTERVAL)


@pytest.mark.parametrize("day", ["2012-07-10", "2012-09-20", "2013-06-21", "2013-08-20"])
def test_one_clear_summer_day_is_an_hour_late(serf_east: Roof, day: str) -> None:
    assert _minutes_late(serf_east, first=day, days=1) == pytest.approx(60, abs=AN_INTERVAL)


def test_one_clear_day_of_march_is_an_hour_late(serf_east: Roof) -> None:
    assert _minutes_late(serf_east, first="2012-03-22", days=1) == pytest.approx(60, abs=AN_INTERVAL)


@pytest.mark.parametrize("first", ["2012-01-15", "2012-02-13", "2012-12-18", "2013-01-10"])
def test_the_right_clock_of_winter_is_left_alone(serf_east: Roof, first: str) -> None:
    assert not {"clock_shift", "plane_misdescribed"} & _found(serf_east, first=first, days=7).keys()


@pytest.mark.parametrize(
    ("first", "days"),
    [
        ("2011-11-29", 1),
        ("2011-12-10", 1),
        ("2011-12-13", 1),
        ("2012-11-12", 1),
        ("2011-11-24", 7),
        ("2011-12-08", 7),
        ("2013-01-01", 7),
        ("2013-01-15", 7),
        ("2013-11-10", 7),
        ("2013-11-24", 7),
    ],
)
def test_the_right_clock_of_clear_winter_days_is_left_alone(serf_east: Roof, first: str, days: int) -> None:
    """Those whose curves come 13 to 15 minutes early, as by a hill in the west."""
    assert not {"clock_shift", "plane_misdescribed"} & _found(serf_east, first=first, days=days).keys()


@pytest.mark.parametrize(("first", "change"), [("2012-03-08", "2012-03-11"), ("2013-03-07", "2013-03-10")])
def test_summer_time_begins_within_the_week(serf_east: Roof, first: str, change: str) -> None:
    finding = _found(serf_east, first=first, days=7)["clock_shift"]
    assert finding.details["minutes"] == 60
    assert finding.first_seen is not None
    assert f"{finding.first_seen:%Y-%m-%d}" == change


@pytest.mark.parametrize(
    ("first", "change"),
    [("2011-11-03", "2011-11-06"), ("2012-11-01", "2012-11-04"), ("2013-10-31", "2013-11-03")],
)
def test_summer_time_ends_within_the_week(serf_east: Roof, first: str, change: str) -> None:
    finding = _found(serf_east, first=first, days=7)["clock_shift"]
    assert finding.details["minutes"] == 60
    assert finding.last_seen is not None
    assert f"{finding.last_seen:%Y-%m-%d}" == change


@pytest.mark.parametrize(
    ("first", "days"), [("2022-01-02", 1), ("2022-01-03", 1), ("2022-01-04", 1), ("2022-01-02", 4)]
)
def test_an_inverter_is_two_hours_late(first: str, days: int) -> None:
    assert _minutes_late(rsf_2022()[0], first=first, days=days) == pytest.approx(120, abs=AN_INTERVAL)


def test_the_weaker_inverter_is_two_hours_late_over_four_days() -> None:
    assert _minutes_late(rsf_2022()[1], first="2022-01-02", days=4) == pytest.approx(120, abs=AN_INTERVAL)


@pytest.mark.xfail(
    strict=True, reason="two like units of which one gives 0.6 of the other: shade is named instead"
)
def test_both_inverters_on_one_plane_are_two_hours_late() -> None:
    assert _minutes_late(*rsf_2022(), first="2022-01-02", days=4) == pytest.approx(120, abs=AN_INTERVAL)


@pytest.mark.parametrize(
    ("first", "days"), [("2022-01-02", 1), ("2022-01-03", 1), ("2022-01-04", 1), ("2022-01-02", 4)]
)
def test_with_its_labels_put_right_the_inverter_is_left_alone(first: str, days: int) -> None:
    found = _found(rsf_2022(later=-LATE_BY)[0], first=first, days=days)
    assert not {"clock_shift", "plane_misdescribed"} & found.keys()
