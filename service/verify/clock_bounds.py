"""How much better than the record a clock must explain a window to be believed.

A clock moves the curves of all planes and the edges of the day, and gives output with the sun down, which no sky
explains. What a plane's turn, haze or an error of the model explains about as well is none.
"""

from __future__ import annotations

import numpy as np

from service.verify.angles import LIKE_ANOTHER_DEG, normal
from service.verify.explained import LEAST_SUN_H, gain_over_record, needed, whatever_drift
from service.verify.search import (
    AS_LIKELY,
    QUARTER_CLOCK,
    ROUND_MIN,
    SUMMER_TIME_MIN,
    WHOLE_CLOCK,
    Clock,
    Turn,
    by_clock,
)
from service.verify.window import Window

LEAST_SHIFT_MIN = 13
"""Smaller shifts are within what air mass, haze and temperature do to a day's curve: SERF East has 10 minutes by its
standard clock (tests/reference/open_data.py), and a roof by an independent engine on three planes, under a week of sun
by the right clock, 10 with a log-likelihood of 82."""

FOR_CLOCK_OF_SEVERAL, PER_DAY_OF_SEVERAL = 9.0, 1.0
"""What a clock needs where planes that face apart tell it, and what each further day adds: what makes the one's curve
late makes the other's early. Of 245 simulated weeks with a right clock and several planes (`tests/bench/fleet`) none
had more than 6 by a clock 10 minutes off or more all the time, but where the planes faced alike; of 758 days under
clouds with an hour of sun none more than 7.8."""

FOR_CLOCK, PER_DAY = 12.0, 2.65
"""Log-likelihood over the record's from which a clock is named, and what each further day adds to it: the model's own
errors come back every day (common practice, no source)."""

BY_ONE_PLANE, PER_DAY_BY_ONE_PLANE = 17.0, 11.0
"""What a clock near the right time needs where but one plane tells, and what each further day adds under a clear sky,
where what the model errs is alike every day: SERF East as several units (`tests/bench/roofs`) reaches 16.5 on a day of
winter, by 15 minutes, and 54 to 76 in three of 53 weeks. Between clouds each clock needs the first: healthy records on
real roofs had up to 14.7, true clocks of 12.4 and 14.6 were told 30 and 15 minutes wrongly, all others had 18 and more.
"""

FAR_CLOCK_MIN = 25
"""A clock so far off needs no more on a single plane under a clear sky, if one within what the model errs explains
clearly less: of 1833 healthy records laid on all tuning days of real roofs (`tests/bench/roofs`) one seemed half an
hour off, by 13.5, of which 9 already by 13 minutes; air mass and haze make some of 15 to 21 minutes of 13 to 15."""

OVER_CLOCK = 15.0
"""What a turn must bring more than a clock that moves several planes: it takes in the model's errors on its plane, too.
Of simulated sites (`tests/bench/fleet`) wrong clocks stood at -10 or better, wrong planes at -28 or worse."""

LEAST_SUN_FOR_CLOCK_H = 1.0
"""Hours of sun without which only output by night tells a clock (our choice, no source)."""

BY_NIGHT = 5.0
"""What output with the sun down must bring to a clock without that: of 563 days and 169 weeks of simulated sites with a
right clock (`tests/bench/fleet` and another engine) none had more than 0.4, an hour's error under a closed cover 4 to
9 on a day. The least, too, that the light must say under which planes differ, where none comes by night: a closed cover
is explained a little better by some clock on each day. A week of it had 24 by a wrong one, -6 without even light; of 45
true clocks between clouds each 7 or more, or by night 8."""

SHOWN_BY_NIGHT = 3.5
"""The same on each day of an only plane, from which a clock between clouds needs no more than one of several planes
that face alike: no sky explains it. Of 1400 days of an only plane with a right clock (`tests/bench/fleet`;
`tests/bench/roofs`, tuning days) whose light another fits better by 6 none had more than 2.2, SERF East's own 10
minutes; of six true ones between clouds with 12 or more that were missed it is 2.5 to 7.8. In all the least that a
change of the clock must bring, whose day is free: none of 900 weeks with a right one brings any, by the changes that
explain 12 to 28; of 23 true ones each 11.8 and more, SERF East's two in spring 4.5 and 8.6."""

