"""Shade that falls on a whole plane: a hill, a neighbour's house, a row of trees.

Units that are shaded together agree with one another, and look like a cloud. Three things tell the two apart: shade
comes back at the same place of the sun on other days, cloud does not; before and after it the light is at the
clear-sky envelope; and another plane still sees the sun. The first two are weighed in a scan over all spans of solar
time: a day on which the beam was gone for the whole span counts by how seldom that day's clouds darkened the hours
beside it, and by how seldom a cloud's edge fell where the span begins and ends. The third compares the best sky for
all planes with the best sky for all planes of which one gets no beam. What is found becomes the plane's horizon, so
that everything after it expects what can really arrive. Nothing is named here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from service.expect.energy import UnitGroup
from service.expect.grid import floats
from service.expect.plane import horizon_elevation, on_plane
from service.expect.site import Plane, Site
from service.expect.sky import cloudy_sky
from service.verify.day import Daylight
from service.verify.inputs import FloatArray
from service.verify.sky import DIFFUSE_SHIFTS, INDEX_LEVELS, ArraySky

BoolArray = NDArray[np.bool_]

BIN_MINUTES = 10
"""Width of the bins of solar time: the sun moves about 2.5 degrees, and over a week returns within one or two."""

LONGEST_DAYS = 21
"""Over more days the sun's path shifts so far that the same hour is not the same place."""

TELLING_BEAM = 0.4
"""Least share of a plane's clear-sky energy that must be beam for its loss to be told from cloud."""

TELLING_ENERGY = 0.06
"""Least clear-sky energy, over the plane's highest."""

HIDDEN_BEAM, HIDDEN_DIFFUSE, MOST_HIDDEN = 0.2, 2.0, 0.6
"""Visible beam up to which all of it may be hidden: the model's error, and so many times the clear sky's diffuse
energy, the light around the sun included, besides itself, since broken cloud has up to three times a clear sky's
diffuse light (from memory); never more than the last."""

BRIGHT, ABOVE_HIDDEN = 0.65, 0.2
"""Visible beam from which the sun surely shone on the plane, and by how much it lies above what may be hidden."""

LEAST_LIGHT = 0.2
"""Share of the clear sky's diffuse energy below which a plane is out rather than shaded."""

RANGE = (-0.3, 2.0)
FLANK_MINUTES = 180
AROUND_MINUTES = 150
STRONG, SHINING, JUMP = 0.18, (0.75, 1.4), 0.5
"""Clear-sky energy over the modules' rating and visible beam with which a bin can show a span's end, and the least
jump of the visible beam there: under an overcast sky it changes slowly, though the weakest light of the day may look
bright."""

FEW_BRIGHT = 0.34
"""Share of the days that speak for a span on which the bin beside it may be bright and still belong to it."""

MOST_BRIGHT, LEAST_HIDDEN = 0.2, 0.7
"""Largest share of bright bins in a span's core, and least share of hidden ones, on a day that speaks for it."""

REFUTED, DOUBTED = -15.0, -3.0
DAY_CAP, CROSS_CAP = 5.0, 7.0
"""Most that one day may count for, by its own envelope and by other planes: a bank of fog comes, too."""

RAREST_EDGE, RAREST_DARK = 0.03, 0.02
DOUBT_BINS = 4
"""Dark bins assumed besides those seen: where nothing is seen beside a span, dark counts as usual."""

EDGE_BINS = 2

LEAST_DIFFUSE = 0.75
"""Mean share of the clear sky's diffuse energy that a span must have left: behind an object it stays, and under a
cloud so dark it is the cloud that tells."""

LEVELS = (0.1, 30.0)
SAME_LEVEL, OTHER_DAYS = 0.06, 2
AGREEING_SHARE, LEAST_AGREEING, AGREEING, AGREEING_FROM_MIN, STILL = 0.6, 4, 4.0, 40, 0.10
"""How close the logs of that share lie on days that agree, and how many other days must; the share of a span's bins
that must agree, at least so many; what such a day counts in full at twice those minutes, and up to which mean step: no
overcast sky is twice the same for an hour, nor still."""

