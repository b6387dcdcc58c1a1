from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.expect.grid import Grid
from service.expect.site import Site
from service.expect.sky import (
    MODEL_HEADROOM,
    Irradiance,
    clear_sky,
    closed_sky,
    cloudy_sky,
    erbs_diffuse_share,
    linke_turbidity,
)
from service.expect.sun import Sun, sun_for

PARTS = ("ghi", "dni", "dhi")


@pytest.fixture
def clear(site: Site, day: Grid, sun: Sun) -> Irradiance:
    return clear_sky(sun, day, site=site)


def _closure_error(sky: Irradiance, sun: Sun) -> float:
    return float(np.abs(sky.ghi - sky.dhi - sky.dni * sun.cos_zenith).max())


def test_the_clear_sky_is_dark_at_night_and_closes_by_day(clear: Irradiance, sun: Sun) -> None:
    night = sun.up_share == 0
    for part in PARTS:
        assert (getattr(clear, part)[night] == 0).all()
        assert np.isfinite(getattr(clear, part)).all()
        assert (getattr(clear, part) >= 0).all()
    assert _closure_error(clear, sun) < 1e-9
    assert 700 < clear.ghi.max() < 1000


def test_clear_skies_of_a_subset_are_the_subset_of_clear_skies(
    site: Site, day: Grid, sun: Sun, clear: Irradiance
) -> None:
    up = sun.up_share > 0
    part = clear_sky(sun.take(up), day, site=site)
    np.testing.assert_array_equal(part.dni, clear.take(up).dni)


def test_hazier_air_takes_beam_and_gives_diffuse(site: Site, day: Grid, sun: Sun) -> None:
    clean, hazy = (clear_sky(sun, day, site=replace(site, turbidity=t)) for t in (2.0, 6.0))
    noon = int(np.argmin(sun.apparent_zenith_deg))
    assert clean.dni[noon] > hazy.dni[noon]
    assert clean.dhi[noon] < hazy.dhi[noon]
    assert clean.ghi[noon] > hazy.ghi[noon]


def test_the_turbidity_on_record_replaces_the_climatology(site: Site, day: Grid, sun: Sun) -> None:
    assert set(linke_turbidity(sun, day, site=replace(site, turbidity=3.3))) == {3.3}
    assert set(linke_turbidity(sun, day, site=site)) != {3.3}


@pytest.mark.parametrize("latitude", [78.0, -78.0, 90.0])
def test_polar_skies_are_finite(site: Site, day: Grid, latitude: float) -> None:
    polar = replace(site, latitude=latitude)
    sun = sun_for(day, latitude=latitude, longitude=polar.longitude, elevation_m=0)
    sky = clear_sky(sun, day, site=polar)
    assert np.isfinite(sky.ghi + sky.dni + sky.dhi).all()


def test_index_one_is_the_clear_sky(sun: Sun, clear: Irradiance) -> None:
    sky = cloudy_sky(sun, clear, index=1.0)
    for part in PARTS:
        np.testing.assert_allclose(getattr(sky, part), getattr(clear, part), atol=1e-9)


@settings(max_examples=40, deadline=None)
@given(
    zenith=st.floats(0, 89.9), index=st.floats(0, 1.6), shift=st.floats(-1, 1), turbidity=st.floats(1.5, 8)
)
def test_any_sky_closes_and_is_possible(zenith: float, index: float, shift: float, turbidity: float) -> None:
    sun = _sun(zenith)
    clear = _clear(sun, turbidity)
    sky = cloudy_sky(sun, clear, index=index, diffuse_shift=shift)
    assert sky.ghi[0] == pytest.approx(index * clear.ghi[0])
    assert _closure_error(sky, sun) < 1e-9
    assert 0 <= sky.dni[0] <= sun.dni_extra_w_m2[0] + 1e-9
    assert sky.dhi[0] >= -1e-9


@pytest.mark.parametrize("zenith", [20.0, 60.0, 80.0, 88.0])
@pytest.mark.parametrize("join", [0.22, 0.8, 1.0, MODEL_HEADROOM])
def test_skies_join_without_a_step(zenith: float, join: float) -> None:
    sun = _sun(zenith)
    clear = _clear(sun, 3.0)
    sky = cloudy_sky(sun, clear, index=np.array([[join - 1e-6], [join + 1e-6]]))
    assert abs(sky.dni[1, 0] - sky.dni[0, 0]) < 0.01
    assert abs(sky.dhi[1, 0] - sky.dhi[0, 0]) < 0.01


