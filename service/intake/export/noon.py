"""Whether labels agree with the sun: the middle of the light on each day, its first and last, and light in the night.

No model of the array: an hour that is off shows, minutes do not.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from math import acos, cos, degrees, pi, radians, sin

import numpy as np

from service.intake.export.survey import Trace
from service.intake.export.times import DAY_S
from service.store.grids import BoolArray, FloatArray, IntArray

LIGHT = 0.02
FIRST_LIGHT = 0.002
"""Of the highest power: what an inverter gives just after it woke."""

DIM = 0.15
"""Of the highest power: a day whose rows begin and end below it was not cut off in bright light."""

CERTAINLY_LONGER_S = 900
SILENT_S = 3 * 3600
SHORTEST_LIGHT_S = 5 * 3600
AT_HORIZON_DEG = -0.833
"""The sun's middle when its upper edge is seen to rise (usual in almanacs: 34' of refraction and 16' of radius)."""

ToUtc = Callable[[IntArray], IntArray]


def solar_noon_s(day: int, longitude: float) -> float:
    """Return the second of the UTC day (counted from 1970) at which the sun is highest, within a minute or so.

    The equation of time in its usual three terms (common in textbooks on solar energy; from memory).
    """
    turn = 2 * pi * ((day % 365.25) - 81) / 365.25
    equation_min = 9.87 * sin(2 * turn) - 7.53 * cos(turn) - 1.5 * sin(turn)
    return 43_200 - longitude * 240 - equation_min * 60


def declination_deg(day: int) -> float:
    """Return the sun's declination on a day, within a tenth of a degree or two (Spencer's series; from memory)."""
    turn = 2 * pi * (day % 365.25) / 365.25
    series = 0.006918 - 0.399912 * cos(turn) + 0.070257 * sin(turn) - 0.006758 * cos(2 * turn)
    series += 0.000907 * sin(2 * turn) - 0.002697 * cos(3 * turn) + 0.00148 * sin(3 * turn)
    return degrees(series)


def half_day_s(day: int, latitude: float, horizon_deg: float = AT_HORIZON_DEG) -> float:
    """Return the seconds from solar noon to when the sun passes an elevation: 0 if it is never above it."""
    high, north = radians(declination_deg(day)), radians(max(-89.9, min(89.9, latitude)))
    angle = (sin(radians(horizon_deg)) - sin(north) * sin(high)) / (cos(north) * cos(high))
    return acos(max(-1.0, min(1.0, angle))) / pi * DAY_S / 2


@dataclass(frozen=True)
class Span:
    """The first and the last label with light on a day, and when the sun rose and set; seconds in UTC."""

    first: int
    last: int
    rise: float
    set: float


def room_s(day: Span, shift_s: float, half_s: float) -> tuple[float, float]:
    """Return by how much the labels of a day may be moved with no output before sunrise or after sunset.

    A label's interval reaches `half_s` to both sides of its middle, which is `shift_s` after the label.
    """
    middle = np.array([day.first, day.last]) + shift_s
    return day.rise - float(middle[0]) - half_s, day.set - float(middle[1]) + half_s


def lateness_min(traces: Iterable[Trace], to_utc: ToUtc, longitude: float) -> float | None:
    """Return by how many minutes the middle of the light is late on a usual day, None if no day shows both ends."""
    found = [
        (first + last) / 2 - day * DAY_S - solar_noon_s(day, longitude)
        for day, first, last in _days_of_light(traces, to_utc, longitude, LIGHT)
    ]
    return float(np.median(found)) / 60 if found else None


def spans(traces: Iterable[Trace], to_utc: ToUtc, longitude: float, latitude: float) -> list[Span]:
    """Return the days whose first and last light the rows show."""
    found = []
    for day, first, last in _days_of_light(traces, to_utc, longitude, FIRST_LIGHT):
        noon, half = day * DAY_S + solar_noon_s(day, longitude), half_day_s(day, latitude)
        found.append(Span(first, last, noon - half, noon + half))
    return found


