"""How much of the sun's beam a plane shows, by day and solar time: what the search for shade on whole planes looks at.

A plane's units agree on their output; what lies above the clear sky's diffuse energy is beam. Here is told where it may
be hidden, where it surely is not, and what the other planes say of it. Whether anything shades is judged elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from service.expect.energy import UnitGroup
from service.expect.grid import floats
from service.expect.plane import on_plane
from service.expect.sky import Irradiance, cloudy_skies, filled_with
from service.verify.day import Daylight
from service.verify.inputs import FloatArray
from service.verify.sky import DIFFUSE_SHIFTS, INDEX_LEVELS, sums_around

BoolArray = NDArray[np.bool_]
Ints = NDArray[np.intp]

BIN_MINUTES = 10
"""Width of the bins of solar time: the sun moves about 2.5 degrees, and over a week returns within one or two."""

TELLING_BEAM = 0.4
"""Least share of a plane's clear-sky energy that must be beam for its loss to be told from cloud."""

TELLING_ENERGY = 0.06
"""Least clear-sky energy, over the plane's highest."""

HIDDEN_BEAM, HIDDEN_DIFFUSE, MOST_HIDDEN = 0.2, 2.0, 0.6
"""Visible beam up to which all of it may be hidden: the model's error, and so many times the clear sky's diffuse
energy, the light around the sun included, besides itself, since broken cloud has up to three times a clear sky's
diffuse light (from memory); never more than the last."""

SURE_DIFFUSE = 0.5
"""The same where the diffuse light was measured: it is not even over the sky."""

BRIGHT, ABOVE_HIDDEN = 0.65, 0.2
"""Visible beam from which the sun surely shone on the plane, and by how much it lies above what may be hidden."""

SUNSHINE_W_M2 = 120.0
"""Measured direct sun from which something can cast a shadow: the World Meteorological Organization's threshold of
sunshine (WMO-No. 8)."""

LEAST_LIGHT = 0.2
"""Share of the clear sky's diffuse energy below which a plane is out rather than shaded."""

RANGE = (-0.3, 2.0)
"""Where the visible beam is cut off: more or less is the weakest light's noise."""

STRONG, SHINING, JUMP = 0.18, (0.75, 1.4), 0.5
"""Clear-sky energy over the modules' rating and visible beam with which a bin can show a span's end, and the least
jump of the visible beam there: under an overcast sky it changes slowly, though the weakest light of the day may look
bright."""

EDGE_BINS = 2
"""How many bins before a span's first, or after its last, may be the bright one: an edge may fall within a bin."""

CLEAR_SUN, STILL_SUN = (0.75, 1.6), 0.08
"""Visible beam under a clear sky and how little it changes from bin to bin: a bright cloud, whose light may be as much
as the hidden sun's, is not so still."""

LEVELS = (0.1, 30.0)
"""Where output over the clear sky's diffuse energy is cut off."""

SAME_LEVEL, OTHER_DAYS, ALIKE_MINUTES = 0.08, 2, 25
"""How close the logs of that share lie on days that agree, their means so many minutes to either side, and how many
other days must: behind an object broken clouds move the light of minutes, hardly that of an hour."""

STRONG_SHARE, REACHED, DIM = 0.3, 0.75, (0.4, 1.0)
"""Share of the highest expected energy from which a plane's level is read by a sensor, the quantile that counts, and
what it may be: shade for most of the time leaves less of it."""

CROSS_WIDTH = 0.12
"""Width of a plane's fit to a sky (log)."""

TURNED_AWAY, BRIGHT_WITHOUT_SUN = 0.8, 1.0
"""Share of the clear sky's energy from which a plane tells the sky's light alone, and log odds for no beam on another
plane from which that one shows such light, too, however bright it is."""

BELOW_TOP = 0.8
"""A held or clipped output is the plane's highest; shade is not."""


@dataclass(frozen=True)
class Clouds:
    """Where strong light tells of clouds, by day and bin of solar time (days, B): `told` at all, `dark` and `lit`."""

    told: BoolArray
    dark: BoolArray
    lit: BoolArray


