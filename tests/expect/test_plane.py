from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pvlib import irradiance as pvlib_irradiance
from pvlib.iam import marion_diffuse

from service.expect.grid import FloatArray, Grid
from service.expect.plane import (
    PlaneIrradiance,
    beam_modifier,
    cos_incidence,
    diffuse_modifiers,
    horizon_elevation,
    on_plane,
    plane_from_sensor,
)
from service.expect.site import Plane, Site
from service.expect.sky import Irradiance, clear_sky, cloudy_sky
from service.expect.sun import Sun, sun_for

FLAT = Plane("flat", tilt_deg=0, azimuth_deg=180)
WALL = Plane("wall", tilt_deg=90, azimuth_deg=180)
PARTS = ("beam", "circumsolar", "sky", "ground")


def _random_case(seed: int, shape: tuple[int, ...]) -> tuple[Sun, Irradiance]:
    rng = np.random.default_rng(seed)
    n = shape[-1]
    zenith = rng.uniform(5, 95, n)
    up = zenith < 90
    air_mass = np.where(up, relative_air_mass(zenith), np.nan)
    sun = Sun(
        zenith,
        rng.uniform(0, 360, n),
        rng.uniform(1320, 1412, n),
        air_mass,
        101325.0,
        up.astype(float),
        np.arange(n),
    )
    dni = rng.uniform(0, 1000, shape) * (rng.uniform(size=shape) > 0.2)
    brightest = 0.6 * sun.dni_extra_w_m2 / np.nan_to_num(sun.air_mass, nan=40)
    dhi = np.minimum(rng.uniform(1, 400, shape), brightest)
    return sun, Irradiance(dhi + dni * sun.cos_zenith, dni, dhi)


def relative_air_mass(zenith: FloatArray) -> FloatArray:
    return np.asarray(
        1 / (np.cos(np.radians(zenith)) + 0.50572 * np.maximum(96.07995 - zenith, 0.1) ** -1.6364)
    )


@pytest.mark.parametrize("tilt", [0.0, 15.0, 35.0, 90.0])
@pytest.mark.parametrize("azimuth", [0.0, 170.0, 300.0])
def test_the_light_on_a_plane_is_that_of_the_library(tilt: float, azimuth: float) -> None:
    """The equation is written out here for speed; pvlib 0.16.1 holds the same one."""
    sun, sky = _random_case(7, (5, 400))
    ours = on_plane(Plane("p", tilt, azimuth), sun, sky)
    theirs = pvlib_irradiance.get_total_irradiance(
        tilt,
        azimuth,
        sun.apparent_zenith_deg,
        sun.azimuth_deg,
        sky.dni,
        sky.ghi,
        sky.dhi,
        dni_extra=sun.dni_extra_w_m2,
        airmass=sun.air_mass,
        albedo=0.2,
        model="perez",
    )
    up = sun.apparent_zenith_deg < 90
    np.testing.assert_allclose(ours.beam[:, up], theirs["poa_direct"][:, up], atol=1e-9)
    np.testing.assert_allclose(ours.circumsolar + ours.sky, theirs["poa_sky_diffuse"], atol=1e-9)
    np.testing.assert_allclose(ours.ground, theirs["poa_ground_diffuse"], atol=1e-9)


@settings(max_examples=60, deadline=None)
@given(tilt=st.floats(0, 90), azimuth=st.floats(0, 360), seed=st.integers(0, 99))
def test_no_part_is_negative_and_the_glass_only_takes(tilt: float, azimuth: float, seed: int) -> None:
    sun, sky = _random_case(seed, (40,))
    light = on_plane(Plane("p", tilt, azimuth), sun, sky)
    for part in PARTS:
        assert (getattr(light, part) >= 0).all()
    assert (light.effective <= light.total + 1e-9).all()


