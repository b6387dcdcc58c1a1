from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pvlib.solarposition import spa_python

from service.expect.grid import Grid
from service.expect.site import Site
from service.expect.sun import Sun, sun_for

NODE_ERROR_DEG = 2e-5
"""What linear interpolation between two-hourly nodes may cost."""


def _full_day(month: int, day: int, interval_min: int = 5) -> Grid:
    return Grid(datetime(2026, month, day, tzinfo=UTC), interval_min, 1440 // interval_min)


@settings(max_examples=25, deadline=None)
@given(
    latitude=st.floats(-89.9, 89.9),
    longitude=st.floats(-180, 180),
    elevation_m=st.floats(-400, 4000),
    day=st.integers(0, 3650),
)
def test_positions_are_those_of_the_full_algorithm(
    latitude: float, longitude: float, elevation_m: float, day: int
) -> None:
    start = datetime.fromtimestamp(1_700_000_000 + day * 86400, tz=UTC)
    grid = Grid(start, 60, 24)
    sun = sun_for(grid, latitude=latitude, longitude=longitude, elevation_m=elevation_m)
    middle = grid.step_starts() + pd.Timedelta(seconds=150)
    full = spa_python(middle, latitude, longitude, altitude=elevation_m, pressure=sun.pressure_pa)
    whole_step = (sun.up_share == 1) & (sun.apparent_zenith_deg < 89)
    miss = np.abs(sun.apparent_zenith_deg - full["apparent_zenith"].to_numpy())
    turn = np.abs((sun.azimuth_deg - full["azimuth"].to_numpy() + 180) % 360 - 180)
    assert miss[whole_step].max(initial=0) < NODE_ERROR_DEG
    sideways = turn * np.sin(np.radians(sun.apparent_zenith_deg))
    assert sideways[whole_step].max(initial=0) < NODE_ERROR_DEG


def test_shares_add_up_to_the_day_length(sun: Sun) -> None:
    rise, fall = np.flatnonzero((sun.up_share > 0) & (sun.up_share < 1))
    assert (sun.up_share[rise + 1 : fall] == 1).all()
    assert sun.up_share[:rise].sum() == 0
    assert sun.up_share[fall + 1 :].sum() == 0


def test_day_length_does_not_depend_on_the_interval() -> None:
    hours = []
    for interval_min in (5, 15, 60):
        grid = _full_day(6, 21, interval_min)
        sun = sun_for(grid, latitude=53.8, longitude=-1.55, elevation_m=0)
        hours.append(sun.up_share.sum() * grid.step_hours)
    np.testing.assert_allclose(hours, hours[0], atol=1e-9)


def test_a_rising_step_is_taken_at_the_middle_of_its_sunlit_part(site: Site, day: Grid, sun: Sun) -> None:
    rising = int(np.flatnonzero(sun.up_share > 0)[0])
    share = sun.up_share[rising]
    assert 0 < share < 1
    middle = day.step_starts()[[rising]] + pd.Timedelta(minutes=5 * (1 - share / 2))
    full = spa_python(middle, site.latitude, site.longitude, altitude=60, pressure=sun.pressure_pa)
    assert sun.apparent_zenith_deg[rising] == pytest.approx(
        full["apparent_zenith"].iloc[0], abs=NODE_ERROR_DEG
    )
    rise = day.step_starts()[[rising]] + pd.Timedelta(minutes=5 * (1 - share))
    at_rise = spa_python(rise, site.latitude, site.longitude, altitude=60)
    assert at_rise["elevation"].iloc[0] == pytest.approx(-0.8333, abs=1e-4)


@pytest.mark.parametrize(
    ("latitude", "month", "share"), [(78, 6, 1.0), (78, 12, 0.0), (-78, 12, 1.0), (-78, 6, 0.0)]
)
def test_polar_day_and_night(latitude: float, month: int, share: float) -> None:
    sun = sun_for(_full_day(month, 21), latitude=latitude, longitude=15.6, elevation_m=0)
    assert (sun.up_share == share).all()
    assert np.isfinite(sun.apparent_zenith_deg).all()
    assert np.isfinite(sun.air_mass).all() == (share == 1.0)


@pytest.mark.parametrize("latitude", [90.0, -90.0, 0.0])
def test_poles_and_equator_give_finite_angles(latitude: float) -> None:
    sun = sun_for(_full_day(3, 20, 60), latitude=latitude, longitude=180, elevation_m=0)
    assert np.isfinite(sun.apparent_zenith_deg).all()
    assert ((sun.azimuth_deg >= 0) & (sun.azimuth_deg < 360)).all()


def test_air_mass_is_unknown_exactly_below_the_horizon(sun: Sun) -> None:
    np.testing.assert_array_equal(np.isnan(sun.air_mass), sun.apparent_zenith_deg > 90)
    assert (sun.cos_zenith[np.isnan(sun.air_mass)] == 0).all()


def test_the_noon_sun_stands_north_of_a_southern_site() -> None:
    sun = sun_for(_full_day(12, 21), latitude=-33.9, longitude=18.4, elevation_m=0)
    noon = int(np.argmin(sun.apparent_zenith_deg))
    assert min(sun.azimuth_deg[noon], 360 - sun.azimuth_deg[noon]) < 3
    assert sun.apparent_zenith_deg[noon] == pytest.approx(33.9 - 23.44, abs=0.05)


def test_the_earth_is_nearest_in_january() -> None:
    january, july = (
        sun_for(_full_day(month, 4), latitude=0, longitude=0, elevation_m=0).dni_extra_w_m2.mean()
        for month in (1, 7)
    )
    assert january / july == pytest.approx((1.0167 / 0.9833) ** 2, abs=5e-4)


def test_a_subset_keeps_its_place_in_the_grid(sun: Sun) -> None:
    up = sun.up_share > 0
    part = sun.take(up)
    assert len(part.steps) == up.sum()
    np.testing.assert_array_equal(part.azimuth_deg, sun.azimuth_deg[part.steps])
    np.testing.assert_array_equal(part.take(np.array([3, 1])).steps, part.steps[[3, 1]])


def test_an_empty_grid_gives_an_empty_sun() -> None:
    sun = sun_for(Grid(datetime(2026, 1, 1, tzinfo=UTC), 5, 0), latitude=1, longitude=1, elevation_m=0)
    assert sun.up_share.shape == sun.azimuth_deg.shape == (0,)