@pytest.mark.parametrize("zenith", [20.0, 60.0, 80.0])
def test_the_beam_fades_as_clouds_thicken(zenith: float) -> None:
    sun = _sun(zenith)
    clear = _clear(sun, 3.0)
    sky = cloudy_sky(sun, clear, index=np.linspace(0, 1, 21)[:, None])
    assert (np.diff(sky.dni[:, 0]) >= 0).all()
    overcast, half = sky.dni[4, 0] / clear.dni[0], sky.dni[10, 0] / clear.dni[0]
    assert overcast < 0.03
    assert 0.05 < half < 0.35


def test_light_from_cloud_edges_is_diffuse() -> None:
    sun = _sun(40.0)
    clear = _clear(sun, 3.0)
    at_headroom, beyond = (cloudy_sky(sun, clear, index=i) for i in (MODEL_HEADROOM, 1.4))
    assert at_headroom.dni[0] == pytest.approx(MODEL_HEADROOM * clear.dni[0])
    assert beyond.dni[0] == pytest.approx(at_headroom.dni[0])
    assert beyond.dhi[0] - at_headroom.dhi[0] == pytest.approx((1.4 - MODEL_HEADROOM) * clear.ghi[0])


def test_the_diffuse_shift_is_added_to_the_share() -> None:
    sun = _sun(40.0)
    clear = _clear(sun, 3.0)
    plain, shifted = (cloudy_sky(sun, clear, index=0.7, diffuse_shift=s) for s in (0.0, 0.15))
    assert shifted.dhi[0] / shifted.ghi[0] - plain.dhi[0] / plain.ghi[0] == pytest.approx(0.15)
    assert cloudy_sky(sun, clear, index=0.7, diffuse_shift=2).dni[0] == 0


def test_indices_and_shifts_broadcast_and_unknown_stays_unknown(sun: Sun, clear: Irradiance) -> None:
    index = np.array([0.3, np.nan, -1.0])[:, None]
    shift = np.array([0.0, 0.1])[:, None, None]
    sky = cloudy_sky(sun, clear, index=index, diffuse_shift=shift)
    assert sky.dni.shape == sky.dhi.shape == (2, 3, 288)
    assert np.isnan(sky.dni[:, 1]).all()
    assert (sky.dhi[:, 2] == 0).all()
    assert np.isfinite(sky.dhi[:, 0]).all()


def test_two_of_three_give_the_third(sun: Sun, clear: Irradiance) -> None:
    unknown = np.full_like(clear.ghi, np.nan)
    for missing in PARTS:
        given = {part: unknown if part == missing else getattr(clear, part) for part in PARTS}
        closed = closed_sky(**given, sun=sun)
        np.testing.assert_allclose(getattr(closed, missing), getattr(clear, missing), atol=1e-6)


def test_one_of_three_leaves_the_others_unknown(sun: Sun, clear: Irradiance) -> None:
    unknown = np.full_like(clear.ghi, np.nan)
    closed = closed_sky(unknown, clear.dni, unknown, sun=sun)
    lit = sun.cos_zenith > 0
    assert np.isnan(closed.ghi[lit]).all()
    assert np.isnan(closed.dhi[lit]).all()


def test_contradicting_measurements_stay_possible(sun_at: Callable[..., Sun]) -> None:
    sun = sun_at([40.0, 85.0])
    unknown = np.full(2, np.nan)
    more_diffuse_than_global = closed_sky(np.full(2, 100.0), unknown, np.full(2, 120.0), sun=sun)
    assert (more_diffuse_than_global.dni == 0).all()
    low_sun = closed_sky(np.full(2, 900.0), unknown, np.full(2, 10.0), sun=sun)
    assert (low_sun.dni <= sun.dni_extra_w_m2).all()


def test_the_diffuse_share_falls_with_clearness_and_is_a_share() -> None:
    share = erbs_diffuse_share(np.linspace(0, 1, 101))
    assert ((share > 0) & (share <= 1)).all()
    assert share[0] == 1
    assert (np.diff(share[:76]) < 0).all()


def _sun(zenith: float) -> Sun:
    air_mass = 1 / (np.cos(np.radians(zenith)) + 0.50572 * (96.07995 - zenith) ** -1.6364)
    one = np.ones(1)
    return Sun(
        zenith * one, 180 * one, 1366.1 * one, air_mass * one, 101325.0, one, np.zeros(1, dtype=np.intp)
    )


def _clear(sun: Sun, turbidity: float) -> Irradiance:
    grid = Grid(datetime(2026, 6, 1, tzinfo=UTC), 5, 1)
    site = Site("a", 0, 0, "UTC", (), (), (), (), turbidity=turbidity)
    return clear_sky(sun, grid, site=site)