def test_a_flat_plane_gets_the_horizontal_irradiance(site: Site, day: Grid, sun: Sun) -> None:
    clear = clear_sky(sun, day, site=site)
    light = on_plane(FLAT, sun, clear)
    high = sun.apparent_zenith_deg < 84
    np.testing.assert_allclose(light.total[high], clear.ghi[high], rtol=1e-9)
    assert (light.ground == 0).all()


def test_a_wall_sees_half_the_ground_and_no_sun_behind_it(sun_at: Callable[..., Sun]) -> None:
    sun = sun_at([60.0, 60.0], [180.0, 0.0])
    sky = Irradiance(np.full(2, 400.0), np.full(2, 600.0), np.full(2, 100.0))
    light = on_plane(WALL, sun, sky)
    np.testing.assert_allclose(light.ground, 400 * 0.2 / 2)
    assert light.beam[0] == pytest.approx(600 * np.sin(np.radians(60)))
    assert light.beam[1] == light.circumsolar[1] == 0
    assert light.sky[1] > 0


def test_skies_of_any_leading_shape_broadcast_against_the_sun(site: Site, day: Grid, sun: Sun) -> None:
    clear = clear_sky(sun, day, site=site)
    skies = cloudy_sky(sun, clear, index=np.array([0.2, 0.6, 1.0])[:, None])
    together = on_plane(site.planes[0], sun, skies)
    assert together.effective.shape == (3, 288)
    alone = on_plane(site.planes[0], sun, cloudy_sky(sun, clear, index=0.6))
    np.testing.assert_allclose(together.effective[1], alone.effective, rtol=1e-12)


def test_unknown_irradiance_stays_unknown_and_spreads_no_further(sun_at: Callable[..., Sun]) -> None:
    sun = sun_at([40.0, 40.0, 40.0])
    ghi, dni, dhi = np.full(3, 600.0), np.full(3, 600.0), np.full(3, 140.0)
    dni[1] = dhi[2] = np.nan
    light = on_plane(Plane("p", 35, 180), sun, Irradiance(ghi, dni, dhi))
    np.testing.assert_array_equal(np.isnan(light.total), [False, True, True])
    np.testing.assert_array_equal(np.isnan(light.effective), [False, True, True])


def test_a_sun_below_the_horizon_gives_no_light(sun_at: Callable[..., Sun]) -> None:
    sun = sun_at([91.0, 120.0])
    light = on_plane(Plane("p", 35, 180), sun, Irradiance(*(np.zeros(2) for _ in range(3))))
    np.testing.assert_array_equal(light.total, 0)
    np.testing.assert_array_equal(light.effective, 0)


@pytest.mark.parametrize("latitude", [-78.0, -33.9, 0.0, 53.8, 78.0])
@pytest.mark.parametrize("tilt", [0.0, 35.0, 90.0])
def test_light_near_the_horizon_stays_within_reason(
    site: Site, day: Grid, latitude: float, tilt: float
) -> None:
    here = replace(site, latitude=latitude)
    sun = sun_for(day, latitude=latitude, longitude=0, elevation_m=0)
    clear = clear_sky(sun, day, site=here)
    for index in (0.3, 1.0, 1.3):
        light = on_plane(Plane("p", tilt, 180), sun, cloudy_sky(sun, clear, index=index))
        assert np.isfinite(light.total).all()
        assert (light.total <= sun.dni_extra_w_m2).all()
        low = sun.apparent_zenith_deg > 85
        assert (light.circumsolar + light.sky)[low].max(initial=0) < 250


def test_the_horizon_takes_beam_and_circumsolar_only(sun_at: Callable[..., Sun]) -> None:
    sun = sun_at([70.0, 70.0], [90.0, 270.0])
    sky = Irradiance(np.full(2, 400.0), np.full(2, 700.0), np.full(2, 160.0))
    open_roof = Plane("p", 35, 180)
    hidden = replace(open_roof, horizon=((80.0, 30.0), (100.0, 30.0), (101.0, 0.0), (359.0, 0.0)))
    seen, blocked = (on_plane(p, sun, sky) for p in (open_roof, hidden))
    assert blocked.beam[0] == blocked.circumsolar[0] == 0
    assert seen.beam[0] > 0
    assert blocked.beam[1] == seen.beam[1]
    np.testing.assert_array_equal(blocked.sky, seen.sky)
    np.testing.assert_array_equal(blocked.ground, seen.ground)


