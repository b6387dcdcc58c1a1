"""The clock and the plane's orientation that explain a window best. Whether either is believed is not decided here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from service.expect.site import Plane
from service.verify.inputs import FloatArray
from service.verify.labels import LateClock
from service.verify.window import LARGEST_SHIFT_MIN, Light, Window

GATE_INTERVALS, COARSE_INTERVALS, FINE_INTERVALS = 300, 300, 800
"""How many intervals are looked at at first, in the search and at its end; of longer windows every second or third."""

WORTH_A_SEARCH = 4.0
"""Log-likelihood over the record's from which, in the coarse search, the whole one is made."""

SURPLUS_PARAMETER, SURPLUS_ANGLE = 3.0, 0.07
"""Log-likelihood that a further quantity (a tilt beside an azimuth, the moment of a change) must bring, and share of
what a turn explains that a second angle must: it takes in more of what the model errs, which grows with the light that
tells. Of 78 misdescribed planes of weeks that were told (`tests/bench/fleet`) 18 were more than 5 degrees off so, and
22 where it had to bring 3."""

AS_LIKELY = 5.0
"""Log-likelihood within which two explanations are both said."""

LEAST_TURN_DEG, LEAST_LEAN_DEG = 4.0, 8.0
"""Angle between the normals by an azimuth, and between tilts, from which a plane is another: less is within what the
model errs, and what a crew can measure, 3 degrees of each (common practice, no source). Of 51 clear days and weeks of
SERF East, whose record is right (tests/reference/open_data.py), the best azimuth lay up to 3 degrees off between the
normals on summer days and in weeks, and up to 5 on winter ones, where it explained little. Haze, reflection, the sky's
light and the level all imitate a tilt: where it explained 4 and more it lay 3 to 8 degrees off, twice 12 and 27."""

STEEPEST_ROOF_DEG = 65.0
"""What seems steeper is a curve cut off at its top: by trips at high power, by a limit (common practice, no source)."""

COARSE_SHIFT_MIN, FINE_SHIFT_MIN = 15, 5
SUMMER_TIME_MIN, ZONES_APART_MIN = 60, 30
"""Zones are apart by whole hours, some by halves (IANA's data base; the three at quarters are told as the nearest)."""


WHOLE_CLOCK, QUARTER_CLOCK = 2.0, 1.0
"""What speaks for a clock before the light does: clocks are off by whole hours or quarters, or labels stand at the end
of their interval (judgement: on a single plane, which may face anywhere, a tenth of all angles look like a whole hour).
"""

ROUND_MIN, NEARLY_ROUND_MIN, LEAST_ROUNDED_MIN = 15, 5, 13
"""Clocks are off by whole quarters of an hour (common practice, no source): what is near to one is taken for it."""

AS_USUAL = 0.5
"""Share of a small clock's gain from which labels at the end of their interval are taken for it: the model's errors
move a single plane's curve by minutes either way (`alignment.LEAST_SHIFT_MIN`), and those are the commoner slip."""

COARSE_TILTS_DEG, COARSE_TURN_DEG = (12.0, 30.0, 50.0), 30.0
FIRST_STEP, SMALLEST_STEP, MOST_STEPS = 0.1, 0.012, 24
"""Steps of the search over the level part of a plane's normal (0.017 is a degree of tilt), and how many at most."""

NOT_BY_NIGHT, NEAR_HOUR_MIN = 1.0, 10
"""Log-likelihood within which clocks leave about as little output with the sun down, and how near to the middle of them
a whole hour is taken for it: of 23 simulated clocks under closed covers (`tests/bench/fleet`) that give more than 8 of
it all lay between, and within 10 minutes of the middle; the clock that the light fits best was up to 45 off."""

STEEPEST = 0.97
FIRST_LINE_STEP_DEG, LAST_LINE_STEP_DEG = 6.0, 0.5


@dataclass(frozen=True)
class Clock:
    """A clock, and its log-likelihood over the record's; the `band` of minutes that output by night leaves."""

    late: LateClock
    gain: float
    band: tuple[int, int] | None = None

    @property
    def minutes(self) -> int:
        """Return by how many minutes it is late where it is off."""
        return self.late.before_min or self.late.after_min


