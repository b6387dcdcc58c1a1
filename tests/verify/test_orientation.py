"""The fast light on many orientations against the physics it stands for, and clocks as subtractions."""

from datetime import UTC, datetime

import numpy as np
import pytest

from service.expect.grid import Grid
from service.expect.plane import on_plane
from service.expect.site import Plane
from service.expect.sky import clear_sky
from service.expect.sun import sun_for
from service.verify import orientation
from service.verify.orientation import clear_light

SAME = 1e-3
"""Relative: the incidence-angle modifier is interpolated."""


def effective(site, grid, plane):
    sun = sun_for(grid, latitude=site.latitude, longitude=site.longitude, elevation_m=site.elevation_m)
    light = on_plane(plane, sun, clear_sky(sun, grid, site=site)).effective * sun.up_share
    return grid.to_intervals(light, "mean")


@pytest.fixture
def plain_air(monkeypatch):
    monkeypatch.setattr(orientation, "CLEARER_AT_LOW_SUN", 0.0)


@pytest.mark.usefixtures("plain_air")
@pytest.mark.parametrize(("tilt", "azimuth"), [(0.0, 0.0), (35.0, 170.0), (25.0, 260.0), (60.0, 10.0)])
@pytest.mark.parametrize("interval_min", [5, 15, 60])
def test_the_parts_add_up_to_the_light_on_the_plane(roof, tilt, azimuth, interval_min):
    site, grid = roof().site, Grid(datetime(2026, 5, 4, tzinfo=UTC), interval_min, 1440 // interval_min)
    plane = Plane("any", tilt, azimuth, horizon=((80.0, 0.0), (90.0, 12.0), (100.0, 0.0)))
    light = clear_light(site, grid, None, 180)
    parts = light.parts(plane, np.array([tilt]), np.array([azimuth]))
    at = np.arange(grid.count)
    total = sum(light.means(part, np.zeros(1), at)[0, 0] for part in (parts.beam, parts.diffuse))
    np.testing.assert_allclose(total, effective(site, grid, plane), rtol=SAME, atol=0.2)


@pytest.mark.usefixtures("plain_air")
@pytest.mark.parametrize("late", [60, -45])
def test_a_late_clock_is_the_light_of_an_earlier_time(roof, late):
    site, plane = roof().site, roof().site.planes[0]
    grid = Grid(datetime(2026, 5, 4, tzinfo=UTC), 15, 96)
    light = clear_light(site, grid, None, 180)
    parts = light.parts(plane, np.array([plane.tilt_deg]), np.array([plane.azimuth_deg]))
    at = np.arange(grid.count)
    total = sum(light.means(part, np.array([float(late)]), at)[0, 0] for part in (parts.beam, parts.diffuse))
    moved = np.roll(effective(site, grid, plane), late // 15)
    day = slice(20, 80)
    np.testing.assert_allclose(total[day], moved[day], rtol=SAME, atol=0.2)
