"""The typical year: its sampling, its two skies, and its parts against pvlib's own functions."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest
from pvlib import shading, solarposition

from service.expect.grid import Grid
from service.expect.plane import hidden_sky_share, on_plane, sunward_share
from service.expect.site import Plane, Site
from service.expect.sun import sun_at, sun_for
from service.expect.year import sun_paths, sunny_share, typical_year

LEEDS = Site("Leeds", 53.8, -1.55, "Europe/London", (), (), (), (), elevation_m=60)


def test_the_sun_at_moments_is_that_of_a_grid() -> None:
    grid = Grid(datetime(2026, 5, 4, tzinfo=UTC), 5, 288)
    place = {"latitude": 53.8, "longitude": -1.55, "elevation_m": 60}
    on_grid = sun_for(grid, **place)
    whole = np.flatnonzero((on_grid.up_share == 1) | (on_grid.up_share == 0))  # no sunrise in the step
    alone = sun_at(grid.step_edges_s()[:-1] + 150, **place)
    for name in ("apparent_zenith_deg", "azimuth_deg", "dni_extra_w_m2", "up_share"):
        np.testing.assert_allclose(getattr(alone, name)[whole], getattr(on_grid, name)[whole], atol=1e-9)


def test_sun_paths_against_pvlib() -> None:
    """`pvlib.solarposition` (spa_python) at the same minutes of 2023; refraction there at 12 degC too."""
    days = np.array([354, 171])  # in any order
    azimuth, elevation = sun_paths(LEEDS, days)
    for k, day in enumerate(days):
        begin = pd.Timestamp("2023-01-01", tz="UTC") + pd.Timedelta(days=int(day), seconds=1.55 * 240)
        times = pd.date_range(begin, periods=144, freq="10min")
        theirs = solarposition.get_solarposition(times, 53.8, -1.55, altitude=60, method="nrel_numpy")
        np.testing.assert_allclose(elevation[k], theirs["apparent_elevation"], atol=0.01)
        np.testing.assert_allclose(azimuth[k], theirs["azimuth"], atol=0.01)


def test_noon_heights_of_the_year() -> None:
    """Solstices stand 23.44 degrees off the equinox, which stands at 90 less the latitude."""
    _, elevation = sun_paths(LEEDS, np.array([79, 171, 354]))
    assert elevation.max(axis=1) == pytest.approx([36.2, 36.2 + 23.44, 36.2 - 23.44], abs=0.4)


@pytest.mark.parametrize("latitude", [0.0, 51.0, -35.0, 69.0])
def test_daylight_of_a_year_adds_up(latitude: float) -> None:
    """Half of the year's 8760 hours and a little more, for refraction and the sun's disc (4380 to 4650 h)."""
    site = Site("x", latitude, 15.0, "UTC", (), (), (), ())
    year = typical_year(site)
    assert 4330 < len(year.month) * year.hours < 4650
    assert year.share.sum(axis=0) == pytest.approx(1.0)
    assert (year.sky.dni[1] == 0).all()
    assert np.isfinite(year.sky.ghi).all()
    assert set(year.month) <= set(range(12))


def test_summer_is_sunnier_and_no_share_leaves_its_bounds() -> None:
    days = np.arange(365)
    for latitude in range(-90, 91, 5):
        share = sunny_share(float(latitude), days)
        assert 0 < share.min() <= share.max() < 1
    assert sunny_share(52.0, days)[[190, 7]].tolist() == sorted(sunny_share(52.0, days)[[190, 7]])[::-1]
    np.testing.assert_allclose(sunny_share(-40.0, days).argmax(), 7, atol=1)


def test_a_ridge_around_hides_what_pvlib_says() -> None:
    """`pvlib.shading.sky_diffuse_passias`: the loss of even sky light behind a masking angle all along a level plane's
    front, (1 - cos psi)/2 there; a ridge in front of half the compass gives half of sin(psi)**2.
    """
    around = np.arange(2.5, 360, 5)
    psi = 30.0
    front = np.where(np.abs(around - 180) < 90, psi, 0.0)
    level = hidden_sky_share(Plane("level", 0, 180), around, front)
    assert level == pytest.approx(np.sin(np.radians(psi)) ** 2 / 2, abs=0.005)
    long_row = np.degrees(
        np.arctan(np.tan(np.radians(psi)) * np.maximum(np.cos(np.radians(around - 180)), 0))
    )
    assert hidden_sky_share(Plane("level", 0, 180), around, long_row) == pytest.approx(
        float(shading.sky_diffuse_passias(psi)), abs=0.005
    )


@pytest.mark.parametrize("tilt", [0, 30, 90])
def test_the_whole_sky_is_all_of_it(tilt: int) -> None:
    around = np.arange(2.5, 360, 5)
    assert hidden_sky_share(Plane("p", tilt, 200), around, np.full(72, 90.0)) == pytest.approx(1, abs=0.01)
    assert hidden_sky_share(Plane("p", tilt, 200), around, np.zeros(72)) == 0


def test_sunward_share_is_nothing_without_beam_and_most_under_a_clear_noon() -> None:
    year, plane = typical_year(LEEDS), Plane("south", 35, 180)
    share = sunward_share(plane, year.sun, on_plane(plane, year.sun, year.sky))
    assert ((share >= 0) & (share <= 1)).all()
    noon = int(np.argmin(year.sun.apparent_zenith_deg))
    assert share[0, noon] > 0.8
    assert share[1, noon] < 0.3  # a bright spot around a veiled sun, of diffuse light
