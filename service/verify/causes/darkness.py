"""Whether a silence may be the sky's doing, or snow's, where no neighbour and no sensor proves the light.

Reasoning: on its way into darkness or under snow a unit's output fades to where an inverter just does not start, before
it ends; a plug, a breaker or a dead unit ends it at any power. On 979 real days (SERF East, 2011 to 2013,
tests/reference/open_data.py) the output of 24 that went dark well before the evening had always sunk below 1.5 % of the
rating in its last half hour, and dark snow lasted up to 5 h until night.
"""

from __future__ import annotations

import numpy as np

from service.verify.case import DARK_CLOUD_MINUTES, BoolArray, Case

ABRUPT, LAST_MINUTES = 0.02, 30
"""Share of the rating in some interval of the last minutes before a silence from which it was no fading."""

HOURS_OF_SNOW = 24
"""Faded output is away for longer than a night and the day before it; snow that lies for days would do it too."""

BROKE_OFF, SNOW_POSSIBLE = 0.8, 0.6
"""Confidence without proven light where the output broke off, and where snow would look the same."""


def proven_light(case: Case, dead: BoolArray) -> bool:
    """Return whether neighbours or a sensor told the sky in some of the intervals `dead` (D,)."""
    return case.source == "measured" or bool((case.array_sky.known & dead).any())


def ended_abruptly(case: Case, rows: list[int], dead: BoolArray) -> bool:
    """Return whether one of the units gave much until the last that any gave before the intervals `dead` (D,)."""
    last = _last_given(case, rows, dead)
    before = max(LAST_MINUTES // case.day.grid.interval_min, 1)
    given = case.measured_wh[rows, max(last + 1 - before, 0) : last + 1] / case.day.rated_wh[rows, None]
    return bool(np.nan_to_num(given).max(initial=0.0) >= ABRUPT)


def may_be_dark(case: Case, rows: list[int], dead: BoolArray) -> bool:
    """Return whether darkness or snow may be all that made these units silent in the intervals `dead` (D,).

    A unit that was silent from the morning on did not fade; it counts once a dark cloud would have passed.
    """
    if not dead.any() or proven_light(case, dead):
        return False
    if (dead & case.gone_at_once).any():
        return False
    if dead.sum() * case.day.grid.interval_min < DARK_CLOUD_MINUTES:
        return True
    if ended_abruptly(case, rows, dead) or not _gave_that_day(case, rows, dead):
        return False
    at = case.day.positions[dead]
    return bool((at[-1] - at[0]) * case.day.grid.interval_min < HOURS_OF_SNOW * 60)


def _last_given(case: Case, rows: list[int], dead: BoolArray) -> int:
    """Return the last interval before `dead` in which any of the units gave something, -1 if none did."""
    given = np.nan_to_num(case.measured_wh[rows, : np.flatnonzero(dead)[0]]).any(axis=0)
    return int(np.flatnonzero(given)[-1]) if given.any() else -1


def _gave_that_day(case: Case, rows: list[int], dead: BoolArray) -> bool:
    """Return whether no night lies between the units' last output and the intervals `dead`."""
    last = _last_given(case, rows, dead)
    since = case.day.positions[max(last, 0) : np.flatnonzero(dead)[0] + 1]
    return last >= 0 and bool((np.diff(since) == 1).all())


def confidence(case: Case, rows: list[int], dead: BoolArray, *, proven: float) -> float:
    """Return how sure it is that these units are dead in the intervals `dead` (D,): so much with light `proven`."""
    if proven_light(case, dead):
        return proven
    return BROKE_OFF if ended_abruptly(case, rows, dead) else SNOW_POSSIBLE
