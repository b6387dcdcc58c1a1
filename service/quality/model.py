"""What came in, as the finders look at it, and what they find.

The only physics that comes along is how high the sun stood; what a unit should have made is learnt from its neighbours.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property

import numpy as np

from service.store.grids import BoolArray, FloatArray, IntArray, Samples, moment

LIT_DEG = 5.0
"""Sun from which on every unit makes something, whatever the weather (common practice, no source)."""

NIGHT_DEG = -6.0
"""End of civil twilight: half an hour off the clock, it is still dark."""

STEPS_WH = (1000.0, 100.0, 10.0, 1.0, 0.1, 0.01, 0.001)
STEP_COLUMNS = 400
NOISE = 1e-3
LEAST_NEIGHBOURS = 3
LEVEL_SHARE = 0.95
USUAL_USE = (0.02, 1.6)
"""Outside of this the values are in another unit of measure than the ratings, which is for the judgement to say."""

AT_THE_TOP = 0.97
"""Share of its highest value from which on a unit may stand at a limit, where values repeat honestly."""


@dataclass(frozen=True)
class KeptOut:
    """A problem that intake listed: a value that it kept out, or something about a counter.

    `at_s` is its time on the right clock. A remark about a counter has no value.
    """

    serial: str
    at_s: int
    field: str
    value: float | None
    source: str


@dataclass(frozen=True)
class Arrived:
    """Readings of U units in T intervals, as they were sent, labelled by their start in the time of the record's clock.

    `energy_wh` (U, T), NaN where not heard; `fitted` (U, T) whether the unit was on the roof; `rated_wh` (U,) what its
    inverter gives in an interval by the record; `plane` (U,) the number of its plane; `elevation_deg` (T,) the sun's in
    the middle; `day` (T,) the day of the site's zone, counted from 1970. `said` holds, by source, what each said of the
    days that several sent.
    """

    serials: tuple[str, ...]
    start_s: int
    interval_min: int
    energy_wh: FloatArray
    fitted: BoolArray
    rated_wh: FloatArray
    plane: IntArray
    elevation_deg: FloatArray
    day: IntArray
    kept_out: Sequence[KeptOut] = ()
    said: Mapping[str, Sequence[Samples]] = field(default_factory=dict)

    @cached_property
    def heard(self) -> BoolArray:
        """Return whether there is a value, (U, T)."""
        return np.isfinite(self.energy_wh)

    @cached_property
    def sent_wh(self) -> FloatArray:
        """Return the values, zero where there is none, (U, T)."""
        return np.where(self.heard, self.energy_wh, 0.0)

    @cached_property
    def made(self) -> BoolArray:
        """Return whether there is a value above zero, (U, T)."""
        return np.asarray(self.sent_wh > 0)

    @cached_property
    def lit(self) -> BoolArray:
        """Return whether there is light enough for every unit, (T,)."""
        return np.asarray(self.elevation_deg > LIT_DEG)

    @cached_property
    def due(self) -> BoolArray:
        """Return whether a value is to be expected: in light, of a unit that is heard at all, (U, T)."""
        begun = self.fitted & (self.fitted[:, :1] | np.logical_or.accumulate(self.heard, axis=1))
        return np.asarray(begun & self.lit & self.heard.any(axis=1, keepdims=True))

    @cached_property
    def highest_wh(self) -> FloatArray:
        """Return each unit's highest value, (U,)."""
        return np.asarray(self.sent_wh.max(axis=1, initial=0.0))

    @cached_property
    def most_wh(self) -> FloatArray:
        """Return what each unit gives in an interval at most, (U,): its rating, or its highest if the scale is off."""
        alive = self.highest_wh > 0
        used = float(np.median(self.highest_wh[alive] / self.rated_wh[alive])) if alive.any() else 1.0
        return self.rated_wh if USUAL_USE[0] < used < USUAL_USE[1] else np.maximum(self.highest_wh, 1e-9)

    @cached_property
    def at_the_top(self) -> BoolArray:
        """Return whether a value is at the unit's highest or at its inverter's rating, (U, T)."""
        top = AT_THE_TOP * np.minimum(self.highest_wh, self.most_wh)
        return np.asarray(self.made & (self.sent_wh >= top[:, None]))

    @cached_property
    def repeats(self) -> BoolArray:
        """Return whether a value above zero is just that of the interval before, (U, T)."""
        same = np.zeros(self.energy_wh.shape, dtype=bool)
        same[:, 1:] = (self.energy_wh[:, 1:] == self.energy_wh[:, :-1]) & self.made[:, 1:]
        return same

    @cached_property
    def step_wh(self) -> FloatArray:
        """Return the step in which each unit's values are given, 0 where it is too fine to tell, (U,)."""
        values = self.energy_wh[:, self.lit]
        values = values[:, :: max(1, values.shape[1] // STEP_COLUMNS)]
        values = np.where(values > 0, values, 0.0)
        found = np.zeros(len(values))
        apart = np.diff(np.sort(values, axis=1), axis=1)
        nearest = np.where(apart > NOISE * values.max(axis=1, keepdims=True, initial=0.0), apart, np.inf)
        for step in (*STEPS_WH, nearest.min(axis=1, initial=np.inf)):
            parts = values / np.reshape(step, (-1, 1))
            counts = np.rint(parts)
            whole = ((values == 0) | ((np.abs(parts - counts) < 0.01) & (counts > 0))).all(axis=1)
            found = np.where((found == 0) & whole & values.any(axis=1), step, found)
        return found

    @cached_property
    def scaled(self) -> FloatArray:
        """Return values above zero over the unit's level, (U, T): what stands still says nothing of the light."""
        level = np.where(self._level_wh > 0, self._level_wh, np.nan)
        return np.asarray(np.where(self.made, self.energy_wh, np.nan) / level[:, None])

    @cached_property
    def reference_wh(self) -> FloatArray:
        """Return what each unit's value would be by its neighbours' median, at its own level, (U, T).

        Neighbours are the units of its plane, or all where these are fewer than three; NaN where there are no three.
        """
        level, scaled = self._level_wh, self.scaled
        everybody = median_heard(scaled)
        rows = np.broadcast_to(everybody, scaled.shape).copy()
        for plane in np.unique(self.plane):
            own = self.plane == plane
            if (own & (level > 0)).sum() >= LEAST_NEIGHBOURS:
                rows[own] = median_heard(scaled[own])
        return np.asarray(rows * level[:, None])

    def planes(self) -> Iterator[BoolArray]:
        """Give for each plane which units are on it, (U,); those of planes with fewer than three units together."""
        counts = np.bincount(self.plane)
        large = counts[self.plane] >= LEAST_NEIGHBOURS
        for plane in np.flatnonzero(counts >= LEAST_NEIGHBOURS):
            yield np.asarray(self.plane == plane)
        if not large.all():
            yield np.asarray(~large)

    @cached_property
    def _level_wh(self) -> FloatArray:
        values = np.sort(np.where(self.made & self.lit, self.energy_wh, np.nan), axis=1)
        count = np.isfinite(values).sum(axis=1)
        place = np.maximum((LEVEL_SHARE * (count - 1)).astype(np.int64), 0)
        found = np.take_along_axis(values, place[:, None], axis=1)[:, 0] if values.size else np.zeros(0)
        return np.where(count > 0, np.nan_to_num(found), 0.0)

    def moment(self, interval: int) -> datetime:
        """Return when an interval starts; the one after the last says when the window ends."""
        return moment(self.start_s + 60 * self.interval_min * interval)

    def intervals_in(self, minutes: float) -> int:
        """Return how many intervals make up at least so many minutes."""
        return int(-(-minutes // self.interval_min))


@dataclass(frozen=True)
class Touch:
    """How much of a unit's day (counted from 1970) is touched."""

    serial: str
    day: int
    values: int
    energy_wh: float


@dataclass(frozen=True)
class Finding:
    """Something that is the matter with what came in.

    `values` are touched, which is `share` of those that were due in light, and `energy_share` of the window's energy
    is in them (of a gap: was missed by them). `serials` is empty where the whole site is meant. `numbers` and `names`
    are what the kind's own sentence needs.
    """

    kind: str
    serials: tuple[str, ...]
    first: datetime
    last: datetime
    values: int
    share: float
    energy_share: float
    numbers: Mapping[str, float] = field(default_factory=dict)
    names: Mapping[str, str] = field(default_factory=dict)
    touches: tuple[Touch, ...] = ()


@dataclass(frozen=True)
class Quality:
    """What is the matter with the readings of a window, the most energy first; nothing was changed."""

    start: datetime
    end: datetime
    heard_share: float
    """Of the values that were due in light."""
    findings: tuple[Finding, ...]


def median_heard(values: FloatArray) -> FloatArray:
    """Return the median of each column's values; NaN where fewer than three are heard."""
    count = np.isfinite(values).sum(axis=0)
    ordered = np.sort(values, axis=0)  # NaN last
    low = np.take_along_axis(ordered, np.maximum((count - 1) // 2, 0)[None], axis=0)[0]
    high = np.take_along_axis(ordered, np.minimum(count // 2, len(values) - 1)[None], axis=0)[0]
    return np.asarray(np.where(count >= LEAST_NEIGHBOURS, (low + high) / 2, np.nan))


def runs(mask: BoolArray) -> list[tuple[int, int, int]]:
    """Return row, first column and the column after the last of each run of True in a mask (U, T)."""
    edges = np.diff(np.pad(mask.astype(np.int8), ((0, 0), (1, 1))), axis=1)
    rows, firsts = np.nonzero(edges == 1)
    ends = np.nonzero(edges == -1)[1]
    return list(zip(rows.tolist(), firsts.tolist(), ends.tolist(), strict=True))


def finding(
    arrived: Arrived,
    kind: str,
    touched: BoolArray,
    *,
    values: int | None = None,
    energy_wh: FloatArray | None = None,
    whole_site: bool = False,
    numbers: Mapping[str, float] | None = None,
    names: Mapping[str, str] | None = None,
) -> Finding:
    """Return the finding about the touched values (U, T).

    `energy_wh` (U, T) is their energy if it is not what was sent, `values` their number if there are more than places.
    """
    count = int(touched.sum()) if values is None else values
    energy = arrived.sent_wh if energy_wh is None else np.nan_to_num(energy_wh)
    in_them = np.where(touched, energy, 0.0)
    columns = np.flatnonzero(touched.any(axis=0))
    whole = float(np.where(touched, energy, arrived.sent_wh).sum())
    units = np.flatnonzero(touched.any(axis=1))
    return Finding(
        kind=kind,
        serials=() if whole_site else tuple(arrived.serials[u] for u in units),
        first=arrived.moment(int(columns[0])),
        last=arrived.moment(int(columns[-1]) + 1),
        values=count,
        share=min(1.0, count / max(1, int(arrived.due.sum()))),
        energy_share=float(in_them.sum() / whole) if whole > 0 else 0.0,
        numbers=dict(numbers or {}),
        names=dict(names or {}),
        touches=tuple(_touches(arrived, touched, in_them)),
    )


def _touches(arrived: Arrived, touched: BoolArray, energy_wh: FloatArray) -> list[Touch]:
    rows, columns = np.nonzero(touched)
    days = arrived.day[columns]
    pairs, places, counts = np.unique(np.stack([days, rows]), axis=1, return_inverse=True, return_counts=True)
    energy = np.bincount(places.ravel(), energy_wh[rows, columns], len(counts))
    return [
        Touch(arrived.serials[unit], int(day), int(count), round(float(wh), 1))
        for (day, unit), count, wh in zip(pairs.T.tolist(), counts, energy, strict=True)
    ]