@dataclass(frozen=True)
class Beam:
    """A plane by day and bin of solar time, (days, B), NaN where it cannot be told.

    `told` where the plane says something, `hidden` where its beam may be hidden, `bright` where it surely is not,
    `strong` where the light would be strong, `level` the log of output over the clear sky's diffuse without the light
    around the sun, `of_diffuse` over that with it and `of_clear` over all of the clear sky's, `agrees` where other days
    gave the same while hidden, `begins` and `ends` where a bin may be a span's first or last since the light
    is far brighter just before or after, those `parted` where units lose or regain the sun one after another, `cross`
    the log odds that other planes add, NaN where none of them tells, `sunless` where they say that what is bright has
    no beam, `place` (D,) the flat position of each interval in these tables; `sensed` whether a sensor told the sky all
    the time, `clouds` what the plane tells of them, or others if it never stands in strong light.
    """

    told: BoolArray
    hidden: BoolArray
    bright: BoolArray
    strong: BoolArray
    level: FloatArray
    of_diffuse: FloatArray
    of_clear: FloatArray
    agrees: BoolArray
    begins: BoolArray
    ends: BoolArray
    begins_dimly: BoolArray
    ends_dimly: BoolArray
    begins_parted: BoolArray
    ends_parted: BoolArray
    calm: BoolArray
    cross: FloatArray
    sunless: BoolArray
    place: Ints
    sensed: bool
    clouds: Clouds

    def without(self, first: int, last: int) -> Beam:
        """Return the beam as if nothing told of the bins from `first` to `last`, both included."""
        bins = np.arange(self.told.shape[1])
        left = (bins < first) | (bins > last)
        clouds = Clouds(*(of & left for of in (self.clouds.told, self.clouds.dark, self.clouds.lit)))
        return replace(self, told=self.told & left, clouds=clouds)


def clouds_of(planes: Sequence[Beam]) -> Clouds:
    """Return the clouds of several planes; one that has the sun tells more than one that may stand in shade."""
    told, dark, lit = (
        np.any([getattr(p.clouds, of) for p in planes], axis=0) for of in ("told", "dark", "lit")
    )
    return Clouds(told, dark & ~lit, lit)


def _in_shade(group: UnitGroup) -> UnitGroup:
    """Return the group behind a horizon that hides the sun wherever it stands."""
    return replace(group, plane=replace(group.plane, horizon=((0.0, 90.0), (180.0, 90.0))))


def _means(day: Daylight, values: FloatArray) -> FloatArray:
    """Return the means of values on the fine steps (N,) over each interval, (D,)."""
    return np.asarray(values.reshape(-1, day.steps).mean(axis=1))


def _told_throughout(day: Daylight, sky: Irradiance) -> BoolArray:
    """Return the intervals that a sky is known in from begin to end, (D,)."""
    return np.asarray(np.isfinite(sky.ghi + sky.dni + sky.dhi).reshape(-1, day.steps).all(axis=1))


def _diffuse_share(day: Daylight, group: UnitGroup, sky: Irradiance) -> FloatArray:
    """Return the share of a sky's light on the group's plane that is no beam, the sun's halo included, (D,)."""
    light = on_plane(group.plane, day.sun, sky)
    total = np.maximum(day.gather(light.total), 1e-9)
    return np.asarray(1 - day.gather(light.beam) / total)