CALM, RESTLESS, LEAST_CALM = 0.15, 0.45, 0.25
"""Mean step of the log of that share from bin to bin up to which a day counts in full and from which it counts least,
and that least: the light behind an object changes slowly, that behind clouds does not."""

LOOKS = 0.5
CROSS_WIDTH, CROSS_NOISE = 0.12, 0.7
"""Width of a plane's fit to a sky (log), and mean log odds that may be its noise."""

NEEDED = 9.0
"""Log odds from which a span is believed: 7 for the spans tried, the rest for how seldom a plane is shaded."""

LEAST_BESIDES, NEEDED_OF_DAYS = 3.0, 24.0
"""Least log odds from clear edges and other planes beside dark days that are alike, and what those days must give by
themselves: days may be alike dull."""

WIDE, NEEDED_WIDE = 0.3, 20.0
"""A span that takes so much of the plane's clear-sky energy leaves little of the day to compare with, and days that are
closed but for their ends are common."""


LEAST_MINUTES, EDGE_MINUTES = 30, 10
"""Shortest span, and how far its ends move from day to day."""

OFTEN_HIDDEN = 0.35
"""Share of a span's bins over all days that must be hidden for it to be looked at."""

MOST_SPANS = 3
WALL_EDGE_DEG = 0.05
TIE = 0.02
BELOW_TOP = 0.8
"""A held or clipped output is the plane's highest; shade is not."""


@dataclass(frozen=True)
class PlaneShade:
    """One span of solar time in which `plane` gets no beam.

    `azimuths_deg` are the sun's at its begin and end; `where` (D,) the intervals in it; `days` on how many days it
    was seen dark beside bright hours or against other planes; `log_odds` for shade against cloud.
    """

    plane: str
    azimuths_deg: tuple[float, float]
    where: BoolArray
    days: int
    log_odds: float


@dataclass(frozen=True)
class _Beam:
    """A plane by day and bin of solar time, (days, B), NaN where it cannot be told.

    `told` where the plane says something, `hidden` where its beam may be hidden, `bright` where it surely is not,
    `strong` where the light would be strong, `level` the log of output over the clear sky's diffuse, `agrees` where
    other days gave the same while hidden, `begins` and `ends` where a bin may be a span's first or last since the light
    is far brighter just before or after, `cross` the log odds that other planes add, `place` (D,) the flat position of
    each interval in these tables.
    """

    told: BoolArray
    hidden: BoolArray
    bright: BoolArray
    strong: BoolArray
    level: FloatArray
    agrees: BoolArray
    begins: BoolArray
    ends: BoolArray
    cross: FloatArray
    place: NDArray[np.intp]


def common_shade(day: Daylight, table: FloatArray, agreed: FloatArray) -> tuple[PlaneShade, ...]:
    """Return the shade found on whole planes.

    `table` (G, S, K, D) is `sky.family(day)`, `agreed` (G, D) what most units of each group made, Wh. Empty where
    nothing is sure, and for windows of more than LONGEST_DAYS days.
    """
    if day.grid.count * day.grid.interval_min > LONGEST_DAYS * 24 * 60 or len(day.positions) == 0:
        return ()
    found: list[PlaneShade] = []
    misfits = _Misfits(day, table, agreed)
    names = dict.fromkeys(g.plane.name for g in day.groups)
    beams = {name: beam for name in names if (beam := _beam(day, misfits, name)) is not None}
    for name, beam in beams.items():
        others = [b.told & b.strong & b.bright for n, b in beams.items() if n != name]
        crossed = _crossed(beam, misfits, name, np.any(others, axis=0)) if others else beam
        found += _spans(day, name, crossed, misfits.clear_of(name))
    return tuple(found)


def _in_shade(group: UnitGroup) -> UnitGroup:
    """Return the group behind a horizon that hides the sun wherever it stands."""
    return replace(group, plane=replace(group.plane, horizon=((0.0, 90.0), (180.0, 90.0))))


