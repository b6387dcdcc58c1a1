"""Brings series of any interval and phase onto one grid. What is summed keeps its total, the rest its mean."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from math import lcm

import numpy as np
from numpy.typing import NDArray

from service.store.readings import Series

FloatArray = NDArray[np.float64]

FULL_COVER = 1 - 1e-9
"""A cell is heard if readings cover all of it; the rest is for rounding."""


@dataclass(frozen=True)
class CommonGrid:
    """`count` intervals from `first` on; times in whole seconds since 1970."""

    first: int
    step: int
    count: int

    @property
    def start(self) -> datetime:
        """Return the start of the first interval, UTC."""
        return datetime.fromtimestamp(self.first, UTC)

    @property
    def interval_min(self) -> int:
        """Return the interval's length."""
        return self.step // 60

    def edges(self) -> FloatArray:
        """Return the `count` + 1 ends of the intervals."""
        return self.first + self.step * np.arange(self.count + 1, dtype=np.float64)

    def nothing(self) -> FloatArray:
        """Return an array in which nothing was heard."""
        return np.full(self.count, np.nan)


def common_grid(series: Sequence[Series]) -> CommonGrid | None:
    """Return the grid that all series fit into, from their first reading to their last; None without any.

    Its interval is the coarsest found (the least common multiple where none divides the other), its phase the
    one that most readings of the coarsest interval have.
    """
    heard = [s for s in series if not np.isnan(s.values).all()]
    if not heard:
        return None
    step = 60 * lcm(*(s.interval_min for s in heard))
    coarsest = max(s.interval_min for s in heard)
    phases: Counter[int] = Counter()
    for s in heard:
        if s.interval_min == coarsest:
            phases[_second(s) % (60 * coarsest)] += int(np.count_nonzero(~np.isnan(s.values)))
    phase = phases.most_common(1)[0][0]
    spans = [_heard_span(s) for s in heard]
    first = phase + (min(s[0] for s in spans) - phase) // step * step
    last = max(s[1] for s in spans)
    return CommonGrid(first, step, -(-(last - first) // step))


def on_grid(series: Series, grid: CommonGrid, *, summed: bool) -> FloatArray:
    """Return the series on the grid, (count,): by overlap, NaN where any part of a cell was not heard."""
    step = series.interval_min * 60
    edges = _second(series) + step * np.arange(series.values.size + 1, dtype=np.float64)
    known = ~np.isnan(series.values)
    amounts = np.where(known, series.values, 0.0) * (1 if summed else step)
    total = _between(grid, edges, amounts)
    cover = _between(grid, edges, known * float(step))
    whole = cover >= grid.step * FULL_COVER
    return np.where(whole, total if summed else total / grid.step, np.nan)


def filled(first: FloatArray, second: FloatArray) -> FloatArray:
    """Return the first where it is known, else the second."""
    return np.where(np.isnan(first), second, first)


def _between(grid: CommonGrid, edges: FloatArray, amounts: FloatArray) -> FloatArray:
    running = np.concatenate([[0.0], np.cumsum(amounts)])
    return np.diff(np.interp(grid.edges(), edges, running))


def _second(series: Series) -> int:
    return int(series.start.timestamp())


def _heard_span(series: Series) -> tuple[int, int]:
    heard = np.flatnonzero(~np.isnan(series.values))
    step = series.interval_min * 60
    return _second(series) + int(heard[0]) * step, _second(series) + (int(heard[-1]) + 1) * step
