"""Where the sun is on each fine step. Astronomy only: no atmosphere beyond refraction, no surfaces."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache

import numpy as np
from pvlib import atmosphere, spa

from service.expect.grid import BoolArray, FloatArray, Grid, IntArray, Selection, floats

SOLAR_CONSTANT_W_M2 = 1366.1
"""ASTM E490 value that the clear-sky and transposition models used here were built with."""

SUNRISE_ELEVATION_DEG = -0.8333
"""True elevation of the sun's centre at sunrise and sunset (Reda & Andreas 2008, NREL/TP-560-34302, A.2)."""

REFRACTION_AT_SUNRISE_DEG = 0.5667
DELTA_T_S = 67.0
"""Terrestrial minus universal time; three seconds of error move the sun by 0.00004 degrees."""

AIR_TEMP_FOR_REFRACTION_C = 12.0
NODE_S = 7200.0


@dataclass(frozen=True)
class Sun:
    """The sun on N fine steps, all arrays (N,), at the middle of each step's sun-up part.

    `apparent_zenith_deg` is refraction-corrected; `azimuth_deg` is clockwise from north; `dni_extra_w_m2` is
    the extraterrestrial normal irradiance; `air_mass` is relative (Kasten & Young 1989,
    doi:10.1364/AO.28.004735), NaN below the horizon; `pressure_pa` is the site's; `up_share` is the share
    (0-1) of the step with the sun up, 0 at night. `steps` are the positions of these steps in their grid.
    `facing` keeps what `expect.plane` worked out of an orientation, whatever the sky.
    """

    apparent_zenith_deg: FloatArray
    azimuth_deg: FloatArray
    dni_extra_w_m2: FloatArray
    air_mass: FloatArray
    pressure_pa: float
    up_share: FloatArray
    steps: IntArray
    facing: dict[tuple[float, float], tuple[FloatArray, FloatArray]] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    def take(self, which: Selection) -> Sun:
        """Return the sun of a subset of steps; `which` is a boolean mask (N,) or an index array."""
        return replace(
            self,
            apparent_zenith_deg=self.apparent_zenith_deg[which],
            azimuth_deg=self.azimuth_deg[which],
            dni_extra_w_m2=self.dni_extra_w_m2[which],
            air_mass=self.air_mass[which],
            up_share=self.up_share[which],
            steps=self.steps[which],
        )

    @cached_property
    def cos_zenith(self) -> FloatArray:
        """Return the cosine of the apparent zenith, 0 below the horizon, (N,)."""
        return np.maximum(np.cos(np.radians(self.apparent_zenith_deg)), 0.0)


def sun_for(
    grid: Grid, *, latitude: float, longitude: float, elevation_m: float, by_night: bool = True
) -> Sun:
    """Return the sun on the fine steps of `grid`, or not `by_night`, on those of intervals that it is up in.

    Solar position algorithm of Reda & Andreas 2008 (NREL/TP-560-34302, doi:10.2172/15003974): declination,
    right ascension and sidereal time from pvlib at two-hourly nodes, linear between them (within 0.00001
    degrees), then the exact topocentric formulas at each step. Sunrise and sunset within a step are found by
    interpolating the elevation, refined once. Extraterrestrial irradiance is 1366.1 W/m2 over the squared
    distance in AU.
    """
    edges = grid.step_edges_s()
    sky = _Ephemeris.around(edges, latitude, longitude, elevation_m)
    middle, up_share = _sun_up_part(sky, edges)
    sun_in = (up_share.reshape(grid.count, grid.steps_per_interval) > 0).any(axis=1) | by_night
    kept = np.flatnonzero(np.repeat(sun_in, grid.steps_per_interval))
    return replace(_sun(sky, middle[kept], up_share[kept]), steps=kept)


def sun_at(moments_s: FloatArray, *, latitude: float, longitude: float, elevation_m: float) -> Sun:
    """Return the sun at any moments (N,), seconds since 1970-01-01 UTC; `up_share` is 0 or 1.

    As `sun_for`, which needs a grid without gaps: this is for a few days out of a year. `steps` count the moments.
    """
    ends = floats([moments_s.min(), moments_s.max()])
    sky = _Ephemeris.around(ends, latitude, longitude, elevation_m)
    up = sky.true_elevation(moments_s) > SUNRISE_ELEVATION_DEG
    return _sun(sky, moments_s, floats(up))


def _sun(sky: _Ephemeris, moments_s: FloatArray, up_share: FloatArray) -> Sun:
    pressure_pa = float(atmosphere.alt2pres(sky.elevation_m))
    zenith, azimuth = sky.apparent_position(moments_s, pressure_pa)
    with np.errstate(invalid="ignore"):
        air_mass = np.asarray(atmosphere.get_relative_airmass(zenith))
    return Sun(
        apparent_zenith_deg=zenith,
        azimuth_deg=azimuth,
        dni_extra_w_m2=SOLAR_CONSTANT_W_M2 / sky.distance_au(moments_s) ** 2,
        air_mass=air_mass,
        pressure_pa=pressure_pa,
        up_share=up_share,
        steps=np.arange(len(moments_s)),
    )


