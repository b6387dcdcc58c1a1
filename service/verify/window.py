"""One window's light on all planes, and what it would be by another clock or with a plane turned. Judges nothing."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC
from functools import cached_property

import numpy as np

from service.expect.energy import unit_groups
from service.expect.grid import BoolArray, Grid, IntArray
from service.expect.site import Plane, Site
from service.expect.weather import Weather
from service.verify.inputs import FloatArray, Readings
from service.verify.levels import resolution_wh
from service.verify.orientation import ClearLight, Parts, clear_light
from service.verify.skyfit import BENDS, Fit, Observed, explained, fit, observed
from service.verify.told_light import told_light

LONGEST_INTERVAL_MIN = 60
LARGEST_SHIFT_MIN, FURTHEST_SHIFT_MIN = 180, 720
"""By how much labels may be off, minutes: as far as is looked at first, and where the best fit lies there at the edge,
any time of another zone."""


LOWEST_BEAM_W_M2 = 100.0
MUCH = 0.5
CLEAR_RUN_MIN, CLEAR_SHARE = 30, 0.6
"""A clear sky counts from this run on, and on days of which it fills this share: under a closed cover some orientation
always fits now and then."""

PART_OF_DAY = 0.1
"""Share of the fullest day's light from which a day counts as one."""

TELLING, BEAM_UNKNOWN, DIFFUSE_UNKNOWN = 0.10, 0.04, 0.3
"""Relative uncertainty of a plane's light below which its fit to a clear sky says something, and that of its parts."""

EVEN, EVEN_NOISES, DIM = 0.12, 2.0, 0.6
"""Planes whose light, for the sky that each sees, differs by no more than this share of it, or so many standard
deviations, stand under an even sky, unless the best lit of them has this share of a clear sky's light: then the sun may
shine on all alike (common practice, no source)."""

HELD, HELD_BELOW, CROWDING, HELD_MINUTES = 0.012, (0.05, 0.93), 4.0, 60
"""A site whose total stands so near one level, at such a share of its ratings, for an hour, and so many times longer
than just below it, is held there (`causes/curtailed.py`): what it gives then says nothing about the light."""

BENT, OTHER_BENDS = 0.2, (0.1, 0.3)
"""Outputs are bent so much or less; what is tried beside the one is of the other kind."""

HAZES, HAZE_SPREAD = (-0.15, -0.1, -0.05, 0.0, 0.05, 0.1, 0.15, 0.2), 0.08
"""Optical depths of haze for each air mass, more than the model's, and how far a day's lies from it: so much takes a
unit of Linke's turbidity from the beam (Kasten 1996: 0.8662 over 9.4 to 10 at air mass 2), and monthly means are a unit
or so off the day's (from memory)."""

DRIFTS = (-0.2, -0.1, 0.0, 0.1, 0.2)
"""How much more haze there is while the sun stands due west, and less in the east, as likely as a whole day's: mornings
are hazier than afternoons, or clear up, by some units of turbidity (from memory)."""

SCATTERED, DARKEST_SKY = 2.0, 0.4
"""By how many times its diffuse light a sky is brighter for all of its beam that haze takes, and how dark it is left in
air without any: between 3.4 under a high sun and 1.2 with the sun 15 degrees up (computed with pvlib's Ineichen model,
2 to 4 units of turbidity), 0.39 in air of 2 units for 3."""

Light = tuple[FloatArray, FloatArray, BoolArray]
"""Beam and diffuse light by H descriptions on P planes in N intervals, W/m2, each (H, P, N), and where the sun is down
by them, (H, N), or by all of them, (1, N)."""


@dataclass(frozen=True)
class Sunshine:
    """Hours by one description: of a clear sky in runs that say something, of beam under any sky, of possible beam."""

    clear_h: float
    beam_h: float
    bright_h: float


