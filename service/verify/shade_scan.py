"""The scan for a span of solar time in which a plane's beam is gone on day after day: odds for shade against cloud.

A day on which the beam was gone for the whole span counts by how seldom that day's clouds darkened the hours beside it,
by how seldom a cloud's edge fell where the span begins and ends, by what other planes saw, and by other days that were
dark alike. A day on which the sun shone there from a clear sky refutes it; one that was as bright but restless only
speaks against it, since clouds behind an object may be as bright as the sun.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.expect.grid import floats
from service.verify.inputs import FloatArray
from service.verify.plane_beam import EDGE_BINS, Beam, BoolArray, Ints

FLANK_MINUTES = 180
"""How far beside a span a day's clouds are looked at."""

MOST_BRIGHT, LEAST_HIDDEN = 0.2, 0.7
"""Largest share of bright bins in a span's core, and least share of hidden ones, on a day that speaks for it."""

SUNNY_BESIDE, LONGEST_DIM_MIN = 3, 150
"""Bins of strong sun beside a span, on any plane, with which an edge in weak light counts, too, and the longest such
span: the weakest light of a closed cover's day looks bright, and the rest of that day is dark."""

REFUTED, UNLIKELY, DOUBTED = -15.0, -5.0, -3.0
"""What a day counts on which the sun shone in a span from a clear sky, one that was as bright, but not as still, as
under broken cloud, and one on which it may have shone."""

DAY_CAP, CROSS_CAP, SENSOR_CAP = 5.0, 7.0, 12.0
"""Most that one day may count for, by its own envelope and by other planes: a bank of fog comes, too; and by a sensor,
which sees the fog."""

RAREST_EDGE, RAREST_DARK = 0.03, 0.02
"""Least share of bins at which a cloud's edge or a dark bin is taken to fall, however clear the days."""

DOUBT_MINUTES = 40
"""Minutes assumed besides those seen, dark as usual: where nothing is seen beside a span, dark counts as usual."""

LEAST_DIFFUSE = 0.75
"""Mean share of the clear sky's diffuse energy that a span must have left: behind an object it stays, and under a
cloud so dark it is the cloud that tells."""

AGREEING_SHARE, LEAST_AGREEING, AGREEING, AGREEING_FROM_MIN, STILL = 0.6, 4, 4.0, 40, 0.10
MOST_AGREEING = 2.5
"""The share of a span's bins that must agree with other days, at least so many; what such a day counts at twice those
minutes, how many times as much at most where it agrees for longer and is as light as a clear one at the span's ends,
and up to which mean step from bin to bin: no overcast sky is twice the same for an hour, nor still. A day that is as
light only later, or earlier, counts nothing: fog is alike day by day, too, and lifts at another hour."""

LEAST_BESIDES, NEEDED_OF_DAYS = 6.0, 24.0
"""Least log odds from clear edges and other planes beside dark days that are alike, more than one day's edges give, and
what they must come to without so much: days may be alike dull, and count for nothing then."""

CALM, RESTLESS, LEAST_CALM = 0.15, 0.45, 0.25
"""Mean step of the log of output over the clear sky's diffuse energy from bin to bin up to which a day counts in full,
from which it counts least, and that least: the light behind an object changes slowly, that behind clouds does not."""

PARTED = 4.0
"""Log odds of an edge at which units lose the sun, or regain it, one after another: an object near by does that and no
cloud, but a branch that trips part-way may (our choice: of 1213 planes without shade six have such an edge at any
time of a week, `tests/bench/fleet`)."""

LOOKS, CROSS_NOISE = 0.5, 0.7
"""Independent looks a bin after the first, and mean log odds of other planes that may be noise."""

LEAST_MINUTES = 30
"""Shortest span; where bins are shorter, its first and last are left to the days' differences."""

OFTEN_HIDDEN = 0.35
"""Share of a span's bins over all days that must be hidden for it to be looked at."""

TIE = 0.02
"""What a hidden bin more is worth among spans alike, and a bin that is not costs."""


@dataclass(frozen=True)
class Span:
    """The bins from `first` to `last`; `spoke` (days,) on which days the beam was gone; log odds for shade."""

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

    def over(self, first: Ints, last: Ints) -> FloatArray:
        """Return the sums from bin `first` to bin `last`, both included, (days, W); 0 where last < first."""
        size = self._sums.shape[1] - 1
        low = np.clip(first, 0, size)
        high = np.maximum(np.minimum(last + 1, size), low)
        return floats(self._sums.take(high, axis=1) - self._sums.take(low, axis=1))


def counted_over(table: BoolArray, first: Ints, last: Ints) -> FloatArray:
    """Return how often a table (days, B) is true in spans from bin `first` to `last`, both included, (W,)."""
    return floats(_Sums(table).over(first, last).sum(axis=0))


def likeliest(beam: Beam, width_min: int) -> Span | None:
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
    total, alike = per_day.sum(axis=0), by_days.sum(axis=0)
    total -= np.where((total - alike < LEAST_BESIDES) & (total < NEEDED_OF_DAYS), alike, 0.0)
    best = int(np.argmax(total + ties))
    return Span(
        int(first[best]),
        int(last[best]),
        spoke=per_day[:, best] > 1,
        log_odds=float(total[best]),
        by_planes=float(by_planes[:, best].sum()),
        by_days=float(by_days[:, best].sum()),
    )


