"""How much better than the record another clock or orientation explains a window, and in which haze.

Haze, which may be another than the model's on each day, changes the light of a low sun: what it does is no clock and no
turn. Not here: how much is enough, which `clock_bounds` and `turn_bounds` say.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from service.verify.search import Turn
from service.verify.window import Light, Window

LEAST_SUN_H = 3.0
"""Hours of sun that a wrong clock or plane must have seen to be told by their light (our choice, no source)."""

HALF_AS_MUCH = 0.5
"""On a single plane, where a quarter of an hour and some 10 degrees of azimuth look much alike, whatever explains so
much of what the other does is said as well; and where a turn or a clock too small to tell does, no plane is."""


def needed(seen: Window, least: float, per_day: float) -> float:
    """Return what is asked of a window: so much on one day, and more for each further one with light."""
    return least + per_day * (seen.lit_days - 1)


def in_own_haze(seen: Window, turn: Turn) -> Turn:
    """Return the turn with what it explains over the record, each in the haze that suits it best on each day."""
    return replace(turn, gain=whatever_haze(seen, by_turn(seen, turn)))


def whatever_haze(seen: Window, light: Light) -> float:
    """Return the log-likelihood of a description over the record's if each day has the haze that suits them best."""
    return seen.whatever_haze(light) - seen.whatever_haze(seen.by_record)


def whatever_drift(seen: Window, light: Light) -> float:
    """Return the same if the haze may come or go over the day."""
    return seen.whatever_drift(light) - seen.whatever_drift(seen.by_record)


def gain_over_record(seen: Window, light: Light) -> float:
    """Return the log-likelihood of one description over the record's."""
    return float(seen.fit(light).likelihood[0]) - seen.record


def by_turn(seen: Window, turn: Turn) -> Light:
    """Return the light of the record with one plane turned, (1, P, N)."""
    return seen.turned(turn.plane, np.array([turn.tilt_deg]), np.array([turn.azimuth_deg]))