@dataclass(frozen=True)
class Window:
    """The light that P planes' units told in N intervals (grid positions `intervals`, solar days `days`).

    `voices` (P,) is how many units speak for each plane; `sensed` whether a sensor told the light that should be,
    `beam_sensed` whether it told beam and diffuse light apart; `reach_min` how far off clocks may be.
    """

    light: ClearLight
    planes: tuple[Plane, ...]
    parts: tuple[Parts, ...]
    seen: Observed
    intervals: IntArray
    days: IntArray
    voices: FloatArray
    sensed: bool
    beam_sensed: bool
    reach_min: int = LARGEST_SHIFT_MIN
    bends: tuple[float, ...] = BENDS

    def thinned(self, most: int) -> Window:
        """Return the window in at most so many intervals."""
        stride = max(-(-len(self.intervals) // most), 1)
        kept = slice(None, None, stride)
        return replace(
            self,
            seen=self.seen.thinned(stride),
            intervals=self.intervals[kept],
            days=self.days[kept],
        )

    @property
    def telling(self) -> BoolArray:
        """Return which planes tell much of the window, (P,); one whose branch was off for most of it does not."""
        told = (self.seen.weight > 0).sum(axis=1)
        return np.asarray(told >= MUCH * told.max())

    @property
    def telling_planes(self) -> int:
        """Return how many planes tell much of the window."""
        return int(self.telling.sum())

    @cached_property
    def day_names(self) -> IntArray:
        """Return the solar days that have light by some clock, in order."""
        return np.unique(self.days)

    @cached_property
    def lit_days(self) -> int:
        """Return on how many days a clear sky's light would come, by the record.

        Those that a clock hours off alone would bring some into, at the window's ends, are none.
        """
        beam, diffuse, _ = self.by_record
        due = self.by_day((beam + diffuse).sum(axis=(0, 1)))
        return max(int((due > PART_OF_DAY * due.max(initial=0.0)).sum()), 1)

    def by_day(self, values: FloatArray) -> FloatArray:
        """Return values (N,) summed by day."""
        at = np.searchsorted(self.day_names, self.days)
        return np.asarray(np.bincount(at, weights=values, minlength=len(self.day_names)), dtype=np.float64)

    @cached_property
    def by_record(self) -> Light:
        """Return the light by the record, (1, P, N)."""
        return self.by_clock(np.zeros(1))

    @cached_property
    def record(self) -> float:
        """Return the log-likelihood of the record."""
        return float(self.fit(self.by_record).likelihood[0])

    def light_in_the_dark(self, late_min: FloatArray) -> FloatArray:
        """Return the log-likelihood that clocks (S,) lose by light where they have no sun, (S,)."""
        return self.lost_in(self.light.dark(late_min, self.intervals))

    def lost_in(self, dark: BoolArray) -> FloatArray:
        """Return the log-likelihood that descriptions lose by light where the sun is down by them, (H, N), (H,)."""
        lost = np.maximum(self.seen.unexplained - self.seen.in_the_dark, 0.0)
        return np.asarray(dark @ lost * self.seen.each)

    @cached_property
    def uneven(self) -> Window:
        """Return the window without the intervals that tell nothing of the way its planes face, one at least.

        A closed cover gives all planes the same dim light, and any of them the curve of another: the more planes
        would face alike, the better such light is explained, for hours and days. On one plane nothing shows it.
        """
        told = self.seen.weight > 0
        sees = np.array([[_sky_seen(plane)] for plane in self.planes])
        error = 1 / np.sqrt(np.where(told, self.seen.weight, 1.0)) / sees
        light = self.seen.light / sees
        most, least = np.where(told, light, -np.inf).max(axis=0), np.where(told, light, np.inf).min(axis=0)
        wide = np.maximum(EVEN * most, EVEN_NOISES * np.where(told, error, 0.0).max(axis=0))
        clear = (self.by_record[0] + self.by_record[1])[0] / sees
        even = (told.sum(axis=0) > 1) & (most - least <= wide) & (most < DIM * clear.max(axis=0))
        if not even.any():
            return self
        even[int(self.seen.light.max(axis=0).argmax())] = False
        return self._at(np.flatnonzero(~even))

    def _at(self, kept: IntArray) -> Window:
        """Return the window in some of its intervals, which count for what they did."""
        return replace(self, seen=self.seen.at(kept), intervals=self.intervals[kept], days=self.days[kept])

    @property
    def with_few_bends(self) -> Window:
        """Return the window with its output bent as fits the record best and otherwise, so that less is tried."""
        bend = float(self.fit(self.by_record).bend[0])
        return replace(self, bends=(bend, OTHER_BENDS[bend < BENT]))

    def fit(self, light: Light) -> Fit:
        """Return how well descriptions with their light fit."""
        return fit(self.seen, *light, bends=self.bends)

    def by_clock(self, late_min: FloatArray) -> Light:
        """Return the light by clocks (S,)."""
        beams = [self.light.means(p.beam, late_min, self.intervals) for p in self.parts]
        diffuse = [self.light.means(p.diffuse, late_min, self.intervals) for p in self.parts]
        dark = self.light.dark(late_min, self.intervals)
        return np.concatenate(beams, axis=1), np.concatenate(diffuse, axis=1), dark

    def turned(self, plane: int, tilts: FloatArray, azimuths: FloatArray) -> Light:
        """Return the light with one plane at orientations (M,)."""
        return self._with(plane, self.light.parts(self.planes[plane], tilts, azimuths))

    def dimmed(self, plane: int, beam: float, diffuse: float) -> Light:
        """Return the light with so much of one plane's beam and diffuse light, (1, P, N)."""
        this = (np.arange(len(self.planes)) == plane)[:, None]
        by_record, dark = self.by_record[:2], self.by_record[2]
        left = (
            part * np.where(this, share, 1.0) for part, share in zip(by_record, (beam, diffuse), strict=True)
        )
        return next(left), next(left), dark

    def brighter_behind(self, plane: int, diffuse: float) -> Light:
        """Return the light with so much of one plane's diffuse light while its back is to the sun, (1, P, N)."""
        beam, sky, dark = self.by_record
        behind = (np.arange(len(self.planes)) == plane)[:, None] & (beam < sky)
        return beam, sky * np.where(behind, diffuse, 1.0), dark

    def behind(self, plane: int, horizon: tuple[tuple[float, float], ...]) -> Light:
        """Return the light with one plane behind a horizon, (1, P, N)."""
        one = replace(self.planes[plane], horizon=horizon)
        return self._with(plane, self.light.parts(one, np.array([one.tilt_deg]), np.array([one.azimuth_deg])))

    def _with(self, plane: int, parts: Parts) -> Light:
        """Return the light with the parts of one plane in M descriptions, the others as recorded."""
        beam, diffuse = (np.repeat(a, len(parts.beam), axis=0) for a in self.by_record[:2])
        beam[:, plane] = self.light.means(parts.beam, np.zeros(1), self.intervals)[0]
        diffuse[:, plane] = self.light.means(parts.diffuse, np.zeros(1), self.intervals)[0]
        return beam, diffuse, self.by_record[2]

    def clocks(self, late_min: FloatArray) -> FloatArray:
        """Return the log-likelihood of clocks, (S,)."""
        return self.fit(self.by_clock(late_min)).likelihood

    def turns(self, plane: int, tilts: FloatArray, azimuths: FloatArray) -> FloatArray:
        """Return the log-likelihood of one plane's orientations, (M,)."""
        return self.fit(self.turned(plane, tilts, azimuths)).likelihood

    def whatever_haze(self, light: Light) -> float:
        """Return the log-likelihood of one description if each day's air may be clearer or hazier than the model's.

        By a wrong haze a plane has too much light or too little while the sun is low, as by a wrong tilt.
        """
        return self._by_likeliest(self.in_haze(light), 0.5 * (np.array(HAZES) / HAZE_SPREAD) ** 2)

    def whatever_drift(self, light: Light) -> float:
        """Return the same if each day's haze may come or go over the day, too, and light the sky.

        By haze that lifts one side of the day is too bright for the other, on all planes that face alike or both to
        one side, as by a wrong clock.
        """
        haze, drift = (each.ravel() for each in np.meshgrid(HAZES, DRIFTS))
        beam, diffuse, dark = light
        depth = (haze[:, None] + np.outer(drift, self.light.sun_in_west[self.intervals])) * self.air_mass
        left = np.exp(-depth)
        sky = np.maximum(1 + SCATTERED * (1 - left), DARKEST_SKY)
        hazy = beam * left[:, None], diffuse * sky[:, None], dark
        return self._by_likeliest(hazy, 0.5 * (haze**2 + drift**2) / HAZE_SPREAD**2)

    def _by_likeliest(self, light: Light, unlikely: FloatArray) -> float:
        """Return the log-likelihood of light in several airs, (H, P, N), each day in the one that suits it best.

        `unlikely` (H,) is what speaks against each; level and bend are those of the best for all days.
        """
        fits = self.fit(light)
        top = int(np.argmax(fits.likelihood - unlikely))
        told = explained(self.seen, *light, fits.only(top)).likelihood
        by_day = np.stack([self.by_day(each) for each in told])
        usual = float(fits.likelihood[top] - by_day[top].sum())
        return usual + float((by_day - unlikely[:, None]).max(axis=0).sum())

    @property
    def air_mass(self) -> FloatArray:
        """Return the air mass in the window's intervals, (N,), by the record's clock."""
        return self.light.air_mass[self.intervals]

    def in_haze(self, light: Light) -> Light:
        """Return the light of one description, (1, P, N), in the air of each of HAZES."""
        beam, diffuse, dark = light
        return beam * np.exp(-np.outer(HAZES, self.air_mass))[:, None], diffuse, dark

    def likelihood_by_day(self, light: Light) -> FloatArray:
        """Return the log-likelihood of each description by day, (H, days)."""
        told = explained(self.seen, *light, self.fit(light))
        return np.stack([self.by_day(each) for each in told.likelihood])

    def sunshine(self, light: Light) -> Sunshine:
        """Return the sunshine by one description, (1, P, N)."""
        beam, diffuse = light[0][0], light[1][0]
        told = explained(self.seen, *light, self.fit(light))
        bright = (beam > LOWEST_BEAM_W_M2) & (self.seen.weight > 0)
        unsure = np.hypot(BEAM_UNKNOWN * beam, DIFFUSE_UNKNOWN * diffuse) / np.maximum(beam + diffuse, 1.0)
        telling = (bright & (unsure < TELLING)).any(axis=0)
        clear = _long_runs((told.clear[0] > 0.5) & telling, -(-CLEAR_RUN_MIN // self.light.grid.interval_min))
        clear_by_day, telling_by_day = self.by_day(clear.astype(float)), self.by_day(telling.astype(float))
        counted = clear_by_day >= CLEAR_SHARE * np.maximum(telling_by_day, 1e-9)
        hours, lit = self.light.grid.interval_min / 60, bright.any(axis=0)
        return Sunshine(
            float(clear_by_day[counted].sum()) * hours,
            float((told.beam[0] * lit).sum()) * hours,
            float(lit.sum()) * hours,
        )


def window(
    site: Site,
    readings: Readings,
    *,
    scale: float,
    weather: Weather | None = None,
    reach_min: int = LARGEST_SHIFT_MIN,
) -> Window | None:
    """Return the window of readings that are `scale` times too large; None without light or with long intervals.

    Under the clear sky, or under the measured one where `weather` has it.
    """
    if readings.interval_min > LONGEST_INTERVAL_MIN or not site.units or not readings.count:
        return None
    grid = Grid(readings.start.astimezone(UTC), readings.interval_min, readings.count)
    energy = readings.energy_wh / scale
    light, days = clear_light(site, grid, weather, reach_min), _solar_days(site, grid)
    told = told_light(site, grid, energy, resolution_wh(energy), weather)
    w_m2 = np.where(_held(site, energy, days, grid.interval_min), np.nan, told.w_m2)
    seen = observed(w_m2, told.step_w_m2, light.air_mass, grid.interval_min)
    some = (seen.light > 0).any(axis=0)
    used = np.flatnonzero((light.within(reach_min) | some) & (seen.weight > 0).any(axis=0))
    if not some.any() or not len(used):
        return None
    parts = tuple(light.parts(p, np.array([p.tilt_deg]), np.array([p.azimuth_deg])) for p in told.planes)
    return Window(
        light=light,
        planes=told.planes,
        parts=parts,
        seen=seen.at(used),
        intervals=used,
        days=days[used],
        voices=told.voices,
        sensed=weather is not None,
        beam_sensed=weather is not None and (weather.dni_w_m2 is not None or weather.dhi_w_m2 is not None),
        reach_min=reach_min,
    )


def _sky_seen(plane: Plane) -> float:
    """Return the light that an even sky gives a plane, over that on the level."""
    level = np.cos(np.radians(plane.tilt_deg))
    return float((1 + level + plane.albedo * (1 - level)) / 2)


def _solar_days(site: Site, grid: Grid) -> IntArray:
    """Return the number of each interval's day from solar midnight on, (T,)."""
    seconds = grid.start.timestamp() + 60 * grid.interval_min * (np.arange(grid.count) + 0.5)
    return np.asarray(np.floor(seconds / 86400 + site.longitude / 360), dtype=np.intp)


def _held(site: Site, energy_wh: FloatArray, days: IntArray, interval_min: int) -> BoolArray:
    """Return when the whole site stood at one level below its ratings, day by day, (T,)."""
    live = np.isfinite(energy_wh) & (np.nansum(energy_wh, axis=1) > 0)[:, None]
    rated = np.zeros(len(site.units))
    for group in unit_groups(site):
        rated[list(group.members)] = group.inverter.ac_rated_w * interval_min / 60
    total = np.where(live, energy_wh, 0.0).sum(axis=0)
    share = total / np.maximum(np.where(live, rated[:, None], 0.0).sum(axis=0), 1e-9)
    held = np.zeros(len(days), dtype=bool)
    for day in np.unique(days):
        held |= (days == day) & near_held_level(np.where(days == day, share, 0.0), interval_min)
    return held


def near_held_level(share: FloatArray, interval_min: int) -> BoolArray:
    """Return where a day's total, over the ratings, stands at one level that holds it, (T,)."""
    top = np.sort(share[share > HELD_BELOW[0]])[::-1][: 20 * HELD_MINUTES // interval_min]
    nowhere = np.zeros(len(share), dtype=bool)
    if not len(top):
        return nowhere
    level = float(top[int((np.abs(top[:, None] / top - 1) <= HELD).sum(axis=0).argmax())])
    near, below = (np.abs(share / at - 1) <= HELD for at in (level, level * (1 - 3 * HELD)))
    long = near.sum() * interval_min >= HELD_MINUTES
    above = (share > level * (1 + 2 * HELD)).sum() <= 0.1 * near.sum()
    crowded = near.sum() >= CROWDING * max(int(below.sum()), 1)
    return near if level <= HELD_BELOW[1] and long and above and crowded else nowhere


def _long_runs(where: BoolArray, least: int) -> BoolArray:
    """Return the runs of at least so many, (N,)."""
    run = np.cumsum(~where)
    lengths = np.bincount(run[where], minlength=int(run[-1]) + 1)
    return np.asarray(where & (lengths[run] >= least))