def _diffuse_share(day: Daylight, group: UnitGroup) -> FloatArray:
    """Return the share of the clear sky's light on the group's plane that is no beam, the sun's halo included, (D,)."""
    light = on_plane(group.plane, day.sun, day.clear)
    total = np.maximum(day.gather(light.total), 1e-9)
    return np.asarray(1 - day.gather(light.beam) / total)


class _Misfits:
    """How well each plane's energies fit every sky, with and without beam."""

    def __init__(self, day: Daylight, table: FloatArray, agreed: FloatArray) -> None:
        self.day, self.agreed = day, agreed
        self.hidden = np.stack([day.gather(day.power(_in_shade(g), day.clear).ac_w) for g in day.groups])
        above = int(np.searchsorted(INDEX_LEVELS, 1.0))
        self.clear = (table[:, 0, above - 1] + table[:, 0, above]) / 2
        self.around = self.clear * np.stack([_diffuse_share(day, g) for g in day.groups])
        self.told = np.isfinite(agreed) & (
            self.clear > TELLING_ENERGY * self.clear.max(axis=1, keepdims=True)
        )
        self._table = table

    def _cost(self, energies: FloatArray, g: int, at: NDArray[np.intp]) -> FloatArray:
        """Return the squared deviation of group `g` from energies (S, K, N) in units of CROSS_WIDTH, capped."""
        told = self.told[g, at]
        made = np.where(told, np.maximum(self.agreed[g, at], 1e-3), 1.0)
        off = np.log(np.maximum(energies, 1e-3) / made) / CROSS_WIDTH
        return np.where(told, np.minimum(off**2, 16.0), 0.0)

    def clear_of(self, plane: str) -> FloatArray:
        """Return the clear-sky energy of a unit on `plane`, Wh, (D,)."""
        return np.asarray(self.clear[next(g for g, x in enumerate(self.day.groups) if x.plane.name == plane)])

    def for_shade(self, plane: str, at: NDArray[np.intp]) -> FloatArray:
        """Return the log odds for no beam on `plane` that the planes together give in the intervals `at`, (N,)."""
        diffuse = _diffuse_over_clear(self.day, self._table.shape[1], at)
        seen, behind = [], []
        for g, group in enumerate(self.day.groups):
            seen.append(self._cost(self._table[g][..., at], g, at))
            shaded = group.plane.name == plane
            behind.append(self._cost(self.hidden[g, at] * diffuse, g, at) if shaded else seen[g])
        return np.asarray(np.clip((_least(seen) - _least(behind)) / 2, 0.0, 4.0))


def _least(costs: list[FloatArray]) -> FloatArray:
    """Return the cost of the best sky for all groups, (N,)."""
    shifts = DIFFUSE_SHIFTS[: costs[0].shape[0], None, None]
    total = np.sum(costs, axis=0) + (shifts / 0.3) ** 2
    return np.asarray(total.reshape(-1, total.shape[-1]).min(axis=0))


def _diffuse_over_clear(day: Daylight, shifts: int, at: NDArray[np.intp]) -> FloatArray:
    """Return the diffuse light of every sky of the family over that of the clear one in intervals `at`, (S, K, N)."""
    steps = (at[:, None] * day.steps + np.arange(day.steps)).ravel()
    part = replace(day, sun=day.sun.take(steps))
    sky = day.clear.take(steps)
    clear = np.maximum(part.gather(sky.dhi), 1e-6)
    return np.stack(
        [
            part.gather(
                cloudy_sky(part.sun, sky, index=INDEX_LEVELS[:, None], diffuse_shift=float(shift)).dhi
            )
            / clear
            for shift in DIFFUSE_SHIFTS[:shifts]
        ]
    )


def _crossed(beam: _Beam, misfits: _Misfits, plane: str, sunny: BoolArray) -> _Beam:
    """Return the beam with what other planes say where one of them surely has sun (days, B) and this one may not."""
    asked = (sunny & beam.told & beam.hidden).ravel()[beam.place]
    cross = np.full(len(beam.place), np.nan)
    if asked.any():
        cross[asked] = misfits.for_shade(plane, np.flatnonzero(asked))
    return replace(beam, cross=np.nan_to_num(_binned(cross, beam.place, beam.told.shape)))