FAR_BY_NIGHT_MIN = 20
"""From here on a clock of an only plane's day needs no more than BY_NIGHT in all if output by night shows it, whatever
the haze, which gives none there: of 2500 such days with a right record (`tests/bench/fleet`, `stranger`, `roofs`,
tuning days) the one with so much output by night seems nine minutes off."""

BY_NIGHTS = 10.0
"""What output with the sun down must bring to a clock that far off in several days of an only plane, which it tells
then whatever light and turn do: of 116 weeks (`tests/bench/fleet`, `stranger`, `roofs`, tuning days) of an only plane
whose light fits another clock better by 8 none of 32 with a right one that seems so far off has more than 3.1, 28 of 29
with a wrong one 11 and more, SERF East 12.3 by its own 13 minutes."""

LEFT_BY_DRIFT = 0.75
"""The same of a clock, where haze may come or go over the day as well: of 400 clear days whose turbidity rose or fell
by two to four units (our own physics), 26 had 9 to 34 by a wrong clock of which a day's own haze left enough, most on
planes that face to one side; where it may change, 9.1 was left at most, and 0.64 of what was explained. Of 97 days and
140 weeks with a wrong clock (`tests/bench/fleet`) all that were told had so much, or what the days ask."""


def too_dark(seen: Window, clock: Clock) -> bool:
    """Return whether too little sun shone by a clock for anything but output by night to tell it."""
    dark = seen.sunshine(by_clock(seen, clock)).beam_h < LEAST_SUN_FOR_CLOCK_H
    return dark and not seen.sensed and not clock.late.change and by_night(seen, clock) >= BY_NIGHT


def is_likelier_clock(seen: Window, clock: Clock, turn: Turn) -> bool:
    """Return whether, of two explanations that are both believed, the clock is the likelier one."""
    if seen.telling_planes > 1:
        return clock.gain + OVER_CLOCK >= turn.worth
    return clock.gain + _whole_clock(seen, clock) >= turn.worth


def _whole_clock(seen: Window, clock: Clock) -> float:
    """Return what speaks for a clock beforehand: that it is off by whole hours or quarters, or by an interval."""
    interval_min = seen.light.grid.interval_min
    at_end = clock.minutes == interval_min and interval_min >= LEAST_SHIFT_MIN
    if at_end or clock.minutes % SUMMER_TIME_MIN == 0:
        return WHOLE_CLOCK
    return QUARTER_CLOCK if clock.minutes % ROUND_MIN == 0 else 0.0


def believed_clock(seen: Window, clock: Clock, turn: Turn) -> bool:
    """Return whether a clock explains so much more that the labels are wrong, whatever the haze of each day's hours.

    Of planes that face alike what is left must be as much as is asked at first: what the model errs comes back daily.
    """
    if not clock_explains_enough(seen, clock, turn):
        return False
    if _shown_by_night(seen, clock):
        return True
    one_day = clock.late.change or _face_apart(seen)
    least = FOR_CLOCK if one_day else needed(seen, FOR_CLOCK, PER_DAY)
    return whatever_drift(seen, by_clock(seen, clock)) >= min(least, LEFT_BY_DRIFT * clock.gain)


def clock_explains_enough(seen: Window, clock: Clock, turn: Turn) -> bool:
    """Return whether a clock explains so much more that the labels may be wrong.

    One plane alone must have seen a clear sky, or be all the surer and not explained about as well by a turn: what
    little sun shows between clouds is then rather their doing than either's.
    """
    night = _shown_by_night(seen, clock)
    explains = night or clock.gain >= _needed_by(seen, clock, FOR_CLOCK)
    if not explains or abs(clock.minutes) < LEAST_SHIFT_MIN:
        return False
    if seen.sensed:
        return True
    if seen.telling_planes > 1 and not is_likelier_clock(seen, clock, turn):
        return False
    if not _told_by_more_than_even_light(seen, clock):
        return False
    sun = seen.sunshine(by_clock(seen, clock))
    if sun.clear_h >= LEAST_SUN_H:
        return seen.telling_planes > 1 or _sure_by_clear_sun(seen, clock)
    shines = sun.beam_h >= LEAST_SUN_FOR_CLOCK_H
    least = BY_NIGHT if night and shines else _needed_between_clouds(seen, clock, shines=shines)
    sure = clock.gain >= max(least, turn.worth + AS_LIKELY)
    lit = shines or by_night(seen, clock) >= BY_NIGHT
    return lit and (sure or seen.telling_planes > 1)


