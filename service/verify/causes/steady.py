"""Whether a unit's level is steady, and from when on: shared by the causes that rest on a level."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.verify.case import BoolArray, Case, once
from service.verify.consensus import weighted_median
from service.verify.inputs import FloatArray
from service.verify.levels import PEERS_FOR_COMPARISON

TOLERANCE = 0.045
"""Relative distance from the level within which an interval counts as being at it, beside the register's step."""

STEADY_SHARE = 0.75
"""Share of the energy that must lie at the level."""

LEAST_SHARE_AFTER = 0.12
"""Least share of the window's energy after a step for the lower level to be believed."""

LEAST_INTERVALS = 2
"""Least number of intervals that a level is read from, where the window has twice as many."""

BESIDE_MINUTES, FALL, SHARED = 60, 0.1, 2
"""Within so long before and after a step so many like units must fall by so much for it to be theirs together."""

LESS_STEADY, BESIDE_STEP, AT_ITS_LEVEL = 0.08, 0.06, 0.5
"""How much less of the energy may lie at the level after a step than at the one before it, and how much of the nearest
share of the energy to either side of the step must: a module that breaks stays as steady as it was, and breaks at once,
where a shadow grows in stages and passes (our choice)."""

BACK_READINGS = 6
"""So many last readings nearer to the level before a step show a shadow that has passed."""

STEPS_TRIED = 48
LEAST_READINGS_BESIDE = 3
"""Least number of separate readings on either side of a step; intervals that were put together are one reading."""


@dataclass(frozen=True)
class SteadyLevel:
    """A level over its reference, the intervals it holds for (D,), and the share of energy that lies at it."""

    level: float
    where: BoolArray
    share: float
    from_start: bool


@once
def steady_levels(case: Case) -> list[SteadyLevel | None]:
    """Return the units' steady levels, in the order of the rows."""
    return [_steady_level(case, i) for i in range(len(case.serials))]


def _steady_level(case: Case, i: int) -> SteadyLevel | None:
    """Return unit `i`'s steady level up to the window's end: from its start or after one step; None if neither."""
    series = case.levels.relative_series(i)
    weight, grain = case.levels.weight[i], case.levels.grain[i]
    read = np.isfinite(series) & (weight > 0)
    if read.sum() < max(min(LEAST_INTERVALS, len(read) / 2), 1):
        return None
    level, share = _level_and_share(series, weight, read, grain)
    if share >= STEADY_SHARE:
        return SteadyLevel(level, read, share, from_start=True)
    # against the model alone a step may be the sky's: it fits some hours better than others
    after = _after_step(series, weight, read, grain) if has_peers(case, i) else None
    return None if after and _falls_with_others(case, i, after) else after


def _falls_with_others(case: Case, i: int, after: SteadyLevel) -> bool:
    """Return whether so many like units fall where this one does that they have one reason: a shadow, no module."""
    step = int(np.flatnonzero(after.where)[0])
    reach = -(-BESIDE_MINUTES // case.day.grid.interval_min)
    now = case.day.positions[step]
    beside = np.abs(case.day.positions - now) <= reach
    before, then = (beside & (case.day.positions < now), beside & (case.day.positions >= now))
    others = [k for k in case.like(i) if k != i]
    series = np.stack([case.levels.relative_series(k) for k in others])
    fall = _mean(series[:, before]) - _mean(series[:, then])
    return bool((fall > FALL).sum() >= SHARED)


def _mean(series: FloatArray) -> FloatArray:
    """Return the mean of what is read of each row (n, T), NaN where nothing is, (n,)."""
    read = np.isfinite(series)
    count = read.sum(axis=1)
    return np.asarray(
        np.where(count > 0, np.where(read, series, 0.0).sum(axis=1) / np.maximum(count, 1), np.nan)
    )


def has_peers(case: Case, i: int) -> bool:
    """Return whether like units, and not only the model of the sky, say what was due."""
    return bool(np.isfinite(case.levels.level[list(case.like(i))]).sum() >= PEERS_FOR_COMPARISON)


def _level_and_share(
    series: FloatArray, weight: FloatArray, where: BoolArray, grain: FloatArray
) -> tuple[float, float]:
    level = weighted_median(series[where], weight[where])
    return level, _share_at(level, series, weight, where, grain)


def _share_at(
    level: float, series: FloatArray, weight: FloatArray, where: BoolArray, grain: FloatArray
) -> float:
    """Return the share of the energy `where` (D,) that lies at a level, 1 of none."""
    worth = weight[where]
    near = np.abs(series[where] - level) <= TOLERANCE * max(level, 0.5) + 1.5 * grain[where]
    return float(worth[near].sum() / worth.sum()) if len(worth) else 1.0


def _comes_back(middle: float, series: FloatArray, after: BoolArray, grain: FloatArray) -> bool:
    """Return whether the last of what was read after a step (D,) lies on the other side of its middle again."""
    last = np.flatnonzero(after & (2 * grain < 1 - middle))[-BACK_READINGS:]
    return len(last) == BACK_READINGS and bool((series[last] > middle).all())


def _after_step(
    series: FloatArray, weight: FloatArray, read: BoolArray, grain: FloatArray
) -> SteadyLevel | None:
    at = np.arange(len(series))
    sums = np.cumsum(np.where(read, weight, 0.0)) / weight[read].sum()
    best: SteadyLevel | None = None
    for quantile in np.linspace(0.02, 1 - LEAST_SHARE_AFTER, STEPS_TRIED):
        step = int(np.searchsorted(sums, quantile))
        after, before = read & (at >= step), read & (at < step)
        if min(len(np.unique(series[after])), len(np.unique(series[before]))) < LEAST_READINGS_BESIDE:
            continue
        level, share = _level_and_share(series, weight, after, grain)
        level_before, share_before = _level_and_share(series, weight, before, grain)
        together = share * (1 - quantile) + share_before * quantile
        steady = share >= max(STEADY_SHARE, share_before - LESS_STEADY) and share_before >= STEADY_SHARE
        if not steady or level >= level_before or (best is not None and together <= best.share):
            continue
        beside = (before & (sums > quantile - BESIDE_STEP), after & (sums <= quantile + BESIDE_STEP))
        at_once = (
            _share_at(x, series, weight, w, grain) for x, w in zip((level_before, level), beside, strict=True)
        )
        if min(at_once) >= AT_ITS_LEVEL and not _comes_back((level + level_before) / 2, series, after, grain):
            best = SteadyLevel(level, after, together, from_start=False)
    return best
