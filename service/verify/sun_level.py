"""The level at which a site stands in the sun between passing clouds, where no half hour is without any.

Under broken cloud a site's output over the clear sky's jumps from one interval to the next, and its upper end is a
plateau: the sun in the gaps. Clouds beside the sun add light to it: on such days of June 2016 at Payerne (Baseline
Surface Radiation Network, `tests/fleet/data`) the upper tenth began 1.10 to 1.20 times as high as the clear sky stood.
A closed cover jumps seldom, and has no plateau. In intervals longer than a gap a day has no plateau either, but some
quarters of an hour of a week lie in the sun as a whole.
What the level means, the callers say.
"""

from __future__ import annotations

import numpy as np

from service.expect.grid import IntArray
from service.verify.clear_level import ClearLevel
from service.verify.inputs import FloatArray

LONGEST_INTERVAL_MIN = 5
QUARTER_MIN, LEAST_DAYS = 15, 5
"""Intervals in which a whole one may lie in a gap, and on how many days some must be looked for."""

LEAST_MINUTES = 120

JUMP, LEAST_JUMPS = 0.3, 0.12
"""Step of the log level from one interval to the next that is a cloud's edge, and the least share of such steps."""

PLATEAU_FROM, SUN_FROM, TOP = 0.8, 0.9, 0.98
HIGHEST_RISE = 1.25
"""Quantiles between which the plateau lies, and up to which it may rise: on dull days at Payerne, which jump too, the
rise was 1.3 to 1.9; in quarters of an hour of the five and of the seven dullest 1.31 and 1.38."""

BY_CLOUDS = 1.10
"""What clouds beside the sun add at least, over a day."""

CLOSED_COVER = 0.65
"""Below this level it may be a closed cover that jumps."""


def sun_level(log_level: FloatArray, positions: IntArray, interval_min: int) -> ClearLevel | None:
    """Return the highest level in the sun of the days on which clouds pass; None where there are none.

    `log_level` (D,) is the log of output over the clear sky's in strong light, NaN where unread; `positions` (D,) are
    the intervals' numbers on the whole grid.
    """
    if interval_min > LONGEST_INTERVAL_MIN:
        return None
    day = positions // (24 * 60 // interval_min)
    read = np.isfinite(log_level)
    levels, where = [], np.zeros(len(log_level), dtype=bool)
    for today in (read & (day == d) for d in np.unique(day)):
        sun = _in_the_sun(log_level[today], interval_min)
        if sun is not None:
            levels.append(np.exp(sun) / BY_CLOUDS)
            where |= today & (log_level >= sun)
    if not levels or max(levels) < CLOSED_COVER:
        return None
    return ClearLevel(float(max(levels)), float(where.sum()) * interval_min / 60, len(levels), where)


def sun_level_of_days(log_level: FloatArray, positions: IntArray, interval_min: int) -> ClearLevel | None:
    """Return the highest level in the sun of several days together, in longer intervals; None where it is no plateau.

    Arguments as above. It is the sun's at most: clouds beside it add less to an interval the longer that is.
    """
    read = np.isfinite(log_level)
    days = len(np.unique(positions[read] // (24 * 60 // interval_min)))
    if not LONGEST_INTERVAL_MIN < interval_min <= QUARTER_MIN or days < LEAST_DAYS:
        return None
    if _in_the_sun(log_level[read], interval_min) is None:
        return None
    low, top = np.quantile(log_level[read], [PLATEAU_FROM, TOP])
    where = read & (log_level >= low)
    return ClearLevel(float(np.exp(top)), float(where.sum()) * interval_min / 60, days, where)


def _in_the_sun(log_level: FloatArray, interval_min: int) -> float | None:
    """Return the log level from which one day, or more, stands in the sun, None where no clouds pass before it."""
    if len(log_level) * interval_min < LEAST_MINUTES:
        return None
    low, sun, top = np.quantile(log_level, [PLATEAU_FROM, SUN_FROM, TOP])
    return float(sun) if clouds_pass(log_level) and top - low <= np.log(HIGHEST_RISE) else None


def clouds_pass(log_level: FloatArray) -> bool:
    """Return whether the log of a site's output over the clear sky's (N,) jumps as under passing clouds."""
    steps = np.abs(np.diff(log_level))
    return len(steps) > 0 and float((steps > JUMP).mean()) >= LEAST_JUMPS
