"""A typical year of a site: a few days of every month under a sunny and a cloudy sky, and how often each is there.

For what a loss costs in a year, and for the sun's paths. No forecast, and no measured year: see `sunny_share`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from service.expect.energy import GroupPower, UnitGroup, group_power
from service.expect.grid import FloatArray, IntArray, floats
from service.expect.plane import PlaneIrradiance, on_plane
from service.expect.site import Plane, Site
from service.expect.sky import Irradiance, clear_sky_at, cloudy_sky, linke_turbidity_on
from service.expect.sun import Sun, sun_at
from service.expect.weather import DEFAULT_WIND_M_S, typical_air_temp_at

REFERENCE_YEAR = 2023
"""A common year; from year to year the sun's path moves by less than 0.2 degrees."""

DAYS, DAY_S, STEP_MIN = 365, 86400, 20
SAMPLED_DAYS = 36
"""One day in ten: the noon sun moves at most 4 degrees from one to the next, half of that from their middle."""

SUNNY_LATITUDES_DEG = (0, 10, 20, 30, 36, 40, 45, 50, 55, 60, 90)
SUNNY_SHARES = (0.42, 0.47, 0.58, 0.60, 0.55, 0.53, 0.44, 0.38, 0.33, 0.36, 0.36)
SUMMER_SURPLUS_FROM_DEG, SUMMER_SURPLUS_PER_DEG = 25.0, 0.0035
"""How much sunnier summer is than the mean of the year, by degrees of latitude (from memory, climate normals)."""

SUNNY_SHARE_SD = 0.12
"""Standard uncertainty of `sunny_share`: deserts lie 0.3 above their latitude, wet coasts 0.15 below."""

CLOUDY_INDEX, CLOUDY_INDEX_PER_SHARE = 0.17, 0.7
"""Clear-sky index while the sun does not shine: clouds of sunnier climates are thinner. See `typical_year`."""

MONTH_OF_DAY = np.repeat(np.arange(12), (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31))


@dataclass(frozen=True)
class Year:
    """N moments with the sun up that stand for a year, each for `hours` of it.

    `sky` and `share` are (2, N): irradiance [W/m2] while the sun shines and while it does not, and their shares of the
    time, which sum to 1. `month` (N,) counts from 0. Air in degC, (N,).
    """

    site: Site
    sun: Sun
    hours: float
    month: IntArray
    sky: Irradiance
    share: FloatArray
    air_temp_c: FloatArray

    def light(self, plane: Plane) -> PlaneIrradiance:
        """Return the irradiance on a plane under either sky, W/m2, (2, N)."""
        return on_plane(plane, self.sun, self.sky)

    def power(self, group: UnitGroup) -> GroupPower:
        """Return the powers of one unit of `group` under either sky, (2, N)."""
        return group_power(
            group,
            self.sun,
            self.sky,
            site=self.site,
            air_temp_c=self.air_temp_c,
            wind_m_s=DEFAULT_WIND_M_S,
        )

    def monthly(self, values: FloatArray) -> FloatArray:
        """Return powers (2, N) gathered to energies by month, (12,), in the powers' unit times hours."""
        return floats(np.bincount(self.month, (self.share * values).sum(axis=0) * self.hours, minlength=12))


def typical_year(site: Site) -> Year:
    """Return a typical year over `site`.

    Two skies stand for all: the clear one for the share `sunny_share` of the time, and a closed one without any beam,
    as in Angstrom 1924 (doi:10.1002/qj.49705021008), who gave it a quarter of the clear sky's irradiation at
    Stockholm. Its clear-sky index here is 0.17 + 0.7 of that share, which gives back global and diffuse irradiation of
    eight places within 0.06: Chennai, Cologne, Datong, Riyadh and Rio (EPJ Photovoltaics 2023, pv220042, table 1), and
    Miami, Greensboro and Sand Point by the typical years that pvlib carries. With the share of a latitude instead of
    the place's own a year's energy is known to about 15 %, the beam's to about 30 % (standard uncertainties).
    """
    moments, day = _moments()
    sun = sun_at(moments, latitude=site.latitude, longitude=site.longitude, elevation_m=site.elevation_m)
    up = sun.up_share > 0
    sun, moments, day = sun.take(up), moments[up], day[up]
    clear = clear_sky_at(sun, linke_turbidity_on(day + 1, site=site), site=site)
    sunny = sunny_share(site.latitude, day)
    closed = cloudy_sky(sun, clear, index=CLOUDY_INDEX + CLOUDY_INDEX_PER_SHARE * sunny, diffuse_shift=1.0)
    parts = ((clear.ghi, closed.ghi), (clear.dni, closed.dni), (clear.dhi, closed.dhi))
    return Year(
        site=site,
        sun=sun,
        hours=DAYS / SAMPLED_DAYS * STEP_MIN / 60,
        month=MONTH_OF_DAY[day],
        sky=Irradiance(*(np.stack(pair) for pair in parts)),
        share=np.stack([sunny, 1 - sunny]),
        air_temp_c=typical_air_temp_at(
            moments,
            day + 1,
            latitude=site.latitude,
            longitude=site.longitude,
            elevation_m=site.elevation_m,
        ),
    )


def sunny_share(latitude: float, day: IntArray) -> FloatArray:
    """Return the share of the clear sky's beam that arrives on days (N,) of the year, 0 to 364, at a latitude.

    By latitude alone, between the values of the places named at `typical_year` and the usual ones of their latitudes
    (from memory), with a summer surplus outside the tropics; standard uncertainty SUNNY_SHARE_SD.
    """
    mean = np.interp(abs(latitude), SUNNY_LATITUDES_DEG, SUNNY_SHARES)
    surplus = SUMMER_SURPLUS_PER_DEG * max(abs(latitude) - SUMMER_SURPLUS_FROM_DEG, 0.0)
    peak = 190 if latitude >= 0 else 7
    return floats(mean + surplus * np.cos(2 * np.pi * (day - peak) / DAYS))


def sun_paths(site: Site, days: IntArray) -> tuple[FloatArray, FloatArray]:
    """Return the sun's azimuth and apparent elevation on days (K,) of the year, 0 to 364, degrees, (K, M).

    Every ten minutes from one solar midnight on; negative elevations below the horizon. No horizon line is drawn in.
    """
    within = (np.arange(0, DAY_S, 600) - site.longitude * 240.0)[None, :]
    moments = floats(_new_year_s() + days[:, None] * DAY_S + within)
    sun = sun_at(
        moments.ravel(), latitude=site.latitude, longitude=site.longitude, elevation_m=site.elevation_m
    )
    elevation = (90 - sun.apparent_zenith_deg).reshape(moments.shape)
    return sun.azimuth_deg.reshape(moments.shape), elevation


def _moments() -> tuple[FloatArray, IntArray]:
    """Return the sampled moments, s since 1970, and their days of the year from 0."""
    days = ((np.arange(SAMPLED_DAYS) + 0.5) * DAYS / SAMPLED_DAYS).astype(int)
    within = (np.arange(DAY_S // (60 * STEP_MIN)) + 0.5) * 60 * STEP_MIN
    moments = _new_year_s() + days[:, None] * DAY_S + within[None, :]
    return floats(moments.ravel()), np.repeat(days, len(within))


def _new_year_s() -> float:
    return datetime(REFERENCE_YEAR, 1, 1, tzinfo=UTC).timestamp()