def _beam(day: Daylight, misfits: _Misfits, plane: str) -> _Beam | None:
    rows = [g for g, group in enumerate(day.groups) if group.plane.name == plane]
    counts = np.array([len(day.groups[g].members) for g in rows])[:, None] * misfits.told[rows]
    made = (np.where(misfits.told[rows], misfits.agreed[rows], 0.0) * counts).sum(axis=0)
    clear, hidden = (misfits.clear[rows] * counts).sum(axis=0), (misfits.hidden[rows] * counts).sum(axis=0)
    told = (clear - hidden > TELLING_BEAM * clear) & (clear > 0)
    if told.sum() < 3:
        return None
    top = np.quantile(made[told] / counts.sum(axis=0)[told], 0.98)
    held = made > BELOW_TOP * top * counts.sum(axis=0)
    place, shape = _solar_places(day)
    around = (misfits.around[rows] * counts).sum(axis=0)
    made, clear, hidden, around = (
        _binned(np.where(told, x, np.nan), place, shape) for x in (made, clear, hidden, around)
    )
    seen = np.clip((made - hidden) / (clear - hidden), *RANGE)
    may_be = np.minimum(HIDDEN_BEAM + HIDDEN_DIFFUSE * around / (clear - hidden), MOST_HIDDEN)
    at_top = _binned(held.astype(float), place, shape) > 0.5
    bright = seen > np.maximum(BRIGHT, may_be + ABOVE_HIDDEN)
    told = np.isfinite(seen) & (made > LEAST_LIGHT * hidden)
    strong = clear > STRONG * _rated_wh(day, rows, counts, place, shape)
    seen = np.where(told, seen, np.inf)
    shining = np.where(told & strong & (seen > SHINING[0]) & (seen < SHINING[1]), seen, -np.inf)
    hides = told & (seen < may_be) & ~at_top
    level = floats(np.log(np.where(told, np.clip(made / np.maximum(hidden, 1e-6), *LEVELS), 1.0)))
    return _Beam(
        told=told,
        hidden=hides,
        bright=bright,
        strong=strong,
        level=level,
        agrees=_agreement(level, hides),
        begins=_jumps(seen, shining),
        ends=_jumps(seen[:, ::-1], shining[:, ::-1])[:, ::-1],
        cross=np.zeros(shape),
        place=place,
    )


def _agreement(level: FloatArray, hidden: BoolArray) -> BoolArray:
    """Return where a hidden bin's level is that of OTHER_DAYS other days' hidden bins at the same place, (days, B)."""
    same = np.abs(level[:, None] - level[None]) < SAME_LEVEL
    count = (same & hidden[:, None] & hidden[None]).sum(axis=1) - hidden
    return np.asarray(hidden & (count >= OTHER_DAYS))


def _jumps(seen: FloatArray, shining: FloatArray) -> BoolArray:
    """Return the bins (days, B) that with the next one lie far below the brightest of the EDGE_BINS before."""
    before = np.full(seen.shape, -np.inf)
    for back in range(1, EDGE_BINS + 1):
        before[:, back:] = np.maximum(before[:, back:], shining[:, :-back])
    after = seen.copy()
    after[:, :-1] = (seen[:, :-1] + seen[:, 1:]) / 2
    return np.asarray(before - after > JUMP)


def _rated_wh(
    day: Daylight, rows: list[int], counts: FloatArray, place: NDArray[np.intp], shape: tuple[int, int]
) -> FloatArray:
    """Return the told units' rating by day and bin, Wh an interval."""
    rated = np.array([day.groups[g].module.pmax_w * day.groups[g].module_count for g in rows])
    return _binned((rated[:, None] * counts).sum(axis=0) * day.interval_hours, place, shape)