class PlaneEnergies:
    """How well each plane's energies fit every sky, with and without beam."""

    def __init__(
        self, day: Daylight, table: FloatArray, agreed: FloatArray, sky: Irradiance | None = None
    ) -> None:
        self.day, self.agreed = day, agreed
        real = day.clear if sky is None else filled_with(sky, day.clear)
        self.measured = np.zeros(agreed.shape[1], dtype=bool) if sky is None else _told_throughout(day, sky)
        self.hidden = np.stack([day.gather(day.power(_in_shade(g), real).ac_w) for g in day.groups])
        above = int(np.searchsorted(INDEX_LEVELS, 1.0))
        self.clear = (table[:, 0, above - 1] + table[:, 0, above]) / 2
        if sky is not None:
            self.clear = np.stack([day.gather(day.power(g, real).ac_w) for g in day.groups])
        self.around = self.clear * np.stack([_diffuse_share(day, g, real) for g in day.groups])
        self.unsure = np.where(self.measured, SURE_DIFFUSE, HIDDEN_DIFFUSE) * self.around
        self.behind = self.hidden + self.unsure
        self.told = np.isfinite(agreed) & (
            self.clear > TELLING_ENERGY * self.clear.max(axis=1, keepdims=True)
        )
        if sky is not None:
            self.told &= ~self.measured | (_means(day, sky.dni) >= SUNSHINE_W_M2)
        self.agreed = agreed / self._levels()[:, None]
        self._table = table

    def _cost(self, energies: FloatArray, g: int, at: Ints) -> FloatArray:
        """Return the squared deviation of group `g` from energies (S, K, N) in units of CROSS_WIDTH, capped."""
        told = self.told[g, at]
        made = np.where(told, np.maximum(self.agreed[g, at], 1e-3), 1.0)
        off = np.log(np.maximum(energies, 1e-3) / made) / CROSS_WIDTH
        return np.where(told, np.minimum(off**2, 16.0), 0.0)

    def _levels(self) -> FloatArray:
        """Return the level that each group reaches under a measured sky, (G,): dim modules are no shade."""
        out = np.ones(len(self.agreed))
        for g in np.flatnonzero(self.told.any(axis=1)) if self.measured.any() else ():
            use = self.told[g] & self.measured & (self.clear[g] > STRONG_SHARE * self.clear[g].max())
            if use.any():
                out[g] = np.clip(np.quantile(self.agreed[g, use] / self.clear[g, use], REACHED), *DIM)
        return out

    def clear_of(self, plane: str) -> FloatArray:
        """Return the clear-sky energy of a unit on `plane`, Wh, (D,)."""
        return np.asarray(self.clear[next(g for g, x in enumerate(self.day.groups) if x.plane.name == plane)])

    def for_shade(self, plane: str, at: Ints) -> FloatArray:
        """Return the log odds for no beam on `plane` in the intervals `at`, (N,)."""
        by_planes = np.clip(self.by_planes(plane, at), 0.0, 4.0)
        return np.where(self.measured[at], self._by_sensor(plane, at), by_planes)

    def sky_beside(self, plane: str) -> BoolArray:
        """Return where another plane that has its back to the sun tells the sky's light, (D,)."""
        others = [g for g, group in enumerate(self.day.groups) if group.plane.name != plane]
        away = self.hidden[others] > TURNED_AWAY * self.clear[others]
        return np.asarray((self.told[others] & away).any(axis=0))

    def by_planes(self, plane: str, at: Ints) -> FloatArray:
        """Return the log odds for no beam on `plane` that the planes together give, (N,)."""
        diffuse = _diffuse_over_clear(self.day, self._table.shape[1], at)
        seen, behind = [], []
        for g, group in enumerate(self.day.groups):
            seen.append(self._cost(self._table[g][..., at], g, at))
            shaded = group.plane.name == plane
            behind.append(self._cost(self._behind(diffuse, g, at), g, at) if shaded else seen[g])
        return np.asarray((_least(seen) - _least(behind)) / 2)

    def _behind(self, diffuse: FloatArray, g: int, at: Ints) -> FloatArray:
        """Return what of that which group `g` may make without beam is nearest to what it does, by sky, (S, K, N).

        At least what is left with the light around the sun hidden, too, and at most as much more as that light is.
        """
        least, around = self.hidden[g, at] * diffuse, self.around[g, at] * diffuse
        return np.asarray(np.clip(np.nan_to_num(self.agreed[g, at]), least, least + around))

    def _by_sensor(self, plane: str, at: Ints) -> FloatArray:
        """Return those that the measured sky gives, (N,)."""
        rows = [g for g, group in enumerate(self.day.groups) if group.plane.name == plane]
        made, clear, most = self.agreed[rows][:, at], self.clear[rows][:, at], self.behind[rows][:, at]
        width = CROSS_WIDTH * np.maximum(clear, 1e-6)
        seen, behind = (clear - made) / width, np.maximum(made - most, 0.0) / width
        gain = np.where(self.told[rows][:, at], np.minimum(seen**2, 16.0) - np.minimum(behind**2, 16.0), 0.0)
        return np.asarray(np.clip(gain.sum(axis=0) / 2, 0.0, 4.0))


def _least(costs: list[FloatArray]) -> FloatArray:
    """Return the cost of the best sky for all groups, (N,)."""
    shifts = DIFFUSE_SHIFTS[: costs[0].shape[0], None, None]
    total = np.sum(costs, axis=0) + (shifts / 0.3) ** 2
    return np.asarray(total.reshape(-1, total.shape[-1]).min(axis=0))


