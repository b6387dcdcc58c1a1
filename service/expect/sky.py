"""Irradiance on the horizontal: the clear sky and clouded skies made from it. No surfaces, no readings."""

from __future__ import annotations

from calendar import isleap
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from pvlib import clearsky

from service.expect.grid import FloatArray, Grid, IntArray, Selection, floats
from service.expect.site import Site
from service.expect.sun import Sun

STANDARD_PRESSURE_PA = 101325.0

MODEL_HEADROOM = 1.07
"""Up to this clear-sky index a surplus is put down to the clear-sky model's bias (3-7 % a day with monthly
turbidity; from memory), so the clear sky's split is kept; beyond it the surplus is light from cloud edges."""


@dataclass(frozen=True)
class Irradiance:
    """Irradiance on N fine steps, W/m2, arrays (..., N): global and diffuse horizontal, direct normal."""

    ghi: FloatArray
    dni: FloatArray
    dhi: FloatArray

    def take(self, which: Selection) -> Irradiance:
        """Return the irradiance of a subset of steps; `which` is a boolean mask (N,) or an index array."""
        return Irradiance(*(np.asarray(part[..., which]) for part in (self.ghi, self.dni, self.dhi)))


def clear_sky(sun: Sun, grid: Grid, *, site: Site) -> Irradiance:
    """Return the clear sky over `site`, W/m2, (N,), 0 with the sun down.

    Ineichen & Perez 2002 (doi:10.1016/S0038-092X(02)00045-2) with the monthly Linke turbidity climatology
    that pvlib carries, interpolated to days; `site.turbidity` replaces it. `sun` may be a subset of the
    grid's steps.
    """
    return clear_sky_at(sun, linke_turbidity(sun, grid, site=site), site=site)


def clear_sky_at(sun: Sun, turbidity: FloatArray, *, site: Site) -> Irradiance:
    """Return the clear sky in air of a Linke turbidity (N,), W/m2, (N,); see `clear_sky`."""
    absolute_air_mass = sun.air_mass * sun.pressure_pa / STANDARD_PRESSURE_PA
    with np.errstate(divide="ignore", invalid="ignore"):
        clear = clearsky.ineichen(
            sun.apparent_zenith_deg,
            absolute_air_mass,
            turbidity,
            altitude=site.elevation_m,
            dni_extra=sun.dni_extra_w_m2,
        )
    up = np.isfinite(sun.air_mass)
    return Irradiance(*(np.where(up, np.maximum(clear[name], 0.0), 0.0) for name in ("ghi", "dni", "dhi")))


def linke_turbidity(sun: Sun, grid: Grid, *, site: Site) -> FloatArray:
    """Return the Linke turbidity on the sun's steps, dimensionless, (N,).

    Monthly climatology (Remund et al. 2003, in pvlib) interpolated to days of the year in UTC, or
    `site.turbidity`.
    """
    days = grid.step_days_of_year()[sun.steps]
    return linke_turbidity_on(days, site=site, is_leap=isleap(grid.start.year))


def linke_turbidity_on(days: IntArray, *, site: Site, is_leap: bool = False) -> FloatArray:
    """Return the Linke turbidity on days of the year (N,), 1 to 366, dimensionless; see `linke_turbidity`."""
    if site.turbidity is not None:
        return np.full(days.shape, float(site.turbidity))
    return _daily_turbidity(site.latitude, site.longitude, is_leap=is_leap).take(days - 1, mode="clip")


@lru_cache(maxsize=4096)
def _daily_turbidity(latitude: float, longitude: float, *, is_leap: bool) -> FloatArray:
    year = 2024 if is_leap else 2023
    days = pd.date_range(f"{year}-01-01", f"{year}-12-31", tz="UTC")
    return floats(clearsky.lookup_linke_turbidity(days, latitude, longitude))


def cloudy_sky(
    sun: Sun, clear: Irradiance, *, index: ArrayLike, diffuse_shift: ArrayLike = 0.0
) -> Irradiance:
    """Return the sky at a clear-sky index, W/m2; `index` and `diffuse_shift` broadcast against (N,).

    GHI = index * clear GHI. The beam's share of it below index 1 follows the decomposition of Erbs, Klein &
    Duffie 1982 (doi:10.1016/0038-092X(82)90302-4) at the clearness index made independent of the sun's height
    by Perez et al. 1990 (doi:10.1016/0038-092X(90)90036-C), scaled so that at index 1 it equals the clear
    sky's own:

        beam share = clear beam share * (1 - d(index * kt')) / (1 - d(kt')),   kt' that of the clear sky.

    From 1 to MODEL_HEADROOM the clear share is kept; beyond, the beam stays and the surplus is diffuse. Both
    joins are continuous. `diffuse_shift` is added to the diffuse share, which is then clipped to 0-1 and to
    what keeps the DNI within the extraterrestrial. Negative indices count as 0; NaN stays NaN.
    """
    return next(cloudy_skies(sun, clear, index=index, diffuse_shifts=[diffuse_shift]))