@dataclass(frozen=True)
class _Ephemeris:
    """The slow quantities of the solar position at nodes, and the formulas that turn them into angles."""

    node_s: FloatArray
    node_hour_angle_deg: FloatArray
    node_declination_deg: FloatArray
    node_distance_au: FloatArray
    latitude: float
    elevation_m: float

    @classmethod
    def around(cls, edges_s: FloatArray, latitude: float, longitude: float, elevation_m: float) -> _Ephemeris:
        first, last = int(edges_s[0] // NODE_S), int(edges_s[-1] // NODE_S) + 1
        node_s, at_greenwich, declination, distance = _nodes(first, last)
        return cls(node_s, at_greenwich + longitude, declination, distance, latitude, elevation_m)

    def distance_au(self, at_s: FloatArray) -> FloatArray:
        return np.interp(at_s, self.node_s, self.node_distance_au)

    def true_elevation(self, at_s: FloatArray) -> FloatArray:
        hour_angle, declination = self._topocentric(at_s)
        return self._elevation(hour_angle, declination)

    def apparent_position(self, at_s: FloatArray, pressure_pa: float) -> tuple[FloatArray, FloatArray]:
        hour_angle, declination = self._topocentric(at_s)
        elevation = self._elevation(hour_angle, declination)
        refraction = spa.atmospheric_refraction_correction(
            pressure_pa / 100, AIR_TEMP_FOR_REFRACTION_C, elevation, REFRACTION_AT_SUNRISE_DEG
        )
        from_south = spa.topocentric_astronomers_azimuth(hour_angle, declination, self.latitude)
        return 90 - elevation - refraction, (from_south + 180) % 360

    def _elevation(self, hour_angle: FloatArray, declination: FloatArray) -> FloatArray:
        return np.asarray(
            spa.topocentric_elevation_angle_without_atmosphere(self.latitude, declination, hour_angle)
        )

    def _topocentric(self, at_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        hour_angle = np.interp(at_s, self.node_s, self.node_hour_angle_deg)
        declination = np.interp(at_s, self.node_s, self.node_declination_deg)
        parallax = spa.equatorial_horizontal_parallax(self.distance_au(at_s))
        u = spa.uterm(self.latitude)
        x = spa.xterm(u, self.latitude, self.elevation_m)
        y = spa.yterm(u, self.latitude, self.elevation_m)
        shift = spa.parallax_sun_right_ascension(x, parallax, hour_angle, declination)
        topocentric = spa.topocentric_sun_declination(declination, x, y, parallax, shift, hour_angle)
        return hour_angle - shift, topocentric


@lru_cache(maxsize=64)
def _nodes(first: int, last: int) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return times, s, Greenwich hour angles and declinations, degrees, and distances, AU, at nodes.

    The same for every site, and asked for several times in one verification: kept.
    """
    node_s = floats(np.arange(first, last + 1) * NODE_S)
    anywhere = (0.0, 0.0, 0.0, 0.0, 0.0)
    sidereal, ascension, declination = spa.solar_position_numpy(
        node_s, *anywhere, DELTA_T_S, REFRACTION_AT_SUNRISE_DEG, 1, sst=True
    )
    hour_angle = np.unwrap(sidereal - ascension, period=360)
    return node_s, hour_angle, declination, spa.earthsun_distance(node_s, DELTA_T_S, 1)


def _sun_up_part(sky: _Ephemeris, edges_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the middle of each step's sun-up part (at night the step's), s, and its share (0-1)."""
    height = sky.true_elevation(edges_s) - SUNRISE_ELEVATION_DEG
    up = height > 0
    begin, end = edges_s[:-1].copy(), edges_s[1:].copy()
    crossing = up[:-1] != up[1:]
    moment = _crossing_s(sky, edges_s, height, crossing)
    rising = up[1:][crossing]
    begin[crossing] = np.where(rising, moment, begin[crossing])
    end[crossing] = np.where(rising, end[crossing], moment)
    share = np.where(up[:-1] | up[1:], (end - begin) / np.diff(edges_s), 0.0)
    return (begin + end) / 2, share


def _crossing_s(
    sky: _Ephemeris,
    edges_s: FloatArray,
    height: FloatArray,
    crossing: BoolArray,
) -> FloatArray:
    """Return when the elevation passes that of sunrise in the crossing steps, s: a secant, taken twice."""
    t0, t1 = edges_s[:-1][crossing], edges_s[1:][crossing]
    h0, h1 = height[:-1][crossing], height[1:][crossing]
    moment = t0 + (t1 - t0) * h0 / (h0 - h1)
    miss = sky.true_elevation(moment) - SUNRISE_ELEVATION_DEG
    return np.clip(moment - miss * (t1 - t0) / (h1 - h0), t0, t1)