def _solar_places(day: Daylight) -> tuple[NDArray[np.intp], tuple[int, int]]:
    """Return each interval's flat place in a table of solar days and bins, and that table's shape."""
    width = max(BIN_MINUTES, day.grid.interval_min)
    start = day.grid.start
    first = start.hour * 60 + start.minute + day.site.longitude / 15 * 60
    minutes = np.floor(first + day.positions * day.grid.interval_min).astype(int)
    days, within = np.divmod(minutes, 24 * 60)
    days = days - days.min()
    bins = -(-24 * 60 // width)
    return days * bins + within // width, (int(days.max()) + 1, bins)


def _binned(values: FloatArray, place: NDArray[np.intp], shape: tuple[int, int]) -> FloatArray:
    """Return the means of the finite values in each place, NaN where there is none."""
    use = np.isfinite(values)
    size = shape[0] * shape[1]
    count = np.bincount(place[use], minlength=size)
    sums = np.bincount(place[use], weights=values[use], minlength=size)
    return floats(np.divide(sums, count, out=np.full(size, np.nan), where=count > 0)).reshape(shape)


def _spans(day: Daylight, plane: str, beam: _Beam, clear_wh: FloatArray) -> list[PlaneShade]:
    """Return the spans found one after another, the likeliest first."""
    found: list[PlaneShade] = []
    beam = replace(beam, told=beam.told.copy())
    azimuth = day.sun.azimuth_deg.reshape(-1, day.steps).mean(axis=1)
    width = max(BIN_MINUTES, day.grid.interval_min)
    for _ in range(MOST_SPANS):
        best = _likeliest(beam, width)
        if best is None:
            break
        inside = beam.place % beam.told.shape[1]
        first, last = _to_its_ends(beam, best)
        where = (inside >= first) & (inside <= last)
        wide = clear_wh[where].sum() > WIDE * clear_wh.sum()
        if not _is_sure(best, wide):
            break
        span = _azimuth_span(azimuth[where])
        found.append(PlaneShade(plane, span, where, int(best.spoke.sum()), best.log_odds))
        beam.told[:, first : last + 1] = False
    return found


def _is_sure(span: _Span, wide: bool) -> bool:
    """Return whether the odds are enough: alike dark days alone may be alike dull ones."""
    if span.log_odds - span.by_days < LEAST_BESIDES:
        return span.log_odds >= NEEDED_OF_DAYS
    return span.log_odds >= (NEEDED_WIDE if wide and span.by_planes < NEEDED else NEEDED)


def _to_its_ends(beam: _Beam, span: _Span) -> tuple[int, int]:
    """Return the span's first and last bin, one more where it is partly shaded on most days."""
    told = beam.told[span.spoke]
    bright = (told & beam.bright[span.spoke]).sum(axis=0) > FEW_BRIGHT * told.sum(axis=0)
    first, last = span.first, span.last
    if first > 0 and not bright[first - 1]:
        first -= 1
    if last < len(bright) - 1 and not bright[last + 1]:
        last += 1
    return first, last


def _azimuth_span(azimuth: FloatArray) -> tuple[float, float]:
    """Return the azimuths between which the sun stood, clockwise; through north where it did."""
    turned = (azimuth + 180) % 360
    low, high = (azimuth.min(), azimuth.max()), (turned.min(), turned.max())
    if low[1] - low[0] <= high[1] - high[0]:
        return float(low[0]), float(low[1])
    return float((high[0] + 180) % 360), float((high[1] + 180) % 360)


@dataclass(frozen=True)
class _Span:
    first: int
    last: int
    spoke: BoolArray
    log_odds: float
    by_planes: float
    by_days: float
    """The parts of the log odds that other planes give, and days that agree."""


class _Sums:
    """Counts of a table (days, B) over spans of bins."""

    def __init__(self, table: BoolArray | FloatArray) -> None:
        self._sums = np.concatenate([np.zeros((len(table), 1)), np.cumsum(table, axis=1)], axis=1)

    def over(self, first: NDArray[np.intp], last: NDArray[np.intp]) -> FloatArray:
        """Return the sums from bin `first` to bin `last`, both included, (days, W); 0 where last < first."""
        size = self._sums.shape[1] - 1
        low, high = np.clip(first, 0, size), np.clip(last + 1, 0, size)
        return floats(np.where(high > low, self._sums[:, high] - self._sums[:, low], 0.0))


def _likeliest(beam: _Beam, width_min: int) -> _Span | None:
    """Return the span of bins with the highest log odds for shade, None where too little is told."""
    columns = np.flatnonzero(beam.told.any(axis=0))
    least = max(1, -(-LEAST_MINUTES // width_min))
    if len(columns) < least + 2:
        return None
    pairs = np.triu_indices(len(columns), k=least - 1)
    first, last = columns[pairs[0]], columns[pairs[1]]
    hidden, told = _Sums(beam.hidden & beam.told), _Sums(beam.told)
    dark, asked = hidden.over(first, last).sum(axis=0), told.over(first, last).sum(axis=0)
    worth = dark >= OFTEN_HIDDEN * asked
    if not worth.any():
        return None
    first, last, ties = first[worth], last[worth], TIE * (2 * dark - asked)[worth]
    per_day, by_planes, by_days = _odds_of_days(beam, first, last, width_min)
    total = per_day.sum(axis=0)
    best = int(np.argmax(total + ties))
    return _Span(
        int(first[best]),
        int(last[best]),
        spoke=per_day[:, best] > 1,
        log_odds=float(total[best]),
        by_planes=float(by_planes[:, best].sum()),
        by_days=float(by_days[:, best].sum()),
    )


def _odds_of_days(
    beam: _Beam, first: NDArray[np.intp], last: NDArray[np.intp], width_min: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return each day's log odds for shade in each span of bins, (days, W), and what other planes and days gave."""
    told, hidden = _Sums(beam.told), _Sums(beam.told & beam.hidden)
    in_strong = beam.told & beam.strong
    bright, strong, shining = _Sums(beam.told & beam.bright), _Sums(in_strong), _Sums(in_strong & beam.bright)
    darkly = _Sums(in_strong & beam.hidden)
    reach, edge = FLANK_MINUTES // width_min, int(width_min < LEAST_MINUTES)
    core = first + edge, last - edge
    looked, dark, lit = told.over(*core), hidden.over(*core), bright.over(*core)

    def beside(sums: _Sums) -> FloatArray:
        return sums.over(first - reach, first - 1) + sums.over(last + 1, last + reach)

    usually, edges = _cloud_rates(beam, first, last)
    rate = (beside(darkly) + DOUBT_BINS * usually) / (beside(strong) + DOUBT_BINS)
    looks = 1 + (np.maximum(looked, 1) - 1) * np.minimum(2 * edges, 1.0)
    own = -np.log(np.maximum(rate, RAREST_DARK)) * looks
    before, after = beam.begins[:, first], beam.ends[:, last]
    own += (before.astype(float) + after) * -np.log(np.clip(2 * edges, RAREST_EDGE, 1.0))
    own = np.where(before | after, np.minimum(own, DAY_CAP), 0.0) * _calm(beam, *core)
    cross = _Sums(np.where(beam.told, beam.cross, 0.0)).over(*core) / np.maximum(looked, 1)
    cross = np.maximum(cross - CROSS_NOISE, 0.0)
    others = np.minimum(cross * (1 + (np.maximum(looked, 1) - 1) * LOOKS), CROSS_CAP)
    agreeing = _Sums(beam.told & beam.agrees).over(*core) >= AGREEING_SHARE * looked
    long = np.clip((looked * width_min - AGREEING_FROM_MIN) / AGREEING_FROM_MIN, 0.0, 1.0)
    step = _mean_step(beam, *core)
    alike = AGREEING * (agreeing & (looked >= LEAST_AGREEING) & (step < STILL)) * long
    own += others + alike
    own = np.where((dark < LEAST_HIDDEN * looked) | (lit > MOST_BRIGHT * looked), DOUBTED, own)
    own = np.where(shining.over(*core) > MOST_BRIGHT * looked, REFUTED, own)
    own = np.where(looked > 0, own, 0.0)
    return own, np.where(own > 0, others, 0.0), np.where(own > 0, alike, 0.0)


def _calm(beam: _Beam, first: NDArray[np.intp], last: NDArray[np.intp]) -> FloatArray:
    """Return by day and span how much its light is like that behind an object, 0-1, (days, W)."""
    step = _mean_step(beam, first, last)
    mean = _Sums(np.where(beam.told, beam.level, 0.0)).over(first, last)
    mean /= np.maximum(_Sums(beam.told).over(first, last), 1)
    calm = np.clip((RESTLESS - step) / (RESTLESS - CALM), LEAST_CALM, 1.0)
    return floats(np.where(mean > np.log(LEAST_DIFFUSE), calm, 0.0))


def _mean_step(beam: _Beam, first: NDArray[np.intp], last: NDArray[np.intp]) -> FloatArray:
    """Return the mean absolute step of the level from bin to bin by day and span, (days, W)."""
    both = beam.told[:, 1:] & beam.told[:, :-1]
    steps = np.where(both, np.abs(np.diff(beam.level, axis=1)), 0.0)
    count = np.maximum(_Sums(both).over(first, last - 1), 1)
    return np.asarray(_Sums(steps).over(first, last - 1) / count)


def _cloud_rates(
    beam: _Beam, first: NDArray[np.intp], last: NDArray[np.intp]
) -> tuple[FloatArray, FloatArray]:
    """Return how usual hidden bins are outside each span, and how often a bright bin is followed by a hidden one."""
    strong = beam.told & beam.strong
    dark, lit = strong & beam.hidden, strong & beam.bright
    falls = np.zeros_like(dark)
    falls[:, 1:] = lit[:, :-1] & ~lit[:, 1:] & strong[:, 1:]

    def outside(table: BoolArray) -> FloatArray:
        return np.asarray(table.sum() - _Sums(table).over(first - 1, last + 1).sum(axis=0))

    usually = (outside(dark) + DOUBT_BINS) / (outside(strong) + DOUBT_BINS)
    return usually, (outside(falls) + 0.5) / (outside(lit) + 1)


def behind(site: Site, shades: tuple[PlaneShade, ...]) -> Site:
    """Return the site with the shade as its planes' horizon: none of them sees the sun within a span."""
    planes = tuple(_walled(p, [s.azimuths_deg for s in shades if s.plane == p.name]) for p in site.planes)
    return replace(site, planes=planes)


def without_shaded(day: Daylight, energy_wh: FloatArray, shades: tuple[PlaneShade, ...]) -> FloatArray:
    """Return the energies (U, D) with those of units in shade as NaN: they say nothing about the sky."""
    out = energy_wh.copy()
    for shade in shades:
        rows = [i for i, unit in enumerate(day.site.units) if unit.plane == shade.plane]
        out[np.ix_(np.array(rows), np.flatnonzero(shade.where))] = np.nan
    return out


def sky_behind(day: Daylight, sky: ArraySky, shades: tuple[PlaneShade, ...]) -> ArraySky:
    """Return the sky with that of shaded intervals of which no plane tells taken from the hours around them."""
    shaded = np.any([s.where for s in shades], axis=0) & ~sky.known
    index = sky.index.copy()
    minutes = day.positions * day.grid.interval_min
    for at in np.flatnonzero(shaded):
        near = sky.known & (np.abs(minutes - minutes[at]) <= AROUND_MINUTES)
        if near.any():
            index[at] = index[near].mean()
    return replace(sky, index=index)


def _walled(plane: Plane, spans: list[tuple[float, float]]) -> Plane:
    """Return the plane with a wall in each span, its recorded horizon kept beside them."""
    for low, high in spans:
        sides = np.array([(low - WALL_EDGE_DEG) % 360, (high + WALL_EDGE_DEG) % 360])
        left, right = horizon_elevation(plane, sides)
        width = (high - low) % 360
        points = {a: e for a, e in plane.horizon if (a - low) % 360 > width}
        points |= {
            low % 360: 90.0,
            high % 360: 90.0,
            float(sides[0]): float(left),
            float(sides[1]): float(right),
        }
        plane = replace(plane, horizon=tuple(sorted(points.items())))
    return plane
