"""What most of several values agree on, when some of them are wrong, and how far curves are apart in shape.

Faults take energy away and never add it, so of two groups of equal size the brighter is believed.
"""

from __future__ import annotations

import numpy as np

from service.verify.inputs import FloatArray

AGREEMENT = 0.08
"""Relative distance at which two like units stop supporting each other."""

BRIGHT_BONUS = 0.5
"""Votes that the brightest value has over one of zero: decides ties, never outvotes a larger group."""


SURELY_BRIGHT = 2.5
"""Votes from which a group of values is the light itself: darker groups count less then, by as much as they are darker,
so that a minority that agrees in the sun outvotes a majority in shade."""


def consensus(
    values: FloatArray, *, width: float, floor: float = 0.0, weights: FloatArray | None = None
) -> FloatArray:
    """Return the agreed value of each column, (T,), NaN where a column has none.

    `values` is (n, T), NaN where missing; `width` is the relative distance at which two values stop supporting
    each other, `floor` an absolute one [unit of values] that is added to it (a register's resolution);
    `weights` (n,) are the votes of each row, 1 by default.

    For every value the support is the sum of triangular kernels at all others, less where others are surely brighter;
    the best supported one is taken, then replaced by the kernel-weighted mean around it.
    """
    votes = np.ones(len(values)) if weights is None else weights
    known = np.isfinite(values)
    x = np.where(known, values, 0.0)
    held = known * votes[:, None]
    reach = _reach(x, width, floor)
    away = [np.einsum("jt,jt->t", _away(x, x[i], reach[i]), held) for i in range(len(x))]
    support = held.sum(axis=0) - np.reshape(away, x.shape) / reach
    brightest = np.maximum(x.max(axis=0, initial=0.0), 1e-12)
    surely = np.maximum(np.where(known & (support >= SURELY_BRIGHT), x, 0.0).max(axis=0, initial=0.0), 1e-12)
    support = np.where(known, support * np.minimum(x / surely, 1.0) + BRIGHT_BONUS * x / brightest, -1.0)
    best = np.take_along_axis(x, support.argmax(axis=0)[None, :], axis=0)[0]
    within = _reach(best, width, floor)
    near = (1 - _away(x, best, within) / within) * held
    total = near.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(known.any(axis=0) & (total > 0), (near * x).sum(axis=0) / total, np.nan)


def _reach(x: FloatArray, width: float, floor: float) -> FloatArray:
    """Return how far from values `x` the triangular kernel at each reaches, same shape."""
    return np.maximum(width * np.maximum(x, 1e-12) + floor, 1e-12)


def _away(x: FloatArray, centre: FloatArray, reach: FloatArray) -> FloatArray:
    """Return how far `x` lies from `centre`, `reach` at most: the kernel is what that leaves of 1, over `reach`."""
    away = x - centre
    np.abs(away, out=away)
    return np.minimum(away, reach, out=away)


def weighted_median(values: FloatArray, weights: FloatArray) -> float:
    """Return the weighted median of (n,) values, none of them NaN, no weight zero; NaN of none."""
    if not len(values):
        return float("nan")
    order = np.argsort(values)
    sums = np.cumsum(weights[order])
    return float(values[order[np.searchsorted(sums, sums[-1] / 2)]])


def robust_sd(deviations: FloatArray) -> float:
    """Return 1.4826 times the median absolute value: the standard deviation of a normal bulk, outliers aside."""
    return 1.4826 * median(np.abs(deviations))


def median(values: FloatArray) -> float:
    """Return the median of (n,) values, none of them NaN; NaN of none. With few, `numpy.median` mostly checks."""
    half = len(values) // 2
    if not len(values):
        return float("nan")
    around = np.partition(values, (half - 1, half) if len(values) > 1 else 0)[max(half - 1, 0) : half + 1]
    return float(around[-1] if len(values) % 2 else (around[0] + around[1]) / 2)


def shapes_apart(one: FloatArray, other: FloatArray) -> FloatArray:
    """Return the share of their energy that curves (..., T) have at another time than others, (...)."""
    shapes = (each / np.maximum(each.sum(axis=-1, keepdims=True), 1e-9) for each in (one, other))
    return np.asarray(np.abs(np.subtract(*shapes)).sum(axis=-1) / 2)