@dataclass(frozen=True)
class Turn:
    """An orientation of plane number `plane`, its log-likelihood over the record's and how many angles are another."""

    plane: int
    tilt_deg: float
    azimuth_deg: float
    gain: float
    angles: int

    @property
    def worth(self) -> float:
        """Return the gain less what a second angle must bring."""
        return self.gain - max(SURPLUS_PARAMETER, SURPLUS_ANGLE * self.gain) * (self.angles - 1)


def doubtful(window: Window) -> bool:
    """Return whether, looked at coarsely, some other clock or orientation fits better than the record."""
    earlier, as_recorded, later = window.light_in_the_dark(np.array([-1.0, 0.0, 1.0]) * COARSE_SHIFT_MIN)
    if as_recorded > min(earlier, later) + WORTH_A_SEARCH:
        return True
    coarse, late = _coarsely(window), _coarse_clocks(window)
    by_clock = coarse.clocks(late)
    worth = float(by_clock[late == 0][0]) + WORTH_A_SEARCH
    if (by_clock > worth).any():
        return True
    change = best_change(coarse)
    if change is not None and change.gain > WORTH_A_SEARCH:
        return True
    if window.uneven is not window:
        coarse = _coarsely(window.uneven)
        worth = coarse.record + WORTH_A_SEARCH
    return any((coarse.turns(p, *_near_turns(plane)) > worth).any() for p, plane in enumerate(window.planes))


def _coarsely(window: Window) -> Window:
    return window.thinned(GATE_INTERVALS).with_few_bends


def likelihood_of_best(window: Window) -> float:
    """Return the log-likelihood of the clock or orientation that, looked at coarsely, fits best."""
    coarse = _coarsely(window)
    turns = [coarse.turns(p, *_near_turns(plane)).max() for p, plane in enumerate(window.planes)]
    return float(max(coarse.clocks(_coarse_clocks(window)).max(), *turns))


def best_clock(window: Window) -> Clock:
    """Return the best fitting clock: one that was off all the time, or changed to or from summer time."""
    coarse, fine = window.thinned(COARSE_INTERVALS), window.thinned(FINE_INTERVALS)
    late = _coarse_clocks(window)
    nearest = float(late[coarse.clocks(late).argmax()])
    if abs(nearest) > LARGEST_SHIFT_MIN:
        return _best_zone(fine)
    around = nearest + np.arange(-COARSE_SHIFT_MIN, COARSE_SHIFT_MIN + 1.0, FINE_SHIFT_MIN)
    constant = _likely_clock(around, fine.clocks(around) - fine.record, window.light.grid.interval_min)
    changed = best_change(fine)
    return changed if changed and changed.gain > constant.gain + 2 * SURPLUS_PARAMETER else constant


def _best_zone(window: Window) -> Clock:
    """Return the best clock of another zone: what is so far off does not go wrong by minutes."""
    late = np.arange(-window.reach_min, window.reach_min + 1.0, ZONES_APART_MIN)
    late = late[np.abs(late) >= LARGEST_SHIFT_MIN]
    gain = window.clocks(late) - window.record
    best = int((gain + WHOLE_CLOCK * (late % SUMMER_TIME_MIN == 0)).argmax())
    return Clock(LateClock(0, int(late[best])), float(gain[best]))


def by_night_alone(window: Window, clock: Clock) -> Clock:
    """Return a clock that output with the sun down tells, in the middle of all that leave none there.

    Under a closed cover units begin in the morning and end in the evening with the same light, so that the sun is up
    for as long before as after; which of the times between fits best, its clouds decide.
    """
    late = np.arange(-window.reach_min, window.reach_min + 1.0, FINE_SHIFT_MIN)
    lost = window.light_in_the_dark(late)
    able = late[lost <= lost.min() + NOT_BY_NIGHT]
    least, most = int(able.min()), int(able.max())
    middle = (least + most) / 2
    hour = round(middle / SUMMER_TIME_MIN) * SUMMER_TIME_MIN
    minutes = hour if abs(middle - hour) <= NEAR_HOUR_MIN else _rounded(middle)
    return Clock(LateClock(0, minutes), clock.gain, (least, most))


