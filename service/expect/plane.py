"""Light on a roof plane: transposition, horizon and incidence-angle loss. Nothing about cells or power."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pvlib import iam

from service.expect.grid import FloatArray, floats
from service.expect.site import Plane
from service.expect.sky import Irradiance
from service.expect.sun import Sun

PEREZ_1990 = np.array(
    [
        [-0.0080, 0.5880, -0.0620, -0.0600, 0.0720, -0.0220],
        [0.1300, 0.6830, -0.1510, -0.0190, 0.0660, -0.0290],
        [0.3300, 0.4870, -0.2210, 0.0550, -0.0640, -0.0260],
        [0.5680, 0.1870, -0.2950, 0.1090, -0.1520, -0.0140],
        [0.8730, -0.3920, -0.3620, 0.2260, -0.4620, 0.0010],
        [1.1320, -1.2370, -0.4120, 0.2880, -0.8230, 0.0560],
        [1.0600, -1.6000, -0.3590, 0.2640, -1.1270, 0.1310],
        [0.6780, -0.3270, -0.2500, 0.1560, -1.3770, 0.2510],
    ]
)
"""F11, F12, F13, F21, F22, F23 by clearness bin, all-sites composite; Perez et al. 1990, table 6."""

PEREZ_CLEARNESS_EDGES = np.array([1.065, 1.23, 1.5, 1.95, 2.8, 4.5, 6.2])
PEREZ_KAPPA = 1.041
HIGHEST_BRIGHTNESS = 1.0
"""More would be more diffuse light than there is sunlight above the air: a wrong reading near sunrise."""

LOWEST_COS_ZENITH = float(np.cos(np.radians(85)))

LONE_OBSTACLE_HALF_WIDTH_DEG = 20.0
"""A horizon of one point is one obstacle, nothing this far to either side; our choice, no source."""

GLASS = {"n": 1.526, "K": 4.0, "L": 0.002}
"""Uncoated glass; De Soto, Klein & Beckman 2006 (doi:10.1016/j.solener.2005.06.010)."""


Brightening = tuple[FloatArray, FloatArray]
"""Perez's F1 and F2."""


@dataclass(frozen=True)
class PlaneIrradiance:
    """Irradiance on a plane, W/m2, arrays (..., N).

    `beam`, `circumsolar`, `sky` (dome and horizon band) and `ground` are before any incidence-angle loss;
    `effective` is their sum after it.
    """

    beam: FloatArray
    circumsolar: FloatArray
    sky: FloatArray
    ground: FloatArray
    effective: FloatArray

    @property
    def total(self) -> FloatArray:
        """Return the plane-of-array irradiance without incidence-angle loss, W/m2, (..., N)."""
        return self.beam + self.circumsolar + self.sky + self.ground


def on_plane(
    plane: Plane, sun: Sun, irradiance: Irradiance, brightening: Brightening | None = None
) -> PlaneIrradiance:
    """Return the irradiance on `plane`, W/m2, (..., N), for `irradiance` (..., N) and `sun` (N,).

    `brightening` saves work where several planes see one sky: `sky_brightening(sun, irradiance)`.

    Perez et al. 1990 (doi:10.1016/0038-092X(90)90055-H), all-sites composite:

        beam        = DNI max(cos aoi, 0)
        circumsolar = DHI F1 max(cos aoi, 0) / max(cos z, cos 85 deg)
        sky         = DHI [ (1 - F1) (1 + cos tilt)/2 + F2 sin tilt ]
        ground      = GHI albedo (1 - cos tilt)/2

    A negative sky part is taken from the circumsolar part, and the two together are never negative. Below the
    plane's horizon line (linear over azimuth between its points, around the compass) beam and circumsolar are
    0; the sky that the horizon hides is not taken off. The incidence-angle modifier is De Soto et al. 2006
    for beam and circumsolar and its hemispherical mean (Marion 2017, doi:10.1016/j.solener.2017.03.027) for
    sky and ground. NaN irradiance gives NaN; with the sun down the sky part is 0.
    """
    cos_aoi, modifier = _facing(plane, sun)
    seen = np.where(horizon_elevation(plane, sun.azimuth_deg) < 90 - sun.apparent_zenith_deg, cos_aoi, 0.0)
    bright = sky_brightening(sun, irradiance) if brightening is None else brightening
    circumsolar, sky = _perez(plane, sun, irradiance, bright, facing=cos_aoi)
    beam = irradiance.dni * seen
    circumsolar *= seen > 0
    ground = irradiance.ghi * (plane.albedo * (1 - np.cos(np.radians(plane.tilt_deg))) / 2)
    sky_modifier, ground_modifier = diffuse_modifiers(plane.tilt_deg)
    effective = (beam + circumsolar) * modifier + sky * sky_modifier + ground * ground_modifier
    return PlaneIrradiance(beam, circumsolar, sky, ground, effective)


