from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.expect.grid import FloatArray, Grid
from service.expect.plane import on_plane
from service.expect.site import Site
from service.expect.sky import Irradiance, clear_sky, cloudy_sky
from service.expect.sun import Sun, sun_for
from service.expect.weather import (
    DEFAULT_WIND_M_S,
    SENSOR_AIR_SD_K,
    TYPICAL_AIR_SD_K,
    Weather,
    air_temperature,
    air_temperature_sd,
    poa_on_steps,
    sky_from_weather,
    typical_air_temp_c,
    wind_speed,
)

START = datetime(2026, 5, 4, tzinfo=UTC)


@pytest.fixture
def clear(site: Site, day: Grid, sun: Sun) -> Irradiance:
    return clear_sky(sun, day, site=site)


def _means(values: FloatArray, sun: Sun, per: int) -> FloatArray:
    """Return the means of five-minute values over intervals of `per` steps, night counting as nothing."""
    return np.asarray((values * sun.up_share).reshape(-1, per).mean(axis=1))


def _clouds(sun: Sun, clear: Irradiance, per: int) -> Irradiance:
    """A sky whose index changes from interval to interval of `per` steps."""
    index = np.random.default_rng(3).uniform(0.2, 1.1, 288 // per).repeat(per)
    return cloudy_sky(sun, clear, index=index)


@pytest.mark.parametrize("interval_min", [5, 15, 30, 60])
def test_global_irradiance_comes_back_as_the_sky_it_was_made_from(
    site: Site, day: Grid, sun: Sun, clear: Irradiance, interval_min: int
) -> None:
    per = interval_min // 5
    sky = _clouds(sun, clear, per)
    weather = Weather(START, interval_min, ghi_w_m2=_means(sky.ghi, sun, per))
    back = sky_from_weather(weather, day, sun, clear, site=site)
    bright = clear.ghi > 20
    np.testing.assert_allclose(back.ghi[bright], sky.ghi[bright], rtol=1e-6)
    np.testing.assert_allclose(back.dni[bright], sky.dni[bright], rtol=1e-5, atol=1e-3)


@pytest.mark.parametrize("missing", ["none", "ghi", "dni", "dhi"])
def test_three_or_two_components_are_taken_as_given(
    site: Site, day: Grid, sun: Sun, clear: Irradiance, missing: str
) -> None:
    hazy = clear_sky(sun, day, site=replace(site, turbidity=7))
    given_parts: dict[str, Any] = {
        f"{part}_w_m2": _means(getattr(hazy, part), sun, 3)
        for part in ("ghi", "dni", "dhi")
        if part != missing
    }
    back = sky_from_weather(Weather(START, 15, **given_parts), day, sun, clear, site=site)
    for part in ("ghi", "dni", "dhi"):
        bright = sun.apparent_zenith_deg < 80
        np.testing.assert_allclose(getattr(back, part)[bright], getattr(hazy, part)[bright], atol=10)
        if part != missing:
            means = _means(getattr(back, part), sun, 3)
            given_means = given_parts[f"{part}_w_m2"]
            np.testing.assert_allclose(means[given_means > 5], given_means[given_means > 5], rtol=1e-6)


@settings(max_examples=25, deadline=None)
@given(interval_min=st.sampled_from([1, 5, 15, 20, 60]), seed=st.integers(0, 999))
def test_measured_energy_is_kept(interval_min: int, seed: int) -> None:
    site = Site("a", 48.0, 11.0, "UTC", (), (), (), (), turbidity=3.0)
    grid = Grid(START, 20, 72)
    sun = sun_for(grid, latitude=48.0, longitude=11.0, elevation_m=0)
    clear = clear_sky(sun, grid, site=site)
    fine = Grid(START, interval_min, 1440 // interval_min)
    fine_sun = sun_for(fine, latitude=48.0, longitude=11.0, elevation_m=0)
    fine_clear = clear_sky(fine_sun, fine, site=site)
    blocks = np.random.default_rng(seed).uniform(0.1, 1.2, fine.count)
    measured = blocks * fine.to_intervals(fine_clear.ghi * fine_sun.up_share, "mean")
    back = sky_from_weather(Weather(START, interval_min, ghi_w_m2=measured), grid, sun, clear, site=site)
    held = (back.ghi * sun.up_share).sum() * grid.step_hours
    assert held == pytest.approx(measured.sum() * interval_min / 60, rel=0.01)


def test_gaps_and_the_time_outside_the_weather_are_unknown_by_day_and_dark_by_night(
    site: Site, day: Grid, sun: Sun, clear: Irradiance
) -> None:
    ghi = _means(clear.ghi, sun, 12)[8:20]
    ghi[4] = np.nan
    weather = Weather(START + timedelta(hours=8), 60, ghi_w_m2=ghi)
    sky = sky_from_weather(weather, day, sun, clear, site=site)
    hour = np.arange(288) // 12
    known = (hour >= 8) & (hour < 20) & (hour != 12)
    up = sun.up_share > 0
    for part in (sky.ghi, sky.dni, sky.dhi):
        np.testing.assert_array_equal(np.isnan(part), up & ~known)
        assert (part[~up] == 0).all()


def test_weather_of_another_day_says_nothing(site: Site, day: Grid, sun: Sun, clear: Irradiance) -> None:
    for shift in (-3, 3):
        weather = Weather(START + timedelta(days=shift), 60, ghi_w_m2=np.full(24, 300.0))
        sky = sky_from_weather(weather, day, sun, clear, site=site)
        assert np.isnan(sky.ghi[sun.up_share > 0]).all()


def test_one_component_that_is_not_global_says_nothing(
    site: Site, day: Grid, sun: Sun, clear: Irradiance
) -> None:
    weather = Weather(START, 60, dni_w_m2=_means(clear.dni, sun, 12))
    assert np.isnan(sky_from_weather(weather, day, sun, clear, site=site).ghi[sun.up_share > 0]).all()


def test_a_sensor_in_a_plane_tells_the_sky(site: Site, day: Grid, sun: Sun, clear: Irradiance) -> None:
    sky = _clouds(sun, clear, 3)
    poa = {p.name: _means(on_plane(p, sun, sky).total, sun, 3) for p in site.planes}
    back = sky_from_weather(Weather(START, 15, poa_w_m2=poa), day, sun, clear, site=site)
    high = sun.apparent_zenith_deg < 75
    relative = back.ghi[high] / sky.ghi[high] - 1
    assert np.abs(np.median(relative)) < 0.01
    assert np.quantile(np.abs(relative), 0.9) < 0.06


def test_a_sensor_is_spread_over_the_steps_without_losing_energy(
    site: Site, day: Grid, sun: Sun, clear: Irradiance
) -> None:
    south = site.planes[0]
    poa = _means(on_plane(south, sun, clear).total, sun, 12)
    weather = Weather(START, 60, poa_w_m2={south.name: poa})
    on_steps = poa_on_steps(weather, south, day, sun, site=site)
    np.testing.assert_allclose(_means(on_steps, sun, 12), poa, atol=0.5)
    assert np.isnan(poa_on_steps(weather, site.planes[1], day, sun, site=site)).all()


def test_the_sun_may_be_a_subset(site: Site, day: Grid, sun: Sun, clear: Irradiance) -> None:
    weather = Weather(START, 60, ghi_w_m2=_means(clear.ghi, sun, 12) * 0.6)
    up = sun.up_share > 0
    whole = sky_from_weather(weather, day, sun, clear, site=site)
    part = sky_from_weather(weather, day, sun.take(up), clear.take(up), site=site)
    np.testing.assert_allclose(part.dhi, whole.dhi[up])


def test_air_and_wind_are_linear_between_interval_middles(site: Site, day: Grid) -> None:
    weather = Weather(START, 60, air_temp_c=np.arange(24.0), wind_m_s=np.arange(24.0) - 2)
    air = air_temperature(weather, day, site=site)
    at_half_past_noon = (12 * 60 + 30) // 5
    assert air[at_half_past_noon] == pytest.approx(12 + 2.5 / 60)
    wind = wind_speed(weather, day, site=site)
    assert wind[at_half_past_noon] == pytest.approx(10 + 2.5 / 60)
    assert (wind >= 0).all()


def test_a_short_gap_is_bridged_and_a_long_one_gets_the_default(site: Site, day: Grid) -> None:
    air = np.full(24, 10.0)
    air[6] = np.nan
    air[12:20] = np.nan
    steps = air_temperature(Weather(START, 60, air_temp_c=air), day, site=replace(site, air_temp_c=99.0))
    hour = np.arange(288) // 12
    assert (steps[hour == 6] == 10).all()
    assert (steps[(hour >= 14) & (hour < 18)] == 99).all()


def test_without_weather_the_stated_defaults_hold(site: Site, day: Grid) -> None:
    assert (wind_speed(None, day, site=site) == DEFAULT_WIND_M_S).all()
    assert (air_temperature(None, day, site=replace(site, air_temp_c=17.5)) == 17.5).all()
    place = {"latitude": site.latitude, "longitude": site.longitude, "elevation_m": site.elevation_m}
    np.testing.assert_array_equal(air_temperature(None, day, site=site), typical_air_temp_c(day, **place))


@pytest.mark.parametrize(
    ("latitude", "longitude", "january_c", "july_c"),
    [
        (51.5, -0.1, 5, 19),  # London
        (40.4, -3.7, 6, 26),  # Madrid
        (-33.9, 151.2, 23, 13),  # Sydney
        (1.3, 103.8, 27, 28),  # Singapore
        (59.9, 10.8, -4, 18),  # Oslo
        (33.4, -112.1, 14, 35),  # Phoenix
    ],
)
def test_typical_air_is_within_twice_its_stated_uncertainty(
    latitude: float, longitude: float, january_c: float, july_c: float
) -> None:
    """Monthly means of these places from memory, rounded to 1 K."""
    for month, expected in ((1, january_c), (7, july_c)):
        grid = Grid(datetime(2026, month, 15, tzinfo=UTC), 60, 24)
        typical = typical_air_temp_c(grid, latitude=latitude, longitude=longitude, elevation_m=0)
        assert abs(typical.mean() - expected) < 2 * 7.0


def test_the_stated_uncertainty_holds_the_days_of_a_typical_year() -> None:
    """PVGIS, typical meteorological year 2005-2023 at 45 N, 8 E, 250 m: mean 2 m temperature from 9 to 15 h UTC, by
    month, computed from the file in pvlib 0.16.1's tests (`tmy_45.000_8.000_2005_2023.json`, European Union, PVGIS);
    over all its hours the error is 3.6 K, and 4.9 K in Amsterdam's IWEC year of the same tests.
    """
    monthly = [7.4, 9.6, 12.1, 15.1, 19.9, 26.5, 25.0, 25.0, 23.4, 17.6, 9.3, 6.7]
    errors = []
    for month, measured in enumerate(monthly, start=1):
        grid = Grid(datetime(2026, month, 15, 9, tzinfo=UTC), 60, 6)
        errors.append(typical_air_temp_c(grid, latitude=45, longitude=8, elevation_m=250).mean() - measured)
    assert np.sqrt(np.mean(np.square(errors))) < TYPICAL_AIR_SD_K
    assert np.sqrt(np.mean(np.square(errors))) > 1.0


def test_the_uncertainty_is_the_weather_s_where_it_tells_and_the_usual_one_elsewhere(day: Grid) -> None:
    air = np.full(24, 10.0)
    air[12:20] = np.nan
    hour = np.arange(288) // 12
    for stated, expected in ((None, SENSOR_AIR_SD_K), (np.full(24, 2.5), 2.5)):
        sd = air_temperature_sd(Weather(START, 60, air_temp_c=air, air_temp_sd_k=stated), day)
        assert (sd[hour < 12] == expected).all()
        assert (sd[(hour >= 14) & (hour < 18)] == TYPICAL_AIR_SD_K).all()
    assert (air_temperature_sd(None, day) == TYPICAL_AIR_SD_K).all()


def test_typical_air_is_warmest_in_the_afternoon_in_summer_and_low_down() -> None:
    grid = Grid(datetime(2026, 7, 15, tzinfo=UTC), 60, 24)
    low, high = (typical_air_temp_c(grid, latitude=45, longitude=30, elevation_m=e) for e in (0.0, 1000.0))
    np.testing.assert_allclose(low - high, 6.5)
    assert int(np.argmax(low)) // 12 in (12, 13)


def test_series_of_different_length_are_refused_by_name() -> None:
    with pytest.raises(ValueError, match=r"same length.*ghi_w_m2.*poa_w_m2 of south roof"):
        Weather(START, 60, ghi_w_m2=np.zeros(3), poa_w_m2={"south roof": np.zeros(4)})


def test_weather_without_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="UTC"):
        Weather(datetime(2026, 5, 4), 60, ghi_w_m2=np.zeros(3))  # noqa: DTZ001 (a naive time is the point)


def test_weather_without_any_series_is_empty_and_says_nothing(
    site: Site, day: Grid, sun: Sun, clear: Irradiance
) -> None:
    sky = sky_from_weather(Weather(START, 60), day, sun, clear, site=site)
    assert np.isnan(sky.ghi[sun.up_share > 0]).all()
