"""Whether a silence may be the sky's doing, or snow's, where no neighbour and no sensor proves the light.

Reasoning: on its way into darkness or under snow a unit's output fades to where an inverter just does not start, before
it ends; a plug, a breaker or a dead unit ends it at any power. On 979 real days (SERF East, 2011 to 2013,
tests/reference/open_data.py) the output of 29 that went dark before the evening had always sunk to 4 % of the rating
in its last quarter hours, and dark snow lasted up to 5 h until night.
"""

from __future__ import annotations

import numpy as np

from service.verify.case import DARK_CLOUD_MINUTES, BoolArray, Case
from service.verify.levels import rated_wh

ABRUPT = 0.05
"""Share of the rating in one of the last LAST_INTERVALS before a silence from which it was no fading."""

LAST_INTERVALS = 2
HOURS_OF_SNOW = 24
"""Faded output is away for longer than a night and the day before it; snow that lies for days would do it too."""


def proven_light(case: Case, dead: BoolArray) -> bool:
    """Return whether neighbours or a sensor told the sky in some of the intervals `dead` (D,)."""
    return case.source == "measured" or bool((case.array_sky.known & dead).any())


def ended_abruptly(case: Case, rows: list[int], dead: BoolArray) -> bool:
    """Return whether one of the units gave much until just before the first of the intervals `dead` (D,)."""
    first = int(np.flatnonzero(dead)[0])
    last = case.measured_wh[rows, max(first - LAST_INTERVALS, 0) : first] / rated_wh(case.day)[rows, None]
    return bool(np.nan_to_num(last).max(initial=0.0) >= ABRUPT)


def may_be_dark(case: Case, rows: list[int], dead: BoolArray) -> bool:
    """Return whether darkness or snow may be all that made these units silent in the intervals `dead` (D,).

    A unit that was silent from the morning on did not fade; it counts once a dark cloud would have passed.
    """
    if not dead.any() or proven_light(case, dead):
        return False
    at = case.day.positions[dead]
    if dead.sum() * case.day.grid.interval_min < DARK_CLOUD_MINUTES:
        return True
    if ended_abruptly(case, rows, dead) or not _gave_that_day(case, rows, int(at[0])):
        return False
    return bool((at[-1] - at[0]) * case.day.grid.interval_min < HOURS_OF_SNOW * 60)


def _gave_that_day(case: Case, rows: list[int], position: int) -> bool:
    """Return whether the units gave anything in the twelve hours before an interval of the grid."""
    hours = (position - case.day.positions) * case.day.grid.interval_min / 60
    return bool((np.nan_to_num(case.measured_wh[rows][:, (hours > 0) & (hours <= 12)]) > 0).any())
