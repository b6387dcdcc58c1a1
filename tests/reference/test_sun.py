"""The sun against the Solar Position Algorithm's own example, almanac times and published formulas.

Values as printed by the source; the tolerance is named after what it means.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from service.expect.grid import Grid
from service.expect.plane import cos_incidence
from service.expect.site import Plane
from service.expect.sun import Sun, sun_for

AIR_DIFFERS_DEG = 0.001
"""The example's 820 mbar and 11 degC against the standard atmosphere at its elevation move refraction by 0.0002."""

PRINT_AND_PARALLAX = timedelta(seconds=1.85)
"""The report's times are cut to the second and neglect parallax: 0.0024 degrees, 0.8 s at these latitudes."""

ONE_MINUTE = timedelta(minutes=1)


def test_the_algorithms_own_example() -> None:
    """Reda & Andreas 2008 (NREL/TP-560-34302), table A5.1, as asserted in pvlib's tests/test_spa.py.

    Golden, Colorado, 2003-10-17 12:30:30 at UTC-7: zenith 50.11162, azimuth 194.340241 degrees.
    """
    moment = datetime(2003, 10, 17, 19, 30, 30, tzinfo=UTC)
    grid = Grid(moment - timedelta(minutes=2, seconds=30), 5, 1)
    sun = sun_for(grid, latitude=39.742476, longitude=-105.1786, elevation_m=1830.14)
    assert sun.apparent_zenith_deg[0] == pytest.approx(50.11162, abs=AIR_DIFFERS_DEG)
    assert sun.azimuth_deg[0] == pytest.approx(194.340241, abs=2e-5)
    distance = np.sqrt(1366.1 / sun.dni_extra_w_m2[0])
    assert distance == pytest.approx(0.9965422974, abs=1e-6)


@pytest.mark.parametrize(
    ("latitude", "rise", "fall"),
    [
        (-35, datetime(1996, 7, 5, 7, 8, 15, tzinfo=UTC), datetime(1996, 7, 5, 17, 1, 4, tzinfo=UTC)),
        (-35, datetime(2004, 12, 4, 4, 38, 57, tzinfo=UTC), datetime(2004, 12, 4, 19, 2, 2, tzinfo=UTC)),
        (35, datetime(1994, 1, 2, 7, 8, 12, tzinfo=UTC), datetime(1994, 1, 2, 16, 59, 55, tzinfo=UTC)),
    ],
)
def test_sunrise_and_sunset_of_the_algorithm(latitude: float, rise: datetime, fall: datetime) -> None:
    """Reda & Andreas 2008, table of sunrise and sunset at longitude 0, as in pvlib's tests/test_spa.py."""
    found_rise, found_fall = _rise_and_fall(rise, latitude, 0.0, 0.0)
    assert abs(found_rise - rise) <= PRINT_AND_PARALLAX
    assert abs(found_fall - fall) <= PRINT_AND_PARALLAX


@pytest.mark.parametrize(
    ("latitude", "longitude", "rise", "fall"),
    [
        (39, -105, datetime(2015, 8, 2, 12, 1, tzinfo=UTC), datetime(2015, 8, 3, 2, 10, tzinfo=UTC)),
        (
            39.904,
            116.407,
            datetime(2015, 12, 1, 23, 17, tzinfo=UTC),
            datetime(2015, 12, 2, 8, 50, tzinfo=UTC),
        ),
    ],
)
def test_sunrise_and_sunset_of_the_almanac(
    latitude: float, longitude: float, rise: datetime, fall: datetime
) -> None:
    """US Naval Observatory, printed to the minute, as in pvlib's tests/test_solarposition.py.

    Golden 2015-08-02: 05:01 and 19:10 MST; Beijing 2015-12-02: 07:17 and 16:50 local.
    """
    found_rise, found_fall = _rise_and_fall(rise, latitude, longitude, 0.0)
    assert abs(found_rise - rise) <= ONE_MINUTE
    assert abs(found_fall - fall) <= ONE_MINUTE


def test_extraterrestrial_irradiance() -> None:
    """pvlib's tests/test_irradiance.py: 26 October 2016, 1383.636 W/m2, to 10 W/m2 over all its models."""
    sun = sun_for(Grid(datetime(2016, 10, 26, tzinfo=UTC), 60, 24), latitude=0, longitude=0, elevation_m=0)
    np.testing.assert_allclose(sun.dni_extra_w_m2, 1383.636, atol=10)


def test_air_mass_of_kasten_and_young() -> None:
    """Kasten & Young 1989 (doi:10.1364/AO.28.004735) at zenith 80 degrees, 5.586: pvlib's tests/test_atmosphere.py."""
    grid = Grid(datetime(2026, 3, 20, 6, tzinfo=UTC), 1, 360)
    sun = sun_for(grid, latitude=0, longitude=0, elevation_m=0)
    morning = np.isfinite(sun.air_mass) & (sun.azimuth_deg < 180)
    order = np.argsort(sun.apparent_zenith_deg[morning])
    zenith, air_mass = sun.apparent_zenith_deg[morning][order], sun.air_mass[morning][order]
    assert np.interp(80, zenith, air_mass) == pytest.approx(5.586, abs=2e-3)
    assert air_mass[0] == pytest.approx(1.0, abs=1e-3)


def test_pressure_at_a_thousand_metres() -> None:
    """pvlib's tests/test_atmosphere.py: 89874.75 Pa (standard atmosphere)."""
    grid = Grid(datetime(2026, 3, 20, tzinfo=UTC), 60, 1)
    sun = sun_for(grid, latitude=0, longitude=0, elevation_m=1000)
    assert sun.pressure_pa == pytest.approx(89874.75, abs=0.01)


def test_angle_of_incidence() -> None:
    """pvlib's tests/test_irradiance.py: a wall facing north, zenith 30; azimuth 60 gives 75.5224878 degrees."""
    two = np.ones(2)
    sun = Sun(30 * two, np.array([60.0, 170.0]), 1366.1 * two, two, 101325.0, two, np.arange(2))
    cosines = cos_incidence(Plane("wall", tilt_deg=90, azimuth_deg=0), sun)
    assert np.degrees(np.arccos(cosines[0])) == pytest.approx(75.5224878, abs=1e-7)
    assert cosines[1] == 0  # 119.4987042 degrees: behind the plane


def _rise_and_fall(
    rise: datetime, latitude: float, longitude: float, elevation_m: float
) -> tuple[datetime, datetime]:
    """Return sunrise and sunset found within 20 hours from two hours before `rise`."""
    start = rise.replace(minute=0, second=0) - timedelta(hours=2)
    grid = Grid(start, 5, 20 * 12)
    share = sun_for(grid, latitude=latitude, longitude=longitude, elevation_m=elevation_m).up_share
    first, last = np.flatnonzero(share > 0)[[0, -1]]
    found_rise = start + timedelta(minutes=5 * float(first + 1 - share[first]))
    found_fall = start + timedelta(minutes=5 * float(last + share[last]))
    return found_rise, found_fall
