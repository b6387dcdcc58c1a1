"""A step of the clock within the window: from one day to the next, all of the site's light moves by the same minutes.

Seen in the stamps alone: clouds and seasons move the first and the last light against each other, a clock moves both
together. Against which sun the clock is right, is for the judgement. Changes that the record knows are undone before.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from service.quality.model import Arrived, Finding, finding
from service.store.grids import BoolArray, FloatArray, IntArray

LEAST_MIN = 25
LEAST_DAYS = 2
LENGTH_OFF_MIN = 40
LIGHT_SHARE = 0.01
"""Of a unit's highest value; some meters give a little by night."""

QUIET = 0.3
"""Share of the step by which the days of one side may differ from each other."""


class _Days(NamedTuple):
    """Whole days: their first interval with light, and from midnight of UTC the minutes of first and last light."""

    begins: IntArray
    first: FloatArray
    last: FloatArray


def find(arrived: Arrived) -> list[Finding]:
    """Return the finding on the step, if there is one."""
    days = _whole_days(arrived)
    best = max(
        (_step(days, at) for at in range(LEAST_DAYS, len(days.begins) - LEAST_DAYS + 1)),
        key=lambda step: abs(step[0]),
        default=(0.0, 0),
    )
    minutes, at = best
    if abs(minutes) < max(LEAST_MIN, 2 * arrived.interval_min):
        return []
    touched = arrived.made.copy()
    touched[:, : days.begins[at]] = False
    return [finding(arrived, "clock_step", touched, whole_site=True, numbers={"minutes": minutes})]


def _step(days: _Days, at: int) -> tuple[float, int]:
    """Return by how many minutes the light moves at a day, 0 where its two ends or the days around disagree."""
    middle = (days.first + days.last) / 2
    before, after = middle[:at], middle[at:]
    step = float(np.median(after) - np.median(before))
    spread = max(float(np.abs(side - np.median(side)).max()) for side in (before, after))
    ends = [float(np.median(edge[at:]) - np.median(edge[:at])) for edge in (days.first, days.last)]
    steady = spread <= QUIET * abs(step) and all(end * step > 0 for end in ends)
    return (round(step), at) if steady else (0.0, at)


def _whole_days(arrived: Arrived) -> _Days:
    making = _making(arrived)
    minute = arrived.start_s / 60 + arrived.interval_min * np.arange(len(making))
    places = [np.flatnonzero(making & (arrived.day == day)) for day in np.unique(arrived.day)]
    ends = np.array([(p[0], p[-1], minute[p[0]], minute[p[-1]]) for p in places if p.size]).reshape(-1, 4)
    whole = (ends[:, 0] > 0) & (ends[:, 1] < len(making) - 1)
    length = ends[:, 3] - ends[:, 2]
    if whole.any():
        whole &= np.abs(length - np.median(length[whole])) <= LENGTH_OFF_MIN
    ends = ends[whole]
    midnight = 1440 * arrived.day[ends[:, 0].astype(np.int64)] if len(ends) else np.zeros(0)
    return _Days(ends[:, 0].astype(np.int64), ends[:, 2] - midnight, ends[:, 3] - midnight)


def _making(arrived: Arrived) -> BoolArray:
    heard = arrived.heard.sum(axis=0)
    making = arrived.sent_wh > LIGHT_SHARE * arrived.highest_wh[:, None]
    return np.asarray((making.sum(axis=0) >= heard / 2) & (heard > 0))
