"""What a measured light makes on a plane, by pvlib's models: AC power as a share of the modules' rating.

Not the service's physics: transposition by Hay and Davies, `pvlib.iam.physical`, PVWatts for modules and inverter.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from pvlib import iam, irradiance, location, pvsystem, temperature
from pvlib.inverter import pvwatts

from tests.fleet.roof import Facing
from tests.fleet.sun import Array, Place

MOUNTING = temperature.TEMPERATURE_MODEL_PARAMETERS["sapm"]["open_rack_glass_glass"]
GAMMA_PER_C = -0.0038
"""Of a crystalline module of the roofs' years (common practice, no source)."""

LOSSES = 0.95
"""What dirt, connections and the rating's tolerance leave (PVWatts v5, NREL/TP-6A20-62641, without its shade)."""

DIFFUSE_IAM = 0.95
"""Of diffuse light through plain glass (Marion 2017, doi:10.1016/j.solener.2017.02.055; from memory)."""

EFFICIENCY = 0.96
"""Nominal, PVWatts v5; the inverter is as large as its modules here, a smaller one cuts off later."""

LOWEST_ELEVATION_DEG = 0.5

BEHIND_CLOUDS = 1.5
"""How much diffuse light a plane may have at most, over a clear sky's: broken clouds add about half (from memory)."""

DC_SHARES = np.linspace(0, 1.3, 1301)


class Weather(NamedTuple):
    """Irradiances in W/m2, air in degC and wind in m/s by the middles of steps, each (N,)."""

    dni: Array
    ghi: Array
    dhi: Array
    air_c: Array
    wind_m_s: Array


class Made(NamedTuple):
    """AC power over the modules' rating by steps, (N,): of all light, and of what is left where the sun is hidden."""

    total: Array
    sky: Array


def clear_weather(place: Place, middles: pd.DatetimeIndex, air_c: float) -> Weather:
    """Return a cloudless sky by Ineichen and Perez with the monthly turbidity of pvlib."""
    at = location.Location(place.latitude, place.longitude, altitude=place.elevation_m)
    sky = at.get_clearsky(middles)
    still = np.ones(len(middles))
    dni, ghi, dhi = (sky[c].to_numpy() for c in ("dni", "ghi", "dhi"))
    return Weather(dni, ghi, dhi, air_c * still, 2 * still)


def made_on(facing: Facing, place: Place, middles: pd.DatetimeIndex, weather: Weather) -> Made:
    """Return what a plane makes of that weather."""
    sun = location.Location(place.latitude, place.longitude).get_solarposition(middles)
    zenith, azimuth = sun["apparent_zenith"].to_numpy(), sun["azimuth"].to_numpy()
    up = zenith < 90 - LOWEST_ELEVATION_DEG
    light = irradiance.get_total_irradiance(
        *facing,
        zenith,
        azimuth,
        weather.dni,
        weather.ghi,
        weather.dhi,
        dni_extra=irradiance.get_extra_radiation(middles).to_numpy(),
        model="haydavies",
        albedo=0.2,
    )
    angle = irradiance.aoi(*facing, zenith, azimuth)
    beam = np.where(up, np.nan_to_num(light["poa_direct"]), 0.0)
    sky = DIFFUSE_IAM * np.where(up, np.nan_to_num(light["poa_diffuse"]), 0.0)
    through = beam * np.nan_to_num(iam.physical(angle))
    return Made(ac_share(through + sky, beam + sky, weather), ac_share(sky, sky, weather))


def ac_share(through: Array, on_glass: Array, weather: Weather) -> Array:
    """Return the AC power, over the rating, of light that comes through the glass, W/m2."""
    cell_c = temperature.sapm_cell(on_glass, weather.air_c, weather.wind_m_s, **MOUNTING)
    dc = LOSSES * pvsystem.pvwatts_dc(np.maximum(through, 0.0), cell_c, 1.0, GAMMA_PER_C)
    return np.asarray(np.maximum(pvwatts(np.asarray(dc), 1.3, eta_inv_nom=EFFICIENCY), 0.0))


def sky_part(measured: Array, clear: Made) -> Array:
    """Return what of a measured power is left where the sun is hidden: no more than bright clouds give."""
    return np.minimum(measured, BEHIND_CLOUDS * clear.sky)


def with_dc_share(ac: Array, share: float) -> Array:
    """Return AC power, over the rating, with that share of the DC power left."""
    curve = np.maximum(pvwatts(DC_SHARES, 1.3, eta_inv_nom=EFFICIENCY), 0.0)
    dc = np.interp(ac, curve, DC_SHARES)
    return np.asarray(np.interp(share * dc, DC_SHARES, curve) * (ac > 0))