def _likely_clock(late_min: FloatArray, gain: FloatArray, interval_min: int) -> Clock:
    """Return the clock that fits best, or a usual one that fits nearly as well.

    A whole hour is usual, and labels at the end of their interval rather than a clock late by less than is told.
    """
    best, most = _rounded(_peak(late_min, gain)), float(gain.max())
    hour = (late_min != 0) & (late_min % SUMMER_TIME_MIN == 0) & (gain >= most - WHOLE_CLOCK)
    if hour.any():
        return Clock(LateClock(0, int(late_min[hour][0])), most)
    at_end = (late_min == interval_min) & (gain >= AS_USUAL * most)
    if at_end.any() and 0 < best < LEAST_ROUNDED_MIN <= interval_min:
        return Clock(LateClock(0, interval_min), float(gain[at_end][0]))
    return Clock(LateClock(0, best), most)


def _rounded(minutes: float) -> int:
    quarter = round(minutes / ROUND_MIN) * ROUND_MIN
    near = abs(minutes - quarter) <= NEARLY_ROUND_MIN and abs(minutes) >= LEAST_ROUNDED_MIN
    return quarter if near else round(minutes)


def best_change(window: Window) -> Clock | None:
    """Return the best change between the right time and an hour off, None within one day.

    The day is told, not the hour: clocks change at night. It explains what it does at the levels that fit either
    clock over all days, or at those that fit the change.
    """
    if len(window.day_names) < 2:
        return None
    late = np.array([0.0, SUMMER_TIME_MIN, -SUMMER_TIME_MIN])
    by_day = window.likelihood_by_day(window.by_clock(late))
    before = np.cumsum(by_day, axis=1)[:, :-1]
    after = by_day.sum(axis=1, keepdims=True) - before
    best: Clock | None = None
    for a, b in ((0, 1), (0, 2), (1, 0), (2, 0)):
        both = before[a] + after[b]
        first_day = window.day_names[int(both.argmax()) + 1]
        change = int(window.intervals[window.days >= first_day][0])
        gain = float(both.max() - by_day[0].sum())
        if best is None or gain > best.gain:
            best = Clock(LateClock(int(late[a]), int(late[b]), change), gain)
    if best is None:
        return None
    at_its_levels = float(window.fit(by_clock(window, best)).likelihood[0]) - window.record
    return replace(best, gain=max(best.gain, at_its_levels))


def by_clock(window: Window, clock: Clock) -> Light:
    """Return the light of the record by a clock, which may change within the window, (1, P, N)."""
    late = clock.late
    light = window.by_clock(np.array([float(late.before_min), float(late.after_min)]))
    after = window.intervals >= late.change
    beam, diffuse, dark = (np.where(after, part[1], part[0])[None] for part in light)
    return beam, diffuse, dark


def best_turns(window: Window) -> list[Turn]:
    """Return orientations of one plane that, turned, fit its uneven light well, the best first."""
    turns = [t for p in range(len(window.planes)) for t in _turns_of(window.uneven, p)]
    return sorted(turns, key=lambda t: t.worth, reverse=True)


def turns_of(window: Window, plane: str) -> list[Turn]:
    """Return the orientations with which one plane fits best, as `best_turns` has them; none if nothing is told."""
    told = [p for p, one in enumerate(window.planes) if one.name == plane]
    return _turns_of(window, told[0]) if told else []


def turn_of(window: Window, plane: str) -> Turn | None:
    """Return the orientation with which one plane fits best, None where nothing is told of it."""
    return max(turns_of(window, plane), key=lambda t: t.worth, default=None)


def too_steep(recorded: Plane, turn: Turn) -> bool:
    """Return whether a turned plane is steeper than roofs are and than its record."""
    return turn.tilt_deg > max(STEEPEST_ROOF_DEG, recorded.tilt_deg + LEAST_LEAN_DEG)


def _turns_of(window: Window, plane: int) -> list[Turn]:
    """Return the best orientations of one plane: with the recorded tilt, with the recorded azimuth, any."""
    coarse, fine = window.thinned(COARSE_INTERVALS), window.thinned(FINE_INTERVALS)
    recorded = window.planes[plane]
    tilts, azimuths = _coarse_turns(recorded)
    start = int(coarse.turns(plane, tilts, azimuths).argmax())
    tilt, azimuth, free = _climb(fine, plane, float(tilts[start]), float(azimuths[start]))
    turned, by_azimuth = _along(
        lambda a: fine.turns(plane, np.full(len(a), recorded.tilt_deg), a % 360),
        np.append(recorded.azimuth_deg + np.arange(0.0, 360.0, COARSE_TURN_DEG / 2), azimuth),
    )
    leant, by_tilt = _along(
        lambda t: fine.turns(plane, _tilts(t), np.full(len(t), recorded.azimuth_deg)),
        np.append(np.arange(2.0, 70.0, 10.0), tilt),
    )
    return [
        Turn(plane, recorded.tilt_deg, turned % 360, by_azimuth - fine.record, 1),
        Turn(plane, float(_tilts(np.array(leant))), recorded.azimuth_deg, by_tilt - fine.record, 1),
        Turn(plane, tilt, azimuth, free - fine.record, 2),
    ]