def _facing(plane: Plane, sun: Sun) -> tuple[FloatArray, FloatArray]:
    """Return the cosine of incidence and the beam's modifier, (N,) each: once for an orientation, under many skies."""
    orientation = plane.tilt_deg, plane.azimuth_deg
    if orientation not in sun.facing:
        cosine = cos_incidence(plane, sun)
        sun.facing[orientation] = cosine, beam_modifier(cosine)
    return sun.facing[orientation]


def sunward_share(plane: Plane, sun: Sun, light: PlaneIrradiance) -> FloatArray:
    """Return which share of `light` behind the glass comes from the sun's direction, (..., N), 0-1; 0 without any.

    Beam and circumsolar light: what an obstacle before the sun takes away.
    """
    sunward = (light.beam + light.circumsolar) * _facing(plane, sun)[1]
    return np.divide(sunward, light.effective, out=np.zeros_like(sunward), where=light.effective > 0)


def hidden_sky_share(plane: Plane, azimuth_deg: FloatArray, top_deg: FloatArray) -> FloatArray:
    """Return the share of an even sky's light on `plane` that tops (K,) at even azimuths (K,), degrees, hide, 0-1.

    The integral of cos(incidence) over the hidden part over that over the whole sky, (1 + cos tilt)/2 pi, in steps of
    2 degrees of elevation.
    """
    elevation = np.radians(np.arange(1.0, 90.0, 2.0))[:, None]
    turn, tilt = np.radians(azimuth_deg - plane.azimuth_deg)[None, :], np.radians(plane.tilt_deg)
    facing = np.sin(elevation) * np.cos(tilt) + np.cos(elevation) * np.sin(tilt) * np.cos(turn)
    hidden = np.maximum(facing, 0.0) * np.cos(elevation) * (elevation < np.radians(top_deg)[None, :])
    patch = np.radians(2.0) * 2 * np.pi / len(azimuth_deg)
    return floats(hidden.sum() * patch / (np.pi * (1 + np.cos(tilt)) / 2))


def plane_from_sensor(modelled: PlaneIrradiance, poa_w_m2: FloatArray) -> PlaneIrradiance:
    """Return `modelled` (..., N) scaled so that its total is what a sensor in the plane measured, W/m2, (N,).

    The modelled split and the modelled incidence-angle loss are kept; where the sensor says nothing (NaN) or
    the modelled total is below 1 W/m2, the modelled value stays. The sensor is taken as a thermopile without
    its own incidence-angle loss.
    """
    total = modelled.total
    known = np.isfinite(poa_w_m2) & (total > 1)
    factor = np.divide(poa_w_m2, total, out=np.ones_like(total), where=known)
    parts = (modelled.beam, modelled.circumsolar, modelled.sky, modelled.ground, modelled.effective)
    return PlaneIrradiance(*(part * factor for part in parts))


def cos_incidence(plane: Plane, sun: Sun) -> FloatArray:
    """Return the cosine of the angle of incidence of the beam, 0 with the sun behind the plane, (N,).

    cos aoi = cos tilt cos z + sin tilt sin z cos(azimuth_sun - azimuth_plane).
    """
    tilt, zenith = np.radians(plane.tilt_deg), np.radians(sun.apparent_zenith_deg)
    turn = np.radians(sun.azimuth_deg - plane.azimuth_deg)
    cosine = np.cos(tilt) * np.cos(zenith) + np.sin(tilt) * np.sin(zenith) * np.cos(turn)
    return np.asarray(np.clip(cosine, 0.0, 1.0))


def horizon_elevation(plane: Plane, azimuth_deg: FloatArray) -> FloatArray:
    """Return the plane's horizon line at `azimuth_deg`, degrees, same shape; 0 without points."""
    if not plane.horizon:
        return np.zeros(np.shape(azimuth_deg))
    points = plane.horizon
    if len(points) == 1:
        azimuth, elevation = points[0]
        width = LONE_OBSTACLE_HALF_WIDTH_DEG
        points = ((azimuth - width, 0.0), (azimuth, elevation), (azimuth + width, 0.0))
    azimuths, elevations = zip(*points, strict=True)
    return floats(np.interp(azimuth_deg, azimuths, elevations, period=360))