def test_the_horizon_is_linear_between_points_and_wraps_north() -> None:
    plane = Plane("p", 35, 180, horizon=((10.0, 20.0), (90.0, 0.0), (350.0, 10.0)))
    line = horizon_elevation(plane, np.array([10.0, 50.0, 350.0, 0.0, 355.0]))
    np.testing.assert_allclose(line, [20.0, 10.0, 10.0, 15.0, 12.5])


def test_one_horizon_point_is_one_obstacle_and_no_wall_all_around() -> None:
    plane = Plane("p", 35, 180, horizon=((230.0, 12.0),))
    line = horizon_elevation(plane, np.array([230.0, 220.0, 240.0, 205.0, 50.0]))
    np.testing.assert_allclose(line, [12.0, 6.0, 6.0, 0.0, 0.0])
    north = horizon_elevation(replace(plane, horizon=((5.0, 12.0),)), np.array([355.0, 5.0, 180.0]))
    np.testing.assert_allclose(north, [6.0, 12.0, 0.0])


def test_no_points_are_a_free_horizon() -> None:
    np.testing.assert_array_equal(horizon_elevation(FLAT, np.array([0.0, 123.0])), 0)


def test_incidence_is_measured_from_the_plane(sun_at: Callable[..., Sun]) -> None:
    sun = sun_at([35.0, 35.0, 80.0], [180.0, 0.0, 0.0])
    cosines = cos_incidence(Plane("p", 35, 180), sun)
    np.testing.assert_allclose(cosines, [1.0, np.cos(np.radians(70)), 0.0], atol=1e-12)


def test_the_glass_passes_all_head_on_and_nothing_edge_on() -> None:
    modifier = beam_modifier(np.cos(np.radians(np.linspace(0, 90, 91))))
    assert modifier[0] == pytest.approx(1)
    assert modifier[-1] == pytest.approx(0, abs=1e-12)
    assert (np.diff(modifier) <= 1e-9).all()


@pytest.mark.parametrize("tilt", [2.5, 17.5, 37.5, 62.5, 87.5])
def test_diffuse_modifiers_between_the_table_are_those_integrated(tilt: float) -> None:
    integrated = marion_diffuse("physical", tilt)
    sky, ground = diffuse_modifiers(tilt)
    assert sky == pytest.approx(integrated["sky"], abs=1e-3)
    view_of_ground = (1 - np.cos(np.radians(tilt))) / 2
    assert ground * view_of_ground == pytest.approx(integrated["ground"] * view_of_ground, abs=1e-3)


def test_a_sensor_sets_the_level_and_keeps_the_split() -> None:
    modelled = PlaneIrradiance(
        *(
            np.array(part)
            for part in ([400.0, 0, 300], [100.0, 0, 0], [90.0, 0, 0], [10.0, 0, 0], [580.0, 0, 290])
        )
    )
    scaled = plane_from_sensor(modelled, np.array([300.0, 50.0, np.nan]))
    np.testing.assert_allclose(scaled.total, [300.0, 0.0, 300.0])
    np.testing.assert_allclose(scaled.beam, [200.0, 0.0, 300.0])
    np.testing.assert_allclose(scaled.effective, [290.0, 0.0, 290.0])


def test_an_impossible_diffuse_reading_at_low_sun_does_not_run_away(sun_at: Callable[..., Sun]) -> None:
    sun = sun_at([88.0])
    light = on_plane(WALL, sun, Irradiance(np.array([400.0]), np.array([0.0]), np.array([400.0])))
    assert light.total[0] < sun.dni_extra_w_m2[0] * 2