def outlasts_days(
    traces: Iterable[Trace], to_utc: ToUtc, longitude: float, latitude: float, step_s: int
) -> bool | None:
    """Return whether the light lasts longer than the sun can be up, None where no day shows it from end to end.

    Only light without gaps counts, so that something odd in the night is no dawn. Which zone is right matters little.
    """
    kept = list(traces)
    times, power = _together(kept)
    lit = to_utc(times)[power > LIGHT * power.max(initial=0.0)] if times.size else times
    found = []
    for day, first, last in _days_of_light(kept, to_utc, longitude, LIGHT):
        steps = np.diff(lit[(lit >= first) & (lit <= last)])
        if steps.size and float(steps.max()) <= 2 * step_s:
            found.append(last - first - step_s > 2 * half_day_s(day, latitude) + CERTAINLY_LONGER_S)
    return None if not found else sum(found) >= len(found) / 2


def is_below(utc: IntArray, longitude: float, latitude: float, elevation_deg: float) -> BoolArray:
    """Return of each time whether the sun is below an elevation then."""
    days, place = np.unique((utc + round(longitude * 240)) // DAY_S, return_inverse=True)
    noons = [day * DAY_S + solar_noon_s(day, longitude) for day in days.tolist()]
    halves = [half_day_s(day, latitude, elevation_deg) for day in days.tolist()]
    found: BoolArray = np.abs(utc - np.array(noons)[place]) > np.array(halves)[place]
    return found


def night_share(
    traces: Iterable[Trace], to_utc: ToUtc, longitude: float, latitude: float, horizon_deg: float
) -> float:
    """Return the share of the light that the rows have while the sun is below an elevation."""
    times, power = _together(traces)
    if not times.size or power.sum() <= 0:
        return 0.0
    dark = is_below(to_utc(times), longitude, latitude, horizon_deg)
    return float(power[dark].sum() / power.sum())


def _days_of_light(
    traces: Iterable[Trace], to_utc: ToUtc, longitude: float, light: float
) -> list[tuple[int, int, int]]:
    """Return each day with its first and last time of light, if the rows show that it was dark before and after."""
    times, power = _together(traces)
    if not times.size or power.max(initial=0.0) <= 0:
        return []
    utc = to_utc(times)
    in_order = np.argsort(utc, kind="stable")
    utc, power = utc[in_order], power[in_order]
    days = (utc + round(longitude * 240)) // DAY_S
    bright, dim = power > light * power.max(), power < DIM * power.max()
    found = [(int(d), _of_day(utc[days == d], bright[days == d], dim[days == d])) for d in np.unique(days)]
    return [(day, *span) for day, span in found if span is not None]


def _together(traces: Iterable[Trace]) -> tuple[IntArray, FloatArray]:
    kept = [t for t in traces if t.values.size]
    if not kept:
        return np.empty(0, dtype=np.int64), np.empty(0)
    times, place = np.unique(np.concatenate([t.naive for t in kept]), return_inverse=True)
    scaled = [np.maximum(t.values, 0) / max(float(np.quantile(np.abs(t.values), 0.99)), 1e-9) for t in kept]
    power = np.bincount(place, np.minimum(np.concatenate(scaled), 1.5))
    return times, power.astype(np.float64)


def _of_day(utc: IntArray, bright: BoolArray, dim: BoolArray) -> tuple[int, int] | None:
    lit = np.flatnonzero(bright)
    if lit.size < 6 or utc[lit[-1]] - utc[lit[0]] < SHORTEST_LIGHT_S:
        return None
    cut = [lit[0] == 0 and not dim[lit[0]], lit[-1] == utc.size - 1 and not dim[lit[-1]]]
    if any(cut) or np.diff(utc[lit[0] : lit[-1] + 1]).max() > SILENT_S:
        return None
    return int(utc[lit[0]]), int(utc[lit[-1]])


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
