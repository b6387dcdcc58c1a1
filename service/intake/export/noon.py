"""Whether labels agree with the sun: the middle of the light on each day against the site's solar noon.

No model of the array: an hour that is off shows, minutes do not.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from math import cos, pi, sin

import numpy as np

from service.intake.export.survey import Trace
from service.store.grids import BoolArray, FloatArray, IntArray

DAY_S = 86_400
LIGHT = 0.02
SHORTEST_LIGHT_S = 5 * 3600

ToUtc = Callable[[IntArray], IntArray]


def solar_noon_s(day: int, longitude: float) -> float:
    """Return the second of the UTC day (counted from 1970) at which the sun is highest, within a minute or so.

    The equation of time in its usual three terms (common in textbooks on solar energy; from memory).
    """
    turn = 2 * pi * ((day % 365.25) - 81) / 365.25
    equation_min = 9.87 * sin(2 * turn) - 7.53 * cos(turn) - 1.5 * sin(turn)
    return 43_200 - longitude * 240 - equation_min * 60


def lateness_min(traces: Iterable[Trace], to_utc: ToUtc, longitude: float) -> float | None:
    """Return by how many minutes the middle of the light is late on a usual day, None if no day shows both ends."""
    times, power = _together(traces)
    if not times.size or power.max(initial=0.0) <= 0:
        return None
    utc = to_utc(times)
    days = (utc + round(longitude * 240)) // DAY_S
    bright = power > LIGHT * power.max()
    found = [_of_day(utc[days == d], bright[days == d], int(d), longitude) for d in np.unique(days)]
    late = [f for f in found if f is not None]
    return float(np.median(late)) / 60 if late else None


def _together(traces: Iterable[Trace]) -> tuple[IntArray, FloatArray]:
    kept = [t for t in traces if t.values.size]
    if not kept:
        return np.empty(0, dtype=np.int64), np.empty(0)
    times, place = np.unique(np.concatenate([t.naive for t in kept]), return_inverse=True)
    scaled = [np.maximum(t.values, 0) / max(float(np.quantile(np.abs(t.values), 0.99)), 1e-9) for t in kept]
    power = np.bincount(place, np.minimum(np.concatenate(scaled), 1.5))
    return times, power.astype(np.float64)


def _of_day(utc: IntArray, bright: BoolArray, day: int, longitude: float) -> float | None:
    lit = utc[bright]
    if lit.size < 6 or lit[-1] - lit[0] < SHORTEST_LIGHT_S:
        return None
    if lit[0] == utc[0] or lit[-1] == utc[-1]:
        return None
    return float((lit[0] + lit[-1]) / 2 - day * DAY_S - solar_noon_s(day, longitude))


def centroid_min(traces: Iterable[Trace], to_utc: ToUtc, longitude: float, *, chosen: ToUtc) -> float | None:
    """Return how late the bulk of the energy is against solar noon, over the times that `chosen` marks with 1."""
    times, power = _together(traces)
    keep = (chosen(times) == 1) & (power > 0) if times.size else np.empty(0, dtype=bool)
    if np.count_nonzero(keep) < 100:
        return None
    utc, power = to_utc(times)[keep], power[keep]
    days = (utc + round(longitude * 240)) // DAY_S
    noons = {int(d): solar_noon_s(int(d), longitude) for d in np.unique(days)}
    late = utc - days * DAY_S - np.array([noons[int(d)] for d in days])
    return float(np.average(late, weights=power)) / 60