def _coarse_clocks(window: Window) -> FloatArray:
    return np.arange(-window.reach_min, window.reach_min + 1.0, COARSE_SHIFT_MIN)


def _near_turns(plane: Plane) -> tuple[FloatArray, FloatArray]:
    """Return tilts and azimuths around a recorded plane's, few but of every kind."""
    turns = [(0.0, t) for t in (-75.0, -40.0, -18.0, 18.0, 40.0, 75.0, 180.0)]
    leans = [(lean, 0.0) for lean in (-20.0, -9.0, 9.0, 20.0)]
    both = [(lean, turn) for lean in (-18.0, 18.0) for turn in (-25.0, 25.0)]
    leaning, turning = np.array(turns + leans + both).T
    return _tilts(plane.tilt_deg + leaning), (plane.azimuth_deg + turning) % 360


def _coarse_turns(plane: Plane) -> tuple[FloatArray, FloatArray]:
    around = (plane.azimuth_deg + np.arange(0.0, 360.0, COARSE_TURN_DEG)) % 360
    tilts, azimuths = np.meshgrid([*COARSE_TILTS_DEG, plane.tilt_deg], around)
    return tilts.ravel(), azimuths.ravel()


def _tilts(tilt_deg: FloatArray) -> FloatArray:
    return np.clip(tilt_deg, 0.0, 80.0)


_ASIDE = np.array([(0, 0), (1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (1, -1), (-1, 1), (-1, -1)], dtype=float)


def _climb(window: Window, plane: int, tilt: float, azimuth: float) -> tuple[float, float, float]:
    """Return the best orientation near one: tilt, azimuth, log-likelihood. Steps go over the normal's level part."""
    at = np.sin(np.radians(tilt)) * np.array([np.sin(np.radians(azimuth)), np.cos(np.radians(azimuth))])
    step, best = FIRST_STEP, -np.inf
    for _ in range(MOST_STEPS):
        tried = at + step * _ASIDE
        tried *= np.minimum(1.0, STEEPEST / np.maximum(np.hypot(*tried.T), 1e-9))[:, None]
        likelihood = window.turns(plane, *_angles(tried))
        top = int(likelihood.argmax())
        if top == 0 or likelihood[top] <= best:
            step /= 2
        if likelihood[top] > best:
            at, best = tried[top], float(likelihood[top])
        if step < SMALLEST_STEP:
            break
    tilts, azimuths = _angles(at[None])
    return float(tilts[0]), float(azimuths[0]), best


def _angles(level: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return tilts and azimuths of normals with level parts (M, 2), east and north."""
    return np.degrees(np.arcsin(np.hypot(*level.T))), np.degrees(np.arctan2(*level.T)) % 360


def _along(likelihood_of: Callable[[FloatArray], FloatArray], values: FloatArray) -> tuple[float, float]:
    """Return the value, and its log-likelihood, that fits best along one line."""
    best, step = float(values[likelihood_of(values).argmax()]), FIRST_LINE_STEP_DEG
    while True:
        around = best + step * np.arange(-2.0, 3.0)
        likelihood = likelihood_of(around)
        best, step = float(around[likelihood.argmax()]), step / 2.5
        if step < LAST_LINE_STEP_DEG:
            return best, float(likelihood.max())


def _peak(values: FloatArray, likelihood: FloatArray) -> float:
    """Return where the parabola through the best value and its neighbours has its top."""
    at = int(likelihood.argmax())
    if at in (0, len(values) - 1):
        return float(values[at])
    left, top, right = likelihood[at - 1 : at + 2]
    bend = left - 2 * top + right
    offset = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return float(values[at] + offset * (values[1] - values[0]))