def _diffuse_over_clear(day: Daylight, shifts: int, at: Ints) -> FloatArray:
    """Return the diffuse light of every sky of the family over that of the clear one in intervals `at`, (S, K, N)."""
    steps = (at[:, None] * day.steps + np.arange(day.steps)).ravel()
    part = replace(day, sun=day.sun.take(steps))
    sky = day.clear.take(steps)
    clear = np.maximum(part.gather(sky.dhi), 1e-6)
    skies = cloudy_skies(part.sun, sky, index=INDEX_LEVELS[:, None], diffuse_shifts=DIFFUSE_SHIFTS[:shifts])
    return np.stack([part.gather(one.dhi) / clear for one in skies])


def crossed(beam: Beam, energies: PlaneEnergies, plane: str, sunny: BoolArray) -> Beam:
    """Return the beam with what other planes say where one of them surely has sun (days, B) and this one may not.

    A sensor has its say wherever it measured. A plane with its back to the sun says how bright one without beam may be.
    """
    hidden, bright = ((beam.told & x).ravel()[beam.place] for x in (beam.hidden, beam.bright))
    asked = hidden & (sunny.ravel()[beam.place] | (energies.measured & beam.strong.ravel()[beam.place]))
    cross = _where(asked, partial(energies.for_shade, plane))
    dull = _where(bright & energies.sky_beside(plane), partial(energies.by_planes, plane))
    shape = beam.told.shape
    return replace(
        beam,
        cross=_binned(cross, beam.place, shape),
        sunless=_binned(dull, beam.place, shape) > BRIGHT_WITHOUT_SUN,
    )


def _where(asked: BoolArray, odds: Callable[[Ints], FloatArray]) -> FloatArray:
    """Return the odds in the intervals that are asked for, (D,), NaN elsewhere."""
    out = np.full(len(asked), np.nan)
    if asked.any():
        out[asked] = odds(np.flatnonzero(asked))
    return out


def beam_of(day: Daylight, energies: PlaneEnergies, plane: str) -> Beam | None:
    """Return the visible beam of one plane, what other planes say aside; None where it never tells any."""
    rows = [g for g, group in enumerate(day.groups) if group.plane.name == plane]
    counts = np.array([len(day.groups[g].members) for g in rows])[:, None] * energies.told[rows]
    made = (np.where(energies.told[rows], energies.agreed[rows], 0.0) * counts).sum(axis=0)
    clear, hidden = (energies.clear[rows] * counts).sum(axis=0), (energies.hidden[rows] * counts).sum(axis=0)
    told = (clear - hidden > TELLING_BEAM * clear) & (clear > 0)
    if told.sum() < 3:
        return None
    top = np.quantile(made[told] / counts.sum(axis=0)[told], 0.98)
    held = made > BELOW_TOP * top * counts.sum(axis=0)
    place, shape = solar_places(day)
    unsure, around = ((of[rows] * counts).sum(axis=0) for of in (energies.unsure, energies.around))
    made, clear, hidden, unsure, around = (
        _binned(np.where(told, x, np.nan), place, shape) for x in (made, clear, hidden, unsure, around)
    )
    seen = np.clip((made - hidden) / (clear - hidden), *RANGE)
    may_be = np.minimum(HIDDEN_BEAM + unsure / (clear - hidden), MOST_HIDDEN)
    at_top = _binned(held.astype(float), place, shape) > 0.5
    bright = seen > np.maximum(BRIGHT, may_be + ABOVE_HIDDEN)
    told = np.isfinite(seen) & (made > LEAST_LIGHT * hidden)
    strong = clear > STRONG * _rated_wh(day, rows, counts, place, shape)
    seen = np.where(told, seen, np.inf)
    calm = _calm_sun(seen)
    bare = np.where(told & (calm | (seen > SHINING[0]) & (seen < SHINING[1])), seen, -np.inf)
    shining = np.where(strong, bare, -np.inf)
    hides = told & (seen < may_be) & ~at_top
    level, of_diffuse, of_clear = (_log_over(made, of, told) for of in (hidden, around, clear))
    return Beam(
        told=told,
        hidden=hides,
        bright=bright,
        strong=strong,
        level=level,
        of_diffuse=of_diffuse,
        of_clear=of_clear,
        agrees=_agreement(level, hides, max(BIN_MINUTES, day.grid.interval_min)),
        begins=_jumps(seen, shining),
        ends=_jumps(seen[:, ::-1], shining[:, ::-1])[:, ::-1],
        begins_dimly=_jumps(seen, bare),
        ends_dimly=_jumps(seen[:, ::-1], bare[:, ::-1])[:, ::-1],
        begins_parted=np.zeros(shape, dtype=bool),
        ends_parted=np.zeros(shape, dtype=bool),
        calm=calm,
        cross=np.full(shape, np.nan),
        sunless=np.zeros(shape, dtype=bool),
        place=place,
        sensed=bool(energies.measured.all()),
        clouds=Clouds(told & strong, told & strong & hides, told & strong & bright),
    )


