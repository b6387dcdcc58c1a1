"""The level at which a site's clear hours lie, from their flatness alone, and that of all hours of a measured sky.

Under a cloudless sky the site's output over that expected keeps one level for half an hour and longer; clouds do not.
What the level means, the callers say.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.expect.grid import BoolArray, IntArray
from service.verify.inputs import FloatArray

STRETCH_MINUTES, STRETCH_INTERVALS = 30, 4
"""Least length of a stretch, in both."""

FLAT, DRIFT = 0.015, 0.05
"""Scatter and drift of the log level within a stretch up to which its sky counts as cloudless."""

LONG_INTERVAL_MIN, SAME = 30, 0.03
"""In such intervals and longer a stretch is so long that the model's own bend may hide how flat its sky is. Where none
is flat those count that another day has at the same hours, to so much of the log level: no cloud comes back so."""

MEASURED = 0.75
"""Quantile of the output over that due by a measured sky which is the site's level: faults and shade only take. Of 230
simulated days (`tests/bench/fleet`, with perfect sensors) those of sites that are not low had 0.97 and more, but for
one that was dead in all but half an hour; low ones up to 0.10 more than the share that was left to them."""

HIGH, NEAR = 0.9, 0.05
"""Quantile of the flat stretches' levels that is taken, and how close to it others confirm it."""


CLEAR_HOURS = 1.0
"""So long the level must stay flat, to the same height, to be a clear sky's: on 34 real days under snow and dark cloud
it did for half an hour at most, on 337 of 940 others longer (SERF East, 2011 to 2013, tests/reference/open_data.py)."""


@dataclass(frozen=True)
class ClearLevel:
    """The site's level in its clear hours, `hours` of them on `days` days, within the intervals `where` (D,)."""

    level: float
    hours: float
    days: int
    where: BoolArray


def flat_level(log_level: FloatArray, positions: IntArray, interval_min: int) -> ClearLevel | None:
    """Return the high level at which flat stretches of `log_level` (D,), NaN where unread, lie; None without any.

    `positions` (D,) are the intervals' numbers on the whole grid: a stretch does not reach over a night.
    """
    size = max(STRETCH_INTERVALS, STRETCH_MINUTES // interval_min)
    if len(log_level) < size:
        return None
    stretches = np.lib.stride_tricks.sliding_window_view(log_level, size)
    joined = np.lib.stride_tricks.sliding_window_view(positions, size)
    scatter, drift = _scatter_and_drift(stretches)
    unbroken = joined[:, -1] - joined[:, 0] == size - 1
    flat = unbroken & (scatter < FLAT) & (drift < DRIFT)
    if interval_min >= LONG_INTERVAL_MIN and not flat.any():
        flat = unbroken & _comes_again(stretches, joined[:, 0], 24 * 60 // interval_min)
    if not flat.any():
        return None
    means = np.exp(stretches.mean(axis=1))
    found = float(np.quantile(means[flat], HIGH))
    confirm = np.flatnonzero(flat & (np.abs(means / found - 1) < NEAR))
    where = np.zeros(len(log_level), dtype=bool)
    where[(confirm[:, None] + np.arange(size)).ravel()] = True
    days = len(np.unique(positions[where] // (24 * 60 // interval_min)))
    return ClearLevel(found, len(confirm) * interval_min / 60, days, where)


def measured_level(log_level: FloatArray, positions: IntArray, interval_min: int) -> ClearLevel | None:
    """Return the level of the log of output over a measured sky's (D,), NaN where unread, under whatever clouds."""
    read = np.isfinite(log_level)
    if not read.any():
        return None
    days = len(np.unique(positions[read] // (24 * 60 // interval_min)))
    level = float(np.exp(np.quantile(log_level[read], MEASURED)))
    return ClearLevel(level, float(read.sum()) * interval_min / 60, days, read)


def _comes_again(stretches: FloatArray, starts: IntArray, per_day: int) -> BoolArray:
    """Return which of the stretches (W, T) another day has at the same hours, (W,)."""
    again = np.zeros(len(starts), dtype=bool)
    for days in range(1, (int(starts[-1]) - int(starts[0])) // per_day + 1):
        later = np.searchsorted(starts, starts + days * per_day)
        first = np.flatnonzero(np.append(starts, -1)[later] == starts + days * per_day)
        then = later[first]
        same = (np.abs(stretches[first] - stretches[then]) < SAME).all(axis=1)
        again[first[same]] = again[then[same]] = True
    return again


def _scatter_and_drift(stretches: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the standard deviation about each stretch's line and the line's rise over it, (W,) each, NaN if unread."""
    at = np.arange(stretches.shape[1]) - (stretches.shape[1] - 1) / 2
    slope = stretches @ at / (at @ at)
    rest = stretches - stretches.mean(axis=1, keepdims=True) - slope[:, None] * at
    return rest.std(axis=1), np.abs(slope) * (stretches.shape[1] - 1)