def beam_modifier(cos_aoi: FloatArray) -> FloatArray:
    """Return the incidence-angle modifier of glass for the beam, 0-1, same shape.

    De Soto et al. 2006 (doi:10.1016/j.solener.2005.06.010): Fresnel reflection and absorption, n 1.526, K 4
    1/m, 2 mm; relative to normal incidence.
    """
    return np.asarray(iam.physical(np.degrees(np.arccos(cos_aoi)), **GLASS))


def diffuse_modifiers(tilt_deg: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return the modifiers for isotropic sky and ground light at tilts of 0 to 90 degrees, each 0-1, same shape.

    Marion 2017 (doi:10.1016/j.solener.2017.03.027), integrated every 5 degrees of tilt and interpolated.
    """
    tilts, sky, ground = _diffuse_modifier_table()
    at = floats(tilt_deg)
    return np.interp(at, tilts, sky), np.interp(at, tilts, ground)


@lru_cache(maxsize=1)
def _diffuse_modifier_table() -> tuple[FloatArray, FloatArray, FloatArray]:
    tilts = np.arange(0.0, 91.0, 5.0)

    def modifier(aoi_deg: FloatArray) -> FloatArray:
        return np.asarray(iam.physical(aoi_deg, **GLASS))

    sky, ground = (iam.marion_integrate(modifier, tilts, region) for region in ("sky", "ground"))
    return tilts, sky, ground


def sky_brightening(sun: Sun, irradiance: Irradiance) -> Brightening:
    """Return Perez's F1 and F2, of the sun's surroundings and the horizon, dimensionless, (..., N): no plane's own."""
    zenith = np.radians(sun.apparent_zenith_deg)
    up = np.isfinite(sun.air_mass)
    brightness_per_dhi = np.where(up, sun.air_mass, 0.0) / sun.dni_extra_w_m2
    bins = _clearness_bins(irradiance, zenith)
    brightness = np.minimum(irradiance.dhi * brightness_per_dhi, HIGHEST_BRIGHTNESS)
    at = bins * zenith.size + np.arange(zenith.size)
    f1 = np.maximum(_coefficient(at, zenith, 0) + PEREZ_1990[:, 1].take(bins) * brightness, 0.0)
    return f1, _coefficient(at, zenith, 3) + PEREZ_1990[:, 4].take(bins) * brightness


def _perez(
    plane: Plane, sun: Sun, irradiance: Irradiance, brightening: Brightening, *, facing: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the circumsolar and the rest of the sky's light on the plane, W/m2, (..., N), both 0 or more."""
    f1, f2 = brightening
    zenith, dhi = np.radians(sun.apparent_zenith_deg), irradiance.dhi
    up = np.isfinite(sun.air_mass)
    tilt = np.radians(plane.tilt_deg)
    lit = dhi * up
    dome = (1 + np.cos(tilt)) / 2
    circumsolar = lit * f1 * (facing / np.maximum(np.cos(zenith), LOWEST_COS_ZENITH))
    sky = lit * ((1 - f1) * dome + f2 * np.sin(tilt))
    owed = np.minimum(sky, 0.0)
    return np.maximum(circumsolar + owed, 0.0), np.maximum(sky, 0.0)


def _clearness_bins(irradiance: Irradiance, zenith: FloatArray) -> NDArray[np.intp]:
    """Return Perez's clearness bin (0-7) by eps = (DNI/DHI) / (1 + 1.041 z^3) + 1, z in radians, (..., N)."""
    ratio = np.zeros(np.broadcast_shapes(irradiance.dni.shape, irradiance.dhi.shape))
    np.divide(irradiance.dni, irradiance.dhi, out=ratio, where=irradiance.dhi > 0)
    ratio /= 1 + PEREZ_KAPPA * zenith**3
    return np.searchsorted(PEREZ_CLEARNESS_EDGES - 1, ratio, side="right")


def _coefficient(at: NDArray[np.intp], zenith: FloatArray, column: int) -> FloatArray:
    """Return F_i1 + F_i3 z, (..., N), of a table of eight rows of N steps, gathered `at` flat places."""
    table = PEREZ_1990[:, column, None] + PEREZ_1990[:, column + 2, None] * zenith
    return np.asarray(table.ravel().take(at))