def _odds_of_days(
    beam: Beam, first: Ints, last: Ints, width_min: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return each day's log odds for shade in each span of bins, (days, W), and what other planes and days gave."""
    told, hidden = _Sums(beam.told), _Sums(beam.told & beam.hidden)
    in_strong, in_sun = beam.told & beam.strong, beam.bright & ~beam.sunless
    bright, shining = _Sums(beam.told & in_sun), _Sums(in_strong & in_sun)
    calmly, clouds = _Sums(in_strong & in_sun & beam.calm), beam.clouds
    reach, edge = FLANK_MINUTES // width_min, int(width_min < LEAST_MINUTES)
    core = first + edge, last - edge
    looked, dark, lit = told.over(*core), hidden.over(*core), bright.over(*core)

    def beside(sums: _Sums) -> FloatArray:
        return sums.over(first - reach, first - 1) + sums.over(last + 1, last + reach)

    doubt = DOUBT_MINUTES / width_min
    usually, edges = _cloud_rates(beam, first, last, doubt)
    rate = (beside(_Sums(clouds.dark)) + doubt * usually) / (beside(_Sums(clouds.told)) + doubt)
    looks = 1 + (np.maximum(looked, 1) - 1) * np.minimum(2 * edges, 1.0)
    own = -np.log(np.maximum(rate, RAREST_DARK)) * looks
    before, after = beam.begins[:, first], beam.ends[:, last]
    own += (before.astype(float) + after) * -np.log(np.clip(2 * edges, RAREST_EDGE, 1.0))
    step = _mean_step(beam, *core)
    sunny = beside(_Sums(clouds.lit))
    dimly = (beam.begins_dimly[:, first] | beam.ends_dimly[:, last]) & (sunny >= SUNNY_BESIDE)
    dimly &= (last - first + 1) * width_min <= LONGEST_DIM_MIN
    own = np.where(before | after | dimly, np.minimum(own, DAY_CAP), 0.0) * _calm(beam, step, *core)
    others = np.minimum(_by_others(beam, *core), SENSOR_CAP if beam.sensed else CROSS_CAP)
    agreeing = _Sums(beam.told & beam.agrees).over(*core) >= AGREEING_SHARE * looked
    begun = bright.over(np.zeros_like(first), np.full_like(last, beam.told.shape[1])) - bright.over(
        first, last
    )
    near = EDGE_BINS + edge
    at_ends = bright.over(first - near, first - 1) + bright.over(last + 1, last + near)
    most = np.where(at_ends > 0, MOST_AGREEING, np.where(begun > 0, 0.0, 1.0))
    long = np.clip((looked * width_min - AGREEING_FROM_MIN) / AGREEING_FROM_MIN, 0.0, most)
    alike = AGREEING * (agreeing & (looked >= LEAST_AGREEING) & (step < STILL)) * long
    parted = _parted(beam.begins_parted, first, edge) + _parted(beam.ends_parted, last, edge)
    own += others + alike + PARTED * parted
    own = np.where((dark < LEAST_HIDDEN * looked) | (lit > MOST_BRIGHT * looked), DOUBTED, own)
    own = np.where(shining.over(*core) > MOST_BRIGHT * looked, UNLIKELY, own)
    own = np.where(calmly.over(*core) > MOST_BRIGHT * looked, REFUTED, own)
    own = np.where(looked > 0, own, 0.0)
    return own, np.where(own > 0, others, 0.0), np.where(own > 0, alike, 0.0)


def _parted(edges: BoolArray, at: Ints, edge: int) -> FloatArray:
    """Return by day and span, (days, W), whether an edge (days, B) lies at the bin `at`, or one beside it."""
    return np.minimum(_Sums(edges).over(at - 1 - edge, at + 1 + edge), 1.0)


def _by_others(beam: Beam, first: Ints, last: Ints) -> FloatArray:
    """Return the log odds by day and span, (days, W), of what other planes say where they have the sun."""
    heard = beam.told & np.isfinite(beam.cross)
    count = np.maximum(_Sums(heard).over(first, last), 1)
    mean = _Sums(np.where(heard, beam.cross, 0.0)).over(first, last) / count
    return floats(np.maximum(mean - CROSS_NOISE, 0.0) * (1 + (count - 1) * LOOKS))


def _calm(beam: Beam, step: FloatArray, first: Ints, last: Ints) -> FloatArray:
    """Return by day and span, of mean `step`, how much its light is like that behind an object, 0-1, (days, W)."""
    mean = _Sums(np.where(beam.told, beam.level, 0.0)).over(first, last)
    mean /= np.maximum(_Sums(beam.told).over(first, last), 1)
    calm = np.clip((RESTLESS - step) / (RESTLESS - CALM), LEAST_CALM, 1.0)
    return floats(np.where(mean > np.log(LEAST_DIFFUSE), calm, 0.0))


def _mean_step(beam: Beam, first: Ints, last: Ints) -> FloatArray:
    """Return the mean absolute step of the level from bin to bin by day and span, (days, W)."""
    both = beam.told[:, 1:] & beam.told[:, :-1]
    steps = np.where(both, np.abs(np.diff(beam.level, axis=1)), 0.0)
    count = np.maximum(_Sums(both).over(first, last - 1), 1)
    return np.asarray(_Sums(steps).over(first, last - 1) / count)


def _cloud_rates(beam: Beam, first: Ints, last: Ints, doubt: float) -> tuple[FloatArray, FloatArray]:
    """Return how usual hidden bins are outside each span, and how often a bright bin is followed by a hidden one.

    Without any bin outside, all count as hidden: so many are assumed besides those seen.
    """
    strong, dark, lit = beam.clouds.told, beam.clouds.dark, beam.clouds.lit
    falls = np.zeros_like(dark)
    falls[:, 1:] = lit[:, :-1] & ~lit[:, 1:] & strong[:, 1:]

    def outside(table: BoolArray) -> FloatArray:
        return np.asarray(table.sum() - _Sums(table).over(first - 1, last + 1).sum(axis=0))

    usually = (outside(dark) + doubt) / (outside(strong) + doubt)
    return usually, (outside(falls) + 0.5) / (outside(lit) + 1)