def _told_by_more_than_even_light(seen: Window, clock: Clock) -> bool:
    """Return whether light under which planes differ, or output with the sun down, tells a clock, too.

    An hour's change always brings some by night, and of an only plane nothing is known to be even.
    """
    night = by_night(seen, clock)
    if night >= BY_NIGHT or clock.late.change:
        return night >= SHOWN_BY_NIGHT
    return gain_over_record(seen.uneven, by_clock(seen.uneven, clock)) >= BY_NIGHT


def _needed_between_clouds(seen: Window, clock: Clock, *, shines: bool) -> float:
    """Return what a clock of one plane needs where little of the sky is clear: less if night shows it, and the sun."""
    if shines and by_night(seen, clock) >= SHOWN_BY_NIGHT * seen.lit_days:
        return _needed_by(seen, clock, FOR_CLOCK)
    return BY_ONE_PLANE if abs(clock.minutes) >= FAR_CLOCK_MIN else _needed_by(seen, clock, BY_ONE_PLANE)


def _shown_by_night(seen: Window, clock: Clock) -> bool:
    """Return whether output with the sun down alone shows a clock of an only plane's day to be far off."""
    return seen.lit_days == 1 and _is_far_by_night(seen, clock, SHOWN_BY_NIGHT)


def shown_by_nights(seen: Window, clock: Clock) -> bool:
    """Return whether output with the sun down on several days alone shows a clock of an only plane to be far off."""
    several = seen.lit_days > 1 and not clock.late.change
    return several and _is_far_by_night(seen, clock, BY_NIGHTS)


def _is_far_by_night(seen: Window, clock: Clock, least: float) -> bool:
    """Return whether an only plane's output with the sun down says at least so much for a clock that is far off."""
    of_one = seen.telling_planes == 1 and not seen.sensed
    return of_one and abs(clock.minutes) >= FAR_BY_NIGHT_MIN and by_night(seen, clock) >= least


def _sure_by_clear_sun(seen: Window, clock: Clock) -> bool:
    """Return whether a clock is sure on one plane: by far, or where one within the model's errors explains less."""
    if clock.gain >= needed(seen, BY_ONE_PLANE, PER_DAY_BY_ONE_PLANE):
        return True
    near = float(np.copysign(LEAST_SHIFT_MIN, clock.minutes))
    by_near = float(seen.clocks(np.array([near]))[0]) - seen.record
    return abs(clock.minutes) >= FAR_CLOCK_MIN and clock.gain - by_near >= AS_LIKELY


def by_night(seen: Window, clock: Clock) -> float:
    """Return the log-likelihood that a clock brings by output with the sun down, which no sky explains."""
    return float((seen.lost_in(seen.by_record[2]) - seen.lost_in(by_clock(seen, clock)[2]))[0])


def _needed_by(seen: Window, clock: Clock, least: float) -> float:
    """Return what a clock needs: the model's errors, alike every day, imitate no change from one day to the next."""
    if clock.late.change:
        return least
    if _face_apart(seen):
        return needed(seen, FOR_CLOCK_OF_SEVERAL, PER_DAY_OF_SEVERAL)
    return needed(seen, least, PER_DAY)


def _face_apart(seen: Window) -> bool:
    """Return whether planes that tell much of the window face apart."""
    telling = [
        normal(p.tilt_deg, p.azimuth_deg) for p, tells in zip(seen.planes, seen.telling, strict=True) if tells
    ]
    return bool((np.stack(telling) @ np.stack(telling).T).min() <= np.cos(np.radians(LIKE_ANOTHER_DEG)))