def _log_over(made: FloatArray, of: FloatArray, told: BoolArray) -> FloatArray:
    """Return the log of output over some light's where it is told, 0 elsewhere."""
    return floats(np.log(np.where(told, np.clip(made / np.maximum(of, 1e-6), *LEVELS), 1.0)))


def _agreement(level: FloatArray, hidden: BoolArray, width_min: int) -> BoolArray:
    """Return where a hidden bin's level is that of OTHER_DAYS other days' hidden bins at the same place, (days, B)."""
    around = _mean_around(level, hidden, ALIKE_MINUTES // width_min)
    same = np.abs(around[:, None] - around[None]) < SAME_LEVEL
    count = (same & hidden[:, None] & hidden[None]).sum(axis=1) - hidden
    return np.asarray(hidden & (count >= OTHER_DAYS))


def _mean_around(values: FloatArray, where: BoolArray, bins: int) -> FloatArray:
    """Return the means (days, B) of the values `where` they count, so many bins to either side of each."""
    reach = np.full(values.shape[1], bins)
    count = sums_around(where.astype(float), reach)
    return floats(sums_around(np.where(where, values, 0.0), reach) / np.maximum(count, 1.0))


def _calm_sun(seen: FloatArray) -> BoolArray:
    """Return the bins (days, B) in which the sun shines as from a clear sky, like in the bin before or after."""
    like = (seen > CLEAR_SUN[0]) & (seen < CLEAR_SUN[1])
    with np.errstate(invalid="ignore"):
        still = like[:, 1:] & like[:, :-1] & (np.abs(np.diff(seen, axis=1)) < STILL_SUN)
    out = np.zeros_like(like)
    out[:, 1:] |= still
    out[:, :-1] |= still
    return out


def _jumps(seen: FloatArray, shining: FloatArray) -> BoolArray:
    """Return the bins (days, B) that with the next one, if told, lie far below the brightest of EDGE_BINS before."""
    before = np.full(seen.shape, -np.inf)
    for back in range(1, EDGE_BINS + 1):
        before[:, back:] = np.maximum(before[:, back:], shining[:, :-back])
    after = seen.copy()
    after[:, :-1] = (seen[:, :-1] + np.where(np.isfinite(seen[:, 1:]), seen[:, 1:], seen[:, :-1])) / 2
    return np.asarray(before - after > JUMP)


def _rated_wh(
    day: Daylight, rows: list[int], counts: FloatArray, place: Ints, shape: tuple[int, int]
) -> FloatArray:
    """Return the told units' rating by day and bin, Wh an interval."""
    rated = np.array([day.groups[g].module.pmax_w * day.groups[g].module_count for g in rows])
    return _binned((rated[:, None] * counts).sum(axis=0) * day.interval_hours, place, shape)


def solar_places(day: Daylight) -> tuple[Ints, tuple[int, int]]:
    """Return each interval's flat place in a table of solar days and bins, and that table's shape."""
    width = max(BIN_MINUTES, day.grid.interval_min)
    start = day.grid.start
    first = start.hour * 60 + start.minute + day.site.longitude / 15 * 60
    minutes = np.floor(first + day.positions * day.grid.interval_min).astype(int)
    days, within = np.divmod(minutes, 24 * 60)
    days = days - days.min()
    bins = -(-24 * 60 // width)
    return days * bins + within // width, (int(days.max()) + 1, bins)


def _binned(values: FloatArray, place: Ints, shape: tuple[int, int]) -> FloatArray:
    """Return the means of the finite values in each place, NaN where there is none."""
    use = np.isfinite(values)
    size = shape[0] * shape[1]
    count = np.bincount(place[use], minlength=size)
    sums = np.bincount(place[use], weights=values[use], minlength=size)
    return floats(np.divide(sums, count, out=np.full(size, np.nan), where=count > 0)).reshape(shape)
