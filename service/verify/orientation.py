"""The clear sky's light on planes of any orientation by any clock, cheap enough to try hundreds. Chooses none.

Light under any sky is taken as two parts of the clear sky's: b times its beam and d times its diffuse light. The beam
part holds all that comes from the sun's place (direct and circumsolar light, and what the ground sends back of it), so
that a closed cloud cover has b near 0 and haze a larger d. Sums over time are kept, so that another clock is a
subtraction.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import timedelta
from functools import cached_property

import numpy as np

from service.expect.grid import BoolArray, Grid, IntArray
from service.expect.plane import (
    LOWEST_COS_ZENITH,
    beam_modifier,
    diffuse_modifiers,
    horizon_elevation,
    on_plane,
)
from service.expect.site import Plane, Site
from service.expect.sky import Irradiance, clear_sky, filled_with
from service.expect.sun import Sun, sun_for
from service.expect.weather import Weather, sky_from_weather
from service.verify.inputs import FloatArray

SPARE_MIN = 20
"""How much further than asked for the labels may be off and the light still be known."""

CLEARER_AT_LOW_SUN = 0.03
"""By how much, per air mass above 1.5, the beam is stronger than one constant Linke turbidity says: between none (that
model) and 0.06 (the spectral one of Solis); the clear-sky models differ that much (computed with pvlib's two)."""

DARK_W_M2 = 2.0
"""Mean of the clear sky's light below which the sun is as good as down in an interval: what twilight leaves starts no
inverter, whatever the clouds and whichever way the planes face."""

THICKEST_AIR = 10.0

_COSINE_STEPS = 4096
_MODIFIERS = beam_modifier(np.linspace(0.0, 1.0, _COSINE_STEPS + 1))


@dataclass(frozen=True)
class Parts:
    """Beam and diffuse light of M orientations, W/m2 times steps, summed from the first step on, each (M, n + 1)."""

    beam: FloatArray
    diffuse: FloatArray


@dataclass(frozen=True)
class ClearLight:
    """The clear sky over a grid and LONGEST_SHIFT_MIN beyond it, by the record's clock.

    `lit` are the n steps' positions with the sun up; the arrays below are (L,) over them: the unit vector towards the
    sun (3, L), the irradiance from the sun's place on a plane facing it, diffuse light on a level and on an upright
    plane, and the horizontal beam and diffuse light that the ground sends back.
    """

    grid: Grid
    steps_before: int
    steps: int
    lit: IntArray
    sun: Sun
    towards_sun: FloatArray
    sunward: FloatArray
    sky_level: FloatArray
    sky_upright: FloatArray
    level_beam: FloatArray
    level_diffuse: FloatArray

    @property
    def step_min(self) -> float:
        """Return the length of a step, minutes."""
        return self.grid.step_hours * 60

    def parts(self, plane: Plane, tilt_deg: FloatArray, azimuth_deg: FloatArray) -> Parts:
        """Return the light on planes (M,) that are like `plane` but for their orientation.

        As `service.expect.plane.on_plane`, behind the glass.
        """
        tilt, azimuth = np.radians(tilt_deg), np.radians(azimuth_deg)
        facing = np.stack(
            [np.sin(tilt) * np.sin(azimuth), np.sin(tilt) * np.cos(azimuth), np.cos(tilt)], axis=1
        )
        cosine = np.clip(facing @ self.towards_sun, 0.0, 1.0)
        of_sky, of_ground = diffuse_modifiers(tilt_deg)
        ground = (plane.albedo * (1 - np.cos(tilt)) / 2 * of_ground)[:, None]
        seen = horizon_elevation(plane, self.sun.azimuth_deg) < 90 - self.sun.apparent_zenith_deg
        beam = (
            self.sunward * seen * cosine * _MODIFIERS[np.rint(cosine * _COSINE_STEPS).astype(np.intp)]
            + ground * self.level_beam
        )
        dome, upright = ((1 + np.cos(tilt)) / 2)[:, None], np.sin(tilt)[:, None]
        sky = np.maximum(self.sky_level * (dome - upright / 2) + self.sky_upright * upright, 0.0)
        return Parts(self._summed(beam), self._summed(sky * of_sky[:, None] + ground * self.level_diffuse))

    def _summed(self, light: FloatArray) -> FloatArray:
        steps = np.zeros((len(light), self.steps + 1))
        steps[:, self.lit + 1] = light * self.sun.up_share
        return np.cumsum(steps, axis=1, out=steps)

    def means(self, summed: FloatArray, late_min: FloatArray, intervals: IntArray) -> FloatArray:
        """Return the means over the labelled intervals (N,) by clocks that are `late_min` (S,) late, (S, M, N).

        `summed` (M, n + 1) is a sum of `parts`.
        """
        width = self.grid.steps_per_interval
        begin = self.steps_before + intervals[None, :] * width - late_min[:, None] / self.step_min
        whole = np.floor(begin).astype(np.intp)
        share = begin - whole
        out = np.empty((len(late_min), len(summed), len(intervals)))
        for s, (at, part) in enumerate(zip(whole, share, strict=True)):
            difference = summed[:, at + width] - summed[:, at]
            if part.any():
                difference = difference * (1 - part) + (summed[:, at + width + 1] - summed[:, at + 1]) * part
            out[s] = difference / width
        return out

    @cached_property
    def _any_light(self) -> FloatArray:
        """Return the light on a plane that always faces the sun and its level diffuse light, summed, (1, n + 1)."""
        return self._summed((self.sunward + self.level_diffuse)[None])

    def dark(self, late_min: FloatArray, intervals: IntArray) -> BoolArray:
        """Return in which labelled intervals (N,) the sun is down by clocks that are `late_min` (S,) late, (S, N)."""
        return np.asarray(self.means(self._any_light, late_min, intervals)[:, 0] < DARK_W_M2)

    def within(self, minutes: float) -> BoolArray:
        """Return which intervals some clock up to `minutes` off has sun in, (T,)."""
        up = np.zeros(self.steps + 1)
        up[self.lit + 1] = 1.0
        risen, width = np.cumsum(up), self.grid.steps_per_interval
        reach = min(math.ceil(minutes / self.step_min), self.steps_before)
        begin = self.steps_before + np.arange(self.grid.count) * width
        return np.asarray(risen[begin + width + reach] > risen[begin - reach])

    @cached_property
    def air_mass(self) -> FloatArray:
        """Return the air mass by the record's clock, (T,), THICKEST_AIR at most and at night."""
        return self._of_intervals(_air_mass(self.sun), THICKEST_AIR)

    @cached_property
    def sun_in_west(self) -> FloatArray:
        """Return how far the sun stands in the west by the record's clock, (T,), 1 due west and -1 due east."""
        return self._of_intervals(-self.towards_sun[0], 0.0)

    def _of_intervals(self, lit: FloatArray, dark: float) -> FloatArray:
        """Return the means over the record's intervals (T,) of what is known with the sun up (L,)."""
        steps = np.full(self.steps, dark)
        steps[self.lit] = lit
        width, begin = self.grid.steps_per_interval, self.steps_before
        inside = steps[begin : begin + self.grid.count * width]
        return np.asarray(inside.reshape(-1, width).mean(axis=1))

    def beam_over_diffuse(self, intervals: IntArray) -> FloatArray:
        """Return the level's light straight from the sun over its diffuse light, by the record's clock, (N,)."""
        level = self._summed(np.stack([self.level_beam, self.level_diffuse]))
        beam, diffuse = self.means(level, np.zeros(1), intervals)[0]
        return np.asarray(beam / np.maximum(diffuse, 1.0))


def clear_light(site: Site, grid: Grid, weather: Weather | None, reach_min: int) -> ClearLight:
    """Return the light over `site` for `grid` and what clocks up to `reach_min` off could bring into it.

    The clear sky's, and where `weather` measured it the real one's.
    """
    before = math.ceil((reach_min + SPARE_MIN) / grid.interval_min)
    start = grid.start - timedelta(minutes=before * grid.interval_min)
    wide = Grid(start, grid.interval_min, grid.count + 2 * before)
    place = {"latitude": site.latitude, "longitude": site.longitude, "elevation_m": site.elevation_m}
    sun = sun_for(wide, **place, by_night=False)
    sun = sun.take(sun.up_share > 0)
    clear, modelled = _sky(sun, wide, site, weather)
    level = on_plane(Plane("level", 0.0, 0.0, albedo=0.0), sun, clear)
    upright = on_plane(Plane("upright", 90.0, 0.0, albedo=0.0), sun, clear)
    zenith, azimuth = np.radians(sun.apparent_zenith_deg), np.radians(sun.azimuth_deg)
    clearer = np.where(modelled, np.exp(CLEARER_AT_LOW_SUN * (_air_mass(sun) - 1.5)), 1.0)
    circumsolar = (clear.dhi - level.sky) / np.maximum(np.cos(zenith), LOWEST_COS_ZENITH)
    return ClearLight(
        grid=grid,
        steps_before=before * grid.steps_per_interval,
        steps=wide.step_count,
        lit=sun.steps,
        sun=sun,
        towards_sun=np.stack(
            [np.sin(zenith) * np.sin(azimuth), np.sin(zenith) * np.cos(azimuth), np.cos(zenith)]
        ),
        sunward=(clear.dni + circumsolar) * clearer,
        sky_level=level.sky,
        sky_upright=upright.sky,
        level_beam=clear.dni * sun.cos_zenith * clearer,
        level_diffuse=clear.dhi,
    )


def _sky(sun: Sun, grid: Grid, site: Site, weather: Weather | None) -> tuple[Irradiance, BoolArray]:
    """Return the measured sky with the clear one where nothing was measured, and where that is."""
    clear = clear_sky(sun, grid, site=site)
    if weather is None:
        return clear, np.ones(len(sun.steps), dtype=bool)
    sky = sky_from_weather(weather, grid, sun, clear, site=site)
    return filled_with(sky, clear), ~np.isfinite(sky.ghi + sky.dni + sky.dhi)


def _air_mass(sun: Sun) -> FloatArray:
    return np.minimum(np.nan_to_num(sun.air_mass, nan=THICKEST_AIR), THICKEST_AIR)
