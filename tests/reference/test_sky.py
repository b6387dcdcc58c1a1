"""The clear sky and the decomposition against values that pvlib's own tests hold (0.16.1)."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from service.expect.grid import Grid
from service.expect.site import Site
from service.expect.sky import Irradiance, clear_sky, cloudy_sky, erbs_diffuse_share, linke_turbidity
from service.expect.sun import Sun, sun_for

TABLE_PRINT = 5e-4
JUNE = Grid(datetime(2014, 6, 24, tzinfo=UTC), 5, 1)


def _sun(zenith_deg: float, air_mass: float, dni_extra: float) -> Sun:
    one = np.ones(1)
    return Sun(
        zenith_deg * one,
        180 * one,
        dni_extra * one,
        air_mass * one,
        101325.0,
        one,
        np.zeros(1, dtype=np.intp),
    )


def _site(**fields: float) -> Site:
    place = {"latitude": 32.2, "longitude": -110.9, **fields}
    return Site(name="a", timezone="UTC", planes=(), module_types=(), inverter_types=(), units=(), **place)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("elevation_m", "dni_extra", "ghi", "dni", "dhi"),
    [
        (0, 1364, 1038.159, 942.208, 110.265),
        (2000, 1364, 1134.243, 994.954, 154.405),
        (0, 1370, 1042.726, 946.353, 110.750),
    ],
)
def test_ineichen_and_perez(elevation_m: float, dni_extra: float, ghi: float, dni: float, dhi: float) -> None:
    """Zenith 10 degrees, air mass 1, Linke turbidity 3; pvlib's tests/test_clearsky.py."""
    sky = clear_sky(_sun(10, 1, dni_extra), JUNE, site=_site(turbidity=3, elevation_m=elevation_m))
    assert sky.ghi[0] == pytest.approx(ghi, abs=TABLE_PRINT)
    assert sky.dni[0] == pytest.approx(dni, abs=TABLE_PRINT)
    assert sky.dhi[0] == pytest.approx(dhi, abs=TABLE_PRINT)


def test_the_turbidity_climatology() -> None:
    """32.125 N 110.875 W on 24 June 2014: 3.118033; pvlib's tests/test_clearsky.py."""
    site = _site(latitude=32.125, longitude=-110.875)
    sun = sun_for(JUNE, latitude=site.latitude, longitude=site.longitude, elevation_m=0)
    assert linke_turbidity(sun, JUNE, site=site)[0] == pytest.approx(3.118033, abs=1e-6)


def test_the_decomposition_of_erbs() -> None:
    """GHI 1000 W/m2 at clearness 0.718 has DHI 218 W/m2; pvlib's tests/test_irradiance.py (clearness as printed)."""
    assert 1000 * erbs_diffuse_share(np.array([0.718]))[0] == pytest.approx(218, abs=1)


def test_skies_lie_within_the_physically_possible_limits() -> None:
    """Long & Shi 2008 (QCRad), doi:10.2174/1874282300802010023, as in pvanalytics: 1.5 I0 cos^1.2 z + 100 W/m2."""
    grid = Grid(datetime(2026, 6, 21, tzinfo=UTC), 5, 288)
    site = _site(elevation_m=700)
    sun = sun_for(grid, latitude=site.latitude, longitude=site.longitude, elevation_m=700)
    clear = clear_sky(sun, grid, site=site)
    skies = cloudy_sky(sun, clear, index=np.linspace(0, 1.5, 16)[:, None])
    high = 1.5 * sun.dni_extra_w_m2 * sun.cos_zenith**1.2 + 100
    assert (skies.ghi <= high).all()
    assert (skies.dhi <= 0.95 * sun.dni_extra_w_m2 * sun.cos_zenith**1.2 + 50)[:11].all()
    assert (skies.dni <= sun.dni_extra_w_m2).all()
    _closes(skies, sun)


def _closes(sky: Irradiance, sun: Sun) -> None:
    """QCRad's closure ratio: 0.92 to 1.08 below zenith 75 degrees, 0.85 to 1.15 up to 93."""
    summed = sky.dhi + sky.dni * sun.cos_zenith
    bright = summed > 50
    ratio = sky.ghi[bright] / summed[bright]
    assert ((ratio > 0.92) & (ratio < 1.08)).all()