def cloudy_skies(
    sun: Sun, clear: Irradiance, *, index: ArrayLike, diffuse_shifts: Iterable[ArrayLike]
) -> Iterator[Irradiance]:
    """Give `cloudy_sky` by several departures of the diffuse share: what they have in common is worked out once."""
    level = np.maximum(floats(index), 0.0)
    ghi = level * clear.ghi
    clear_beam_share = _share(clear.dni * sun.cos_zenith, clear.ghi)
    beam_share = clear_beam_share * _beam_share_left(sun, clear, level)
    for shift in diffuse_shifts:
        yield _closed(ghi, np.clip(beam_share - floats(shift), 0.0, 1.0) * ghi, sun)


def _beam_share_left(sun: Sun, clear: Irradiance, index: FloatArray) -> FloatArray:
    """Return the beam share at `index` over that of the clear sky, 0-1, broadcast."""
    clear_kt = _height_free_clearness(sun, clear)
    clear_beam = np.maximum(1 - erbs_diffuse_share(clear_kt), 1e-6)
    below = (1 - erbs_diffuse_share(np.minimum(index, 1.0) * clear_kt)) / clear_beam
    with np.errstate(divide="ignore", over="ignore"):
        above = np.minimum(MODEL_HEADROOM / index, 1.0)
    return below * above


def _height_free_clearness(sun: Sun, clear: Irradiance) -> FloatArray:
    """Return kt' = kt / (1.031 exp(-1.4 / (0.9 + 9.4 / AM)) + 0.1) of the clear sky, (N,)."""
    air_mass = np.where(np.isfinite(sun.air_mass), sun.air_mass, 1.0)
    factor = 1.031 * np.exp(-1.4 / (0.9 + 9.4 / air_mass)) + 0.1
    clearness = _share(clear.ghi, sun.dni_extra_w_m2 * np.maximum(sun.cos_zenith, 0.01))
    return np.clip(clearness / factor, 0.3, 0.8)


def erbs_diffuse_share(clearness: FloatArray) -> FloatArray:
    """Return DHI/GHI at a clearness index, dimensionless, same shape; Erbs, Klein & Duffie 1982, eq. 1.

    doi:10.1016/0038-092X(82)90302-4; 1 - 0.09 kt up to 0.22, a polynomial up to 0.80, 0.165 above.
    """
    kt = clearness
    middle = 0.9511 + kt * (-0.1604 + kt * (4.388 + kt * (-16.638 + kt * 12.336)))
    return np.where(kt <= 0.22, 1 - 0.09 * kt, np.where(kt <= 0.8, middle, 0.165))


def _share(part: FloatArray, whole: FloatArray) -> FloatArray:
    return np.divide(part, whole, out=np.zeros(np.broadcast_shapes(part.shape, whole.shape)), where=whole > 0)


def _closed(ghi: FloatArray, beam_horizontal: FloatArray, sun: Sun) -> Irradiance:
    """Return GHI split so that GHI = DHI + DNI cos z, with DNI at most the extraterrestrial."""
    beam = np.minimum(beam_horizontal, sun.dni_extra_w_m2 * sun.cos_zenith)
    safe_cos = np.where(sun.cos_zenith > 0, sun.cos_zenith, 1.0)
    return Irradiance(ghi=ghi, dni=beam / safe_cos, dhi=ghi - beam)


def closed_sky(ghi: FloatArray, dni: FloatArray, dhi: FloatArray, *, sun: Sun) -> Irradiance:
    """Return the sky with the missing one of three (all NaN there) filled from closure, W/m2, (..., N).

    GHI = DHI + DNI cos z; DHI is kept at 0 or more and DNI within 0 and the extraterrestrial. Where fewer
    than two are known the unknown stay NaN.
    """
    cos_zenith = sun.cos_zenith
    safe_cos = np.where(cos_zenith > 0, cos_zenith, np.nan)
    ghi_closed = np.where(np.isnan(ghi), dhi + dni * cos_zenith, ghi)
    dhi_closed = np.where(np.isnan(dhi), np.maximum(ghi - dni * cos_zenith, 0.0), dhi)
    from_closure = np.where(cos_zenith > 0, (ghi - dhi) / safe_cos, 0.0)
    dni_closed = np.where(np.isnan(dni), from_closure, dni)
    return Irradiance(ghi_closed, np.clip(dni_closed, 0.0, sun.dni_extra_w_m2), dhi_closed)


def filled_with(sky: Irradiance, other: Irradiance) -> Irradiance:
    """Return `sky` with `other` where it is unknown (NaN)."""
    known = np.isfinite(sky.ghi + sky.dni + sky.dhi)
    pairs = ((sky.ghi, other.ghi), (sky.dni, other.dni), (sky.dhi, other.dhi))
    return Irradiance(*(np.where(known, a, b) for a, b in pairs))
