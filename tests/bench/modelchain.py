"""The usual way to the same figure, for comparison: one week of one unit through pvlib's ModelChain.

PVWatts module and inverter, SAPM cell temperature, Perez transposition, physical glass, weather given; not a test.
"""

from __future__ import annotations

from functools import cache

import pandas as pd
from pvlib.location import Location
from pvlib.modelchain import ModelChain
from pvlib.pvsystem import Array, FixedMount, PVSystem
from pvlib.temperature import TEMPERATURE_MODEL_PARAMETERS

from service.expect.site import Site

WEEK = pd.date_range("2026-05-04T00:02:30Z", periods=7 * 288, freq="5min")


def modelchain_week(site_like: Site) -> pd.Series[float]:
    """Return AC power, W, of the site's first unit over a clear week at five minutes, (2016,)."""
    place = (site_like.latitude, site_like.longitude, site_like.elevation_m)
    unit = site_like.units[0]
    plane, module = site_like.plane(unit.plane), site_like.module_type(unit.module_type)
    inverter = site_like.inverter_type(unit.inverter_type)
    array = Array(
        mount=FixedMount(plane.tilt_deg, plane.azimuth_deg),
        albedo=plane.albedo,
        module_parameters={
            "pdc0": module.pmax_w * unit.module_count,
            "gamma_pdc": module.gamma_pmax_per_c,
        },
        temperature_model_parameters=TEMPERATURE_MODEL_PARAMETERS["sapm"]["close_mount_glass_glass"],
    )
    limits = {"pdc0": inverter.ac_rated_w / inverter.efficiency, "eta_inv_nom": inverter.efficiency}
    chain = ModelChain(
        PVSystem([array], inverter_parameters=limits),
        _location(place),
        transposition_model="perez",
        aoi_model="physical",
        spectral_model="no_loss",
        temperature_model="sapm",
        losses_model="no_loss",
    )
    chain.run_model(_clear_week(place))
    ac: pd.Series[float] = chain.results.ac
    return ac


def _location(place: tuple[float, float, float]) -> Location:
    latitude, longitude, elevation_m = place
    return Location(latitude, longitude, tz="UTC", altitude=elevation_m)


@cache
def _clear_week(place: tuple[float, float, float]) -> pd.DataFrame:
    """Return the weather that the chain is given, made once: clear sky, 15 degC, 1 m/s."""
    clear: pd.DataFrame = _location(place).get_clearsky(WEEK)
    return clear.assign(temp_air=15.0, wind_speed=1.0)
