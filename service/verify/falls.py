"""How often a level falls and comes back: what stands before the sun makes it fall once, two of it twice."""

from __future__ import annotations

import numpy as np

from service.expect.grid import BoolArray, IntArray
from service.verify.inputs import FloatArray


def falls(level: FloatArray, least: float, *, before: float = 1.0) -> int:
    """Return how often a level (D,), 1 for whole, falls by `least` from where it was, and comes back by as much.

    `before` is where it was at first.
    """
    times, falling, top, bottom = 0, False, before, before
    for value in level.clip(max=1.0):
        if falling and value > bottom + least:
            falling, top = False, value
        elif not falling and value < top - least:
            falling, bottom, times = True, value, times + 1
        top, bottom = max(top, value), min(bottom, value)
    return times


NEAR_MINUTES, MINUTES_A_DAY = 10, 24 * 60
"""Minutes of the day within which the sun stands at the same place over a week: at an equinox it is there two minutes
sooner or later from day to day."""


def comes_again(
    positions: IntArray, interval_min: int, dips: BoolArray, low: BoolArray, told: BoolArray
) -> float:
    """Return in what share of the other days' chances it is `low` near the minutes of the `dips`, 0 without any.

    All are (D,) over the intervals numbered `positions` on the whole grid; a chance is an interval that is `told` of.
    """
    day, minute = np.divmod(positions * interval_min, MINUTES_A_DAY)
    near = np.abs(minute - minute[dips][:, None]) <= NEAR_MINUTES
    same = near & (day != day[dips][:, None]) & told
    return float((same & low).sum()) / max(int(same.sum()), 1)
