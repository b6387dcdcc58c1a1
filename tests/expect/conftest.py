"""The cast of the physics tests: one small roof in the north, and suns made by hand."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

import numpy as np
import pytest

from service.expect.grid import Grid
from service.expect.site import InverterType, ModuleType, Plane, Site, Unit
from service.expect.sun import Sun, sun_for

SOUTH = Plane("south roof", tilt_deg=35, azimuth_deg=170)
EAST = Plane("east roof", tilt_deg=35, azimuth_deg=80)
MODULE = ModuleType("module", pmax_w=400)
INVERTER = InverterType("inverter", ac_rated_w=350, efficiency=0.965)


@pytest.fixture
def site() -> Site:
    """Two units on the south roof and one on the east roof, at 53.8 N."""
    units = tuple(
        Unit(serial, plane, "module", "inverter")
        for serial, plane in (("1001", "south roof"), ("1002", "east roof"), ("1003", "south roof"))
    )
    return Site(
        name="Mill Lane 4",
        latitude=53.8,
        longitude=-1.55,
        timezone="Europe/London",
        planes=(SOUTH, EAST),
        module_types=(MODULE,),
        inverter_types=(INVERTER,),
        units=units,
        elevation_m=60,
    )


@pytest.fixture
def day() -> Grid:
    """One day of five-minute intervals in May."""
    return Grid(datetime(2026, 5, 4, tzinfo=UTC), 5, 288)


@pytest.fixture
def sun(site: Site, day: Grid) -> Sun:
    """The sun over the site on that day."""
    return sun_for(day, latitude=site.latitude, longitude=site.longitude, elevation_m=site.elevation_m)


@pytest.fixture
def sun_at() -> Callable[..., Sun]:
    """Make a sun of given zeniths and azimuths, degrees, at sea level."""

    def make(zenith_deg: object, azimuth_deg: object = 180.0) -> Sun:
        zenith = np.atleast_1d(np.asarray(zenith_deg, dtype=float))
        azimuth = np.broadcast_to(np.asarray(azimuth_deg, dtype=float), zenith.shape)
        up = zenith < 90
        air_mass = np.where(up, 1 / np.maximum(np.cos(np.radians(zenith)), 0.03), np.nan)
        extra = np.full(zenith.shape, 1366.1)
        return Sun(zenith, azimuth, extra, air_mass, 101325.0, up.astype(float), np.arange(zenith.size))

    return make
