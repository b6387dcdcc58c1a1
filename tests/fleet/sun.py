"""Sun and plane-of-array irradiance from SAM's own routine (PySAM's Irradproc), and a clear sky of its own.

Nothing here comes from `service.expect`: the fleet is the outside party that the verification is tested against.
The clear sky is simplified Solis (Ineichen 2008), where the service uses another model.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pvlib import atmosphere, clearsky, irradiance
from PySAM import Irradproc  # type: ignore[import-untyped]

Array = NDArray[np.float64]

HALF_MINUTE_H = 0.5 / 60
SOLIS_MAX_AOD = 0.45


@dataclass(frozen=True)
class Place:
    """A point on earth with its zone and height."""

    name: str
    latitude: float
    longitude: float
    elevation_m: float
    timezone: str


@dataclass(frozen=True)
class PlaneLight:
    """What falls on a plane, W/m2, and the beam's angle of incidence, degrees."""

    beam: Array
    sky: Array
    ground: Array
    incidence_deg: Array


def _irradproc(place: Place, minutes: pd.DatetimeIndex, dni: Array, dhi: Array) -> Irradproc.Irradproc:
    model = Irradproc.new()
    values = model.IrradianceProcessor
    values.irrad_mode, values.track_mode = 0, 0
    values.beam, values.diff = dni.tolist(), dhi.tolist()
    for name in ("year", "month", "day", "hour", "minute"):
        setattr(values, name, getattr(minutes, name).astype(float).tolist())
    values.lat, values.lon = place.latitude, place.longitude
    values.tz = -HALF_MINUTE_H  # it drops seconds: this moves each minute's sun to the middle of the minute
    return model


def sun(place: Place, minutes: pd.DatetimeIndex) -> tuple[Array, Array]:
    """Return the sun's apparent elevation and azimuth, degrees, in the middle of each UTC minute; not to be written to.

    It is worked out once: many skies stand over the same day of the same place.
    """
    return _sun(place, minutes.as_unit("s").asi8.tobytes())


@lru_cache(maxsize=128)
def _sun(place: Place, seconds: bytes) -> tuple[Array, Array]:
    minutes = pd.to_datetime(np.frombuffer(seconds, dtype=np.int64), unit="s", utc=True)
    zero = np.zeros(len(minutes))
    model = _irradproc(place, minutes, zero, zero)
    model.IrradianceProcessor.sky_model = 0
    model.IrradianceProcessor.tilt, model.IrradianceProcessor.azimuth = 0.0, 180.0
    model.execute(0)
    elevation, azimuth = np.array(model.Outputs.sun_elv), np.array(model.Outputs.sun_azm)
    elevation.setflags(write=False)
    azimuth.setflags(write=False)
    return elevation, azimuth


def on_plane(
    place: Place,
    minutes: pd.DatetimeIndex,
    dni: Array,
    dhi: Array,
    *,
    tilt: float,
    azimuth: float,
    albedo: float,
) -> PlaneLight:
    """Return what SAM's Perez model puts on the plane, in W/m2."""
    model = _irradproc(place, minutes, dni, dhi)
    values = model.IrradianceProcessor
    values.sky_model, values.albedo_const = 2, albedo
    values.tilt, values.azimuth = tilt, azimuth % 360
    model.execute(0)
    out = model.Outputs
    columns = (out.poa_beam, out.poa_skydiff, out.poa_gnddiff, out.incidence)
    return PlaneLight(*(np.nan_to_num(np.array(column)) for column in columns))


def clear_sky(
    place: Place, minutes: pd.DatetimeIndex, elevation_deg: Array, *, turbidity_factor: float, water_cm: float
) -> tuple[Array, Array]:
    """Return clear-sky DNI and DHI, W/m2, in air `turbidity_factor` times as turbid as the climatology says."""
    linke, extra = _linke_and_extra(place, minutes[len(minutes) // 2])
    up = np.maximum(elevation_deg, 0.5)
    sky = clearsky.simplified_solis(
        up,
        aod700=_aod700(linke * turbidity_factor, water_cm),
        precipitable_water=water_cm,
        pressure=atmosphere.alt2pres(place.elevation_m),
        dni_extra=extra,
    )
    light = elevation_deg > 0
    return np.where(light, sky["dni"], 0.0), np.where(light, sky["dhi"], 0.0)


@cache
def _linke_and_extra(place: Place, moment: pd.Timestamp) -> tuple[float, float]:
    """Return the climatology's turbidity, for which a file is opened, and the light above the air, W/m2."""
    at = pd.DatetimeIndex([moment])
    linke = clearsky.lookup_linke_turbidity(at, place.latitude, place.longitude)
    return float(linke.iloc[0]), float(irradiance.get_extra_radiation(at).iloc[0])


def _aod700(linke: float, water_cm: float, airmass: float = 2.0) -> float:
    """Return the aerosol depth at 700 nm that gives this Linke turbidity (Kasten 1996 solved for the aerosol).

    A spectrum of exponent 1.2 puts the 700 nm depth at 0.91 of the broadband one.
    """
    clean = -0.101 + 0.235 * airmass**-0.16
    water = 0.112 * airmass**-0.55 * water_cm**0.34
    return float(np.clip(0.91 * (linke / (9.4 + 0.9 * airmass) - clean - water), 0.01, SOLIS_MAX_AOD))
