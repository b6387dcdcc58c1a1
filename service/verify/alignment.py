"""Whether the readings' clock or a plane's description is wrong, found from all units together and undone.

What speaks for the whole site is looked for first, so that it accuses no unit: every clock and every orientation of one
plane is tried (`search`), and the log-likelihood of the light on all planes (`skyfit`) says which explains the window
better than the record does. A clock moves the curves of all planes and the edges of the day; a wrong plane moves one
curve and no edge; an obstacle only takes light away, so that no other clock or orientation explains the rest of the day
too. Haze, which may be another than the model's on each day, changes the light of a low sun: what it does is none of
these. Not here: the words, which are the causes'.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from typing import NamedTuple, Protocol

import numpy as np

from service.expect.site import Plane, Site
from service.expect.weather import Weather
from service.verify.clear_level import LONG_INTERVAL_MIN
from service.verify.inputs import FloatArray, Readings
from service.verify.labels import Labels, own_labels, true_time
from service.verify.levels import BETWEEN_PLANES
from service.verify.search import (
    AS_LIKELY,
    LEAST_LEAN_DEG,
    LEAST_TURN_DEG,
    QUARTER_CLOCK,
    ROUND_MIN,
    SUMMER_TIME_MIN,
    WHOLE_CLOCK,
    WORTH_A_SEARCH,
    Clock,
    Turn,
    best_clock,
    best_turns,
    by_night_alone,
    doubtful,
    likelihood_of_best,
    too_steep,
)
from service.verify.told_level import ToldLevel, told_level
from service.verify.turn_odds import LIKELIER, LIKELIER_OF_DAYS, TurnSigns
from service.verify.window import (
    FURTHEST_SHIFT_MIN,
    LARGEST_SHIFT_MIN,
    Light,
    Sunshine,
    Window,
    window,
)

LEAST_SHIFT_MIN = 13
"""Smaller shifts are within what air mass, haze and temperature do to a day's curve: SERF East has 10 minutes by its
standard clock (tests/reference/open_data.py), and a roof by an independent engine on three planes, under a week of sun
by the right clock, 10 with a log-likelihood of 82."""

LEAST_DIFFERENCE = 0.05
"""Share of its light that a plane must get at another time, or more or less of, to be another."""

FOR_CLOCK_OF_SEVERAL, PER_DAY_OF_SEVERAL = 9.0, 1.0
"""What a clock needs where planes that face apart tell it, and what each further day adds: what makes the one's curve
late makes the other's early. Of 245 simulated weeks with a right clock and several planes (`tests/bench/fleet`) none
had more than 6 by a clock 10 minutes off or more all the time, but where the planes faced alike; of 758 days under
clouds with an hour of sun none more than 7.8."""

FOR_CLOCK, FOR_PLANE, PER_DAY = 12.0, 11.0, 2.65
"""Log-likelihood over the record's from which a clock or a plane is named, and what each further day adds to it: the
model's own errors come back every day. These and the next two are judgement (common practice, no source)."""

PER_DAY_OF_TURN, PER_CLEAR_DAY = 4.0, 6.0
"""The same for a plane, a turn of which takes in more of those errors, and for one that a clear sky tells, under which
they are alike every day. Of simulated weeks (`tests/bench/fleet`) misdescribed planes had 41 and more, under a clear
sky 67, where they were told; some planes with a right record 33 and 41."""

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

LONGEST_SENSOR_MIN = 15
"""Means over longer than this tell the sky of no single interval."""

MORE_BY_SENSOR = 10.0
"""Log-likelihood that the measured sky must bring: a clear sky is known as well without a sensor that may err."""

LEAST_SUN_H, LEAST_SUN_FOR_CLOCK_H = 3.0, 1.0
LEAST_BEAM_SHARE, MORE_SUN = 0.15, 1.3
"""Where clouds speak, the beam must fill this share of the possible hours, and on a single plane so many times those by
the record."""

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

SUN_BY_RECORD_H = 1.5
"""On a single plane under clouds the record, too, must have seen sun so long."""

PER_CLOUDY_DAY, PER_DAY_ALONE = 8.0, 12.0
FOR_PLANE_BY_CLOUDS = (
    (0.25, 15.0, PER_DAY_OF_TURN),
    (0.12, 24.0, PER_CLOUDY_DAY),
    (0.0, 45.0, PER_CLOUDY_DAY),
)
FOR_ONLY_PLANE = ((0.25, 17.0, PER_DAY_OF_TURN), (0.12, 30.0, PER_DAY_ALONE), (0.0, math.inf, 0.0))
"""Under clouds: least share of the possible hours in which the record saw sun, and what a plane among several, or the
only one, needs then for a day and for each further one: a closed cover is always explained by a plane turned away. Of
1140 days and 360 weeks of simulated sites with a right record (`tests/bench/fleet`) the first had at most 12, 22 and 35
on one day, 23 and 63 in a week, the only plane 10 and 22, 18 and 34; on 378 real days of SERF East (45 degrees, an only
plane; tests/reference/open_data.py) 16 and 18.
"""

SHORT_MIN, FOR_PLANE_BY_GAPS = 5, 9.0
"""In intervals so short gaps between clouds are seen themselves: what a plane among several needs then on one day, if
the record saw sun for the highest of these shares and, turned, it would face as no other does. Of 550 simulated days of
several planes under clouds with a right record (`tests/bench/fleet`) none had more than 5.7."""

FOR_PLANE_BY_UNEVEN, PER_UNEVEN_DAY, KEEPS_BEAM = 18.0, 1.0, 0.75
"""What the light under which planes differ (`Window.uneven`) must say for one of several, and each further day of it,
with however little sun by the record, if the turned plane keeps so much of its beam: then no obstacle is what shows. Of
1329 simulated days and 495 weeks of several planes under clouds with a right record (`tests/bench/fleet`) none had more
than 14.9 and 16.9 that haze left, if it saw sun for LEAST_BEAM_SHARE by the turn and more than FEW_VOICES told it."""

FOR_PLANE_BY_BEAM, PER_DAY_BY_BEAM = 24.0, 1.0
"""What a plane needs where beam and diffuse light were measured themselves, whatever the sun and the haze: of 150
simulated weeks and days with a right record (`tests/bench/fleet`, perfect sensors) none had 4; where global irradiance
was split by a model, of 130 one had 42, two 19."""

BY_SENSOR = FOR_PLANE_BY_CLOUDS[1][0]
"""A sensor's sky counts as so much sun: it is as sure, and what stands before a plane is unknown."""

TOO_BRIGHT, BRIGHT_SKY, MORE_TOO_BRIGHT, MOST_TOO_BRIGHT = 1.2, 2.5, 0.05, 0.15
"""So many times a clear sky's beam and diffuse light on a plane no sky gives for longer than a cloud's bright edge
lasts: a turned plane may not have so much more of its light beyond that than the recorded one, nor so much of it at
all. An obstacle makes no plane brighter. Nine in ten gaps between clouds had up to 2.2 times the clear sky's diffuse
light (computed from Payerne's June 2016, Baseline Surface Radiation Network, `tests/fleet/data`)."""

ABSURD, NOT_ABSURD = 0.45, 0.1
"""With so much of its light beyond, and by a turn so little, a plane's record is wrong, and need not have seen sun."""

LEAST_LEVEL = 0.7
"""Below this share of a clear sky's light an even cloud cover is as likely as a dim site, and has another curve."""

FEW_VOICES, LIKE_ANOTHER_DEG = 2, 20.0
"""So few units with the curve of another recorded plane, so near, are on that plane: their record is wrong, not its. Of
more units it is told in the sun only: a closed cover gives all planes the same light, and any the curve of another."""

LEAST_BEAM_LEFT = 0.3
"""A plane that by its turn gets less of the recorded one's beam is, between clouds, as well one behind an obstacle: a
plane behind a house had 0.25, the 17 misdescribed ones that an obstacle explains best 0.34 and more (simulated weeks,
`tests/bench/fleet`)."""

LEFT_BY_HAZE = 0.8
"""What must be left, if no more is asked, of what a plane explains where each day has the haze that suits it best: of
right ones it was 0.82 and more where little was explained, of most others 0.5 and less (sites by an independent
engine)."""

LEFT_BY_DRIFT = 0.75
"""The same of a clock, where haze may come or go over the day as well: of 400 clear days whose turbidity rose or fell
by two to four units (our own physics), 26 had 9 to 34 by a wrong clock of which a day's own haze left enough, most on
planes that face to one side; where it may change, 9.1 was left at most, and 0.64 of what was explained. Of 97 days and
140 weeks with a wrong clock (`tests/bench/fleet`) all that were told had so much, or what the days ask."""

DIMMED = tuple(np.arange(0.9, 0.28, -0.05))
"""Levels of a plane with film on it, of which most units have lost substrings, or whose only unit is weak."""

FAR_TURN_DEG, KEEPS_MOST, FOR_FAR_TURN, PER_CLOUDY_DAY_OF_FAR_TURN = 12.0, 0.8, 17.0, 2.0
"""What an only plane needs that would face so far from its record, keep so much of its beam and see no less sun, and
between clouds for each further day: neither a closed cover nor an obstacle gives it more sun, and what the model errs
turns it by less. Of 760 simulated days and weeks under clouds (`tests/bench/fleet`) and 600 of real roofs
(`tests/bench/roofs`), all with a right record, none had more than 12 under a clear sky; between clouds those that came
near had 30 and 34, of which haze leaves 9 and 24, by turns that see less sun and that keep 0.79. What a real roof's
weeks show more, 19, turns it by 6 degrees. Of several planes one with its back to a winter's sun had 23 by 30."""

FARTHER_DEG, KEEPS_ALL, FOR_FARTHER_TURN, BY_EVEN_COVER = 18.0, 0.95, 12.0, 0.7
"""What one needs on one day that would face so much farther and keep nearly all of its beam, of which a level plane,
lit as all planes are under an even cover, explains no more than such a share; then a far turn needs no sun by the
record, either. Of 1300 days of an only plane with a right record (`tests/bench/fleet`; `tests/bench/roofs`, tuning
days) such turns had 8.7 at most after haze. Of those on 18 to 38 a level plane explains 0.73 and more where the record
was right, 0.46 to 0.64 where it was wrong."""

AWAY_BY_EVEN_COVER = 0.33
"""The same share of a turn away from the sun, from which it needs what no sun by the record does: on the same days a
level plane explains 0.46 and more of the five right records that were turned away, by 18 to 34, and nothing of the
three wrong ones that were. Of planes that face north under a clear sky it explains 0.18 at most (our own physics)."""

WITHIN_ERROR_MIN = (-12.0, -6.0, 0.0, 6.0, 12.0)
"""Clocks that the model's errors may look like (`LEAST_SHIFT_MIN`). Counted beyond what the best of them explains, each
one in the haze that suits it best, a turn of an only plane needs no more than FOR_PLANE on a day between clouds of
which the record saw sun for the first share of FOR_ONLY_PLANE. Of 947 such days with a right record
(`tests/bench/fleet`; `tests/bench/roofs`, tuning days) none had more than 9.5 by a possible turn; SERF East's, whose
clock seems ten minutes off, fall from 12 to 5."""

FOR_NEAR_TURN, LEAST_AZIMUTH_DEG = 40.0, 10.0
"""What one of several planes, or one under measured beam and diffuse light, needs that would face nearer to its record
than the model errs by, or have nearly the same light: of 320 weeks and 100 days of several planes with a right record
(`tests/bench/fleet`, `tests/bench/stranger`, `tests/bench/roofs`) none such had more than 25. A nearly level plane
whose azimuth is 30 degrees off is hardly turned, yet gives other curves; what a compass errs by is no finding."""

LEVEL_OFF, DIFFUSE_OFF, UNLIKELY_ERROR, MOST_BY_ERROR = 2 * BETWEEN_PLANES, 0.25, 2.0, 0.65
ERRORS = (
    (1 - LEVEL_OFF, 1 - LEVEL_OFF),
    (1 + LEVEL_OFF, 1 + LEVEL_OFF),
    (1.0, 1 - DIFFUSE_OFF),
    (1.0, 1 + DIFFUSE_OFF),
)
"""Beam and diffuse light of one plane over the model's where it errs by two standard deviations, and the
log-likelihood that this costs. With the sun low, models of transposition differ so much in the diffuse light: Hay and
Davies's gives 33, Perez's 45, an even sky's 55 W/m2 (a case of pvlib's own tests). Of 19 misdescribed planes
(`tests/bench/fleet`, a day) such an error explains 0.57 at most, the next 0.48; of the turns that seven of 182 healthy
days showed when a plane's level or the model of transposition was changed it explains 0.74 to 1.25 of four. Of a week's
misdescribed plane it explains 0.62. The last is what it may explain."""

EVEN_SKY = 2.0
"""Diffuse light over the model's, as far as two standard deviations, on a plane with its back to the sun: it has none
of what is around the sun, and models differ in how much that is. Hay and Davies's leaves 30 W/m2 under a high sun, an
even sky's 105 (another case of the same tests). It explains two more of those seven, and 0.13 at most of ten true ones.
"""

NEARLY_AS_WELL = 0.9
"""Share of what an impossible turn explains, of several planes, from which a possible one does about as well: of 480
sites with a right record (`tests/bench/fleet`, `tests/bench/stranger`) one in shade had 0.84, no other 0.8; of wrong
ones two had 0.92 and 0.93. The same of what a plane's level explains: of 49 misdescribed planes (`tests/bench/fleet`,
days and weeks) one had 1.03, no other more than 0.66, of five right ones (another engine) that seemed turned by their
level all had 0.95 and more."""

HALF_AS_MUCH = 0.5
"""On a single plane, where a quarter of an hour and some 10 degrees of azimuth look much alike, whatever explains so
much of what the other does is said as well; and where a turn or a clock too small to tell does, no plane is."""


@dataclass(frozen=True)
class WrongClock:
    """By how many minutes the labels are late; `since` is the first label of which it is true, `until` of which not.

    `gain` is the log-likelihood over the record's, `sun_h` the hours of direct sun, `rival` how much less well a
    wrong plane explains the same, `one_plane` whether but one plane tells, `sensed` whether a sensor told the light.
    Where there is too little sun, output with the sun down by the labels tells it, and only that it lies in a `band`.
    """

    minutes: int
    gain: float
    sun_h: float
    rival: float
    one_plane: bool
    since: datetime | None = None
    until: datetime | None = None
    sensed: bool = False
    band: tuple[int, int] | None = None

    @property
    def ambiguous(self) -> bool:
        """Return whether a wrong plane explains it nearly as well."""
        return _ambiguous(self.gain, self.rival, one_plane=self.one_plane)


@dataclass(frozen=True)
class WrongPlane:
    """The orientation that a recorded plane has by its units' light; `recorded` as it stands in the record.

    `gain` and `sun_h` as of `WrongClock`; `rival` is how much less well a clock `rival_minutes` late explains it.
    """

    recorded: Plane
    tilt_deg: float
    azimuth_deg: float
    gain: float
    sun_h: float
    rival: float
    one_plane: bool
    rival_minutes: int
    log_odds: float | None = None
    """Where only all signs together tell it."""

    @property
    def tilt_told(self) -> bool:
        """Return whether the window tells another tilt than the recorded one."""
        return self.tilt_deg != self.recorded.tilt_deg

    @property
    def ambiguous(self) -> bool:
        """Return whether a wrong clock explains it nearly as well."""
        return _ambiguous(self.gain, self.rival, one_plane=self.one_plane)


@dataclass(frozen=True)
class Alignment:
    """The site and the readings with what was wrong undone, and the readings' own labels.

    `level` is what the light on all planes tells of a site that is low as a whole, None where it tells of none.
    """

    site: Site
    readings: Readings
    labels: Labels
    clock: WrongClock | None = None
    plane: WrongPlane | None = None
    level: ToldLevel | None = None

    @property
    def changed(self) -> bool:
        """Return whether anything was undone."""
        return self.clock is not None or self.plane is not None


class Tried(NamedTuple):
    """The best clock of a window and its best possible turn, and whether nothing small or impossible explains as much.

    Where no turn is possible it is the best of all.
    """

    seen: Window
    clock: Clock
    turn: Turn
    as_good: bool


def _ambiguous(gain: float, rival: float, *, one_plane: bool) -> bool:
    return rival < max(AS_LIKELY, HALF_AS_MUCH * gain if one_plane else 0.0)


def as_sent(site: Site, readings: Readings) -> Alignment:
    """Return the site and its readings as they are."""
    return Alignment(site, readings, own_labels(readings))


def align(site: Site, readings: Readings, *, scale: float, weather: Weather | None = None) -> Alignment:
    """Return the site and the readings (whose values are `scale` times too large) as they fit one another best."""
    unchanged = as_sent(site, readings)
    seen = _window(site, readings, scale, weather)
    if seen is None:
        return unchanged
    if not doubtful(seen):
        return _as_recorded(unchanged, seen)
    tried = _tried(seen, partial(_window, site, readings, scale, weather, FURTHEST_SHIFT_MIN))
    seen, clock, turn, as_good = tried
    by_clock, by_plane = believed_clock(seen, clock, turn), as_good and _believed_plane(seen, turn)
    # what a clock explains as well is no turn, be it too little for a clock of an only plane, or what haze may do
    may_be_clock = seen.telling_planes == 1 or clock_explains_enough(seen, clock, turn)
    if by_plane and not (may_be_clock and _likelier_clock(seen, clock, turn)):
        return _with_plane(unchanged, seen, clock, turn)
    if not by_clock:
        return _as_is_likelier(unchanged, tried) if weather is None else _as_recorded(unchanged, seen)
    if _too_dark(seen, clock):
        seen = _window(site, readings, scale, weather, FURTHEST_SHIFT_MIN) or seen
        clock = by_night_alone(seen, clock)
    return _with_clock(unchanged, seen, clock, turn)


def _tried(seen: Window, wider: Callable[[], Window | None]) -> Tried:
    """Return the best clock and turn of a window, or of a `wider` one where the clock may be further off."""
    clock = best_clock(seen)
    if abs(clock.minutes) >= LARGEST_SHIFT_MIN:
        seen = wider() or seen
        clock = best_clock(seen)
    turns = best_turns(seen)
    turn = next((t for t in turns if is_possible(seen, t)), turns[0])
    as_good = explains_as_well(seen, turn, turns[0]) and not _by_small_error(seen, clock, turn, turns)
    return Tried(seen, clock, turn, as_good)


def signs(site: Site, readings: Readings, *, scale: float) -> TurnSigns | None:
    """Return all signs of the window's best turn, None where nothing makes one doubt the record."""
    seen = _window(site, readings, scale, None)
    if seen is None or not doubtful(seen):
        return None
    return _signs_of(_tried(seen, partial(_window, site, readings, scale, None, FURTHEST_SHIFT_MIN)))


def _as_is_likelier(sent: Alignment, tried: Tried) -> Alignment:
    """Return the window put right by a turn that all signs together make likelier than the record."""
    signs = _signs_of(tried)
    least = LIKELIER if tried.seen.lit_days == 1 else LIKELIER_OF_DAYS
    if signs is None or signs.log_odds < least:
        return _as_recorded(sent, tried.seen)
    return _with_plane(sent, tried.seen, tried.clock, tried.turn, signs.log_odds)


def _signs_of(tried: Tried) -> TurnSigns | None:
    """Return all signs of a turn, None of one that would be no finding or that something else explains as well."""
    seen, clock, turn, as_good = tried
    if not (as_good and _may_be_turned(seen, turn)):
        return None
    sun = seen.sunshine(by_turn(seen, turn))
    if sun.beam_h < LEAST_SUN_H:
        return None
    return TurnSigns(
        haze=_in_own_haze(seen.uneven, turn).worth,
        lead=turn.worth - clock.gain,
        clear_h=sun.clear_h,
        recorded_h=seen.sunshine(seen.by_record).beam_h,
        beam_left=_beam_left(seen, turn),
        days=seen.lit_days,
    )


def _may_be_turned(seen: Window, turn: Turn) -> bool:
    """Return whether odds may tell a turn: of an only plane, to another one that there is, and no stray unit's."""
    if seen.telling_planes > 1 or turn.worth <= WORTH_A_SEARCH:
        return False
    stray = seen.voices[turn.plane] <= FEW_VOICES and _like_another(seen, turn)
    return differs(seen, turn) and is_possible(seen, turn) and not stray and not _is_level(seen, turn)


def _too_dark(seen: Window, clock: Clock) -> bool:
    """Return whether too little sun shone by a clock for anything but output by night to tell it."""
    dark = seen.sunshine(_by_clock(seen, clock)).beam_h < LEAST_SUN_FOR_CLOCK_H
    return dark and not seen.sensed and not clock.late.change and _by_night(seen, clock) >= BY_NIGHT


def explains_as_well(seen: Window, turn: Turn, best: Turn) -> bool:
    """Return whether no impossible turn explains far more: then it is shade, a trip, a limit."""
    nearly = NEARLY_AS_WELL * best.worth if seen.telling_planes > 1 else math.inf
    return turn.worth > min(best.worth - AS_LIKELY, nearly)


def _likelier_clock(seen: Window, clock: Clock, turn: Turn) -> bool:
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


def _window(
    site: Site,
    readings: Readings,
    scale: float,
    weather: Weather | None,
    reach_min: int = LARGEST_SHIFT_MIN,
) -> Window | None:
    """Return the window under the measured sky where that explains more: the sensor may be wrong itself."""
    clear = window(site, readings, scale=scale, reach_min=reach_min)
    if (
        clear is None
        or weather is None
        or weather.interval_min > max(LONGEST_SENSOR_MIN, readings.interval_min)
    ):
        return clear
    sensed = window(site, readings, scale=scale, weather=weather, reach_min=reach_min)
    more = sensed is not None and likelihood_of_best(sensed) > likelihood_of_best(clear) + MORE_BY_SENSOR
    return sensed if more else clear


def _needed(seen: Window, least: float, per_day: float) -> float:
    return least + per_day * (seen.lit_days - 1)


def believed_clock(seen: Window, clock: Clock, turn: Turn) -> bool:
    """Return whether a clock explains so much more that the labels are wrong, whatever the haze of each day's hours.

    Of planes that face alike what is left must be as much as is asked at first: what the model errs comes back daily.
    """
    if not clock_explains_enough(seen, clock, turn):
        return False
    if _shown_by_night(seen, clock):
        return True
    one_day = clock.late.change or _face_apart(seen)
    least = FOR_CLOCK if one_day else _needed(seen, FOR_CLOCK, PER_DAY)
    return _whatever_drift(seen, _by_clock(seen, clock)) >= min(least, LEFT_BY_DRIFT * clock.gain)


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
    if seen.telling_planes > 1 and not _likelier_clock(seen, clock, turn):
        return False
    if not _told_by_more_than_even_light(seen, clock):
        return False
    sun = seen.sunshine(_by_clock(seen, clock))
    if sun.clear_h >= LEAST_SUN_H:
        return seen.telling_planes > 1 or _sure_by_clear_sun(seen, clock)
    shines = sun.beam_h >= LEAST_SUN_FOR_CLOCK_H
    least = BY_NIGHT if night and shines else _needed_between_clouds(seen, clock, shines=shines)
    sure = clock.gain >= max(least, turn.worth + AS_LIKELY)
    lit = shines or _by_night(seen, clock) >= BY_NIGHT
    return lit and (sure or seen.telling_planes > 1)


def _told_by_more_than_even_light(seen: Window, clock: Clock) -> bool:
    """Return whether light under which planes differ, or output with the sun down, tells a clock, too.

    An hour's change always brings some by night, and of an only plane nothing is known to be even.
    """
    night = _by_night(seen, clock)
    if night >= BY_NIGHT or clock.late.change:
        return night >= SHOWN_BY_NIGHT
    return gain_over_record(seen.uneven, _by_clock(seen.uneven, clock)) >= BY_NIGHT


def _needed_between_clouds(seen: Window, clock: Clock, *, shines: bool) -> float:
    """Return what a clock of one plane needs where little of the sky is clear: less if night shows it, and the sun."""
    if shines and _by_night(seen, clock) >= SHOWN_BY_NIGHT * seen.lit_days:
        return _needed_by(seen, clock, FOR_CLOCK)
    return BY_ONE_PLANE if abs(clock.minutes) >= FAR_CLOCK_MIN else _needed_by(seen, clock, BY_ONE_PLANE)


def _shown_by_night(seen: Window, clock: Clock) -> bool:
    """Return whether output with the sun down alone shows a clock of an only plane's day to be far off."""
    day_of_one = seen.telling_planes == 1 and seen.lit_days == 1 and not seen.sensed
    return day_of_one and abs(clock.minutes) >= FAR_BY_NIGHT_MIN and _by_night(seen, clock) >= SHOWN_BY_NIGHT


def _sure_by_clear_sun(seen: Window, clock: Clock) -> bool:
    """Return whether a clock is sure on one plane: by far, or where one within the model's errors explains less."""
    if clock.gain >= _needed(seen, BY_ONE_PLANE, PER_DAY_BY_ONE_PLANE):
        return True
    near = float(np.copysign(LEAST_SHIFT_MIN, clock.minutes))
    by_near = float(seen.clocks(np.array([near]))[0]) - seen.record
    return abs(clock.minutes) >= FAR_CLOCK_MIN and clock.gain - by_near >= AS_LIKELY


def _by_night(seen: Window, clock: Clock) -> float:
    """Return the log-likelihood that a clock brings by output with the sun down, which no sky explains."""
    return float((seen.lost_in(seen.by_record[2]) - seen.lost_in(_by_clock(seen, clock)[2]))[0])


def _needed_by(seen: Window, clock: Clock, least: float) -> float:
    """Return what a clock needs: the model's errors, alike every day, imitate no change from one day to the next."""
    if clock.late.change:
        return least
    if _face_apart(seen):
        return _needed(seen, FOR_CLOCK_OF_SEVERAL, PER_DAY_OF_SEVERAL)
    return _needed(seen, least, PER_DAY)


def _face_apart(seen: Window) -> bool:
    """Return whether planes that tell much of the window face apart."""
    telling = [
        _normal(p.tilt_deg, p.azimuth_deg)
        for p, tells in zip(seen.planes, seen.telling, strict=True)
        if tells
    ]
    return bool((np.stack(telling) @ np.stack(telling).T).min() <= np.cos(np.radians(LIKE_ANOTHER_DEG)))


def _believed_plane(seen: Window, turn: Turn) -> bool:
    """Return whether a turned plane explains so much more that the record is wrong, whatever the haze of each day."""
    if not turn_explains_enough(seen, turn) or _is_level(seen, turn):
        return False
    if seen.beam_sensed:
        return True
    hazy = _in_own_haze(seen.uneven, turn)
    return hazy.worth >= min(_needed(seen, FOR_PLANE, PER_DAY_OF_TURN), LEFT_BY_HAZE * turn.worth)


def _in_own_haze(seen: Window, turn: Turn) -> Turn:
    """Return the turn with what it explains over the record, each in the haze that suits it best on each day."""
    return replace(turn, gain=_whatever_haze(seen, by_turn(seen, turn)))


def _beyond_small_errors(seen: Window, turn: Turn) -> float:
    """Return what a turn is worth over the record by the best clock within the model's errors, whatever the haze."""
    clocks = (seen.by_clock(np.array([late])) for late in WITHIN_ERROR_MIN)
    as_recorded = max(seen.whatever_haze(light) for light in clocks)
    return replace(turn, gain=seen.whatever_haze(by_turn(seen, turn)) - as_recorded).worth


def _whatever_haze(seen: Window, light: Light) -> float:
    """Return the log-likelihood of a description over the record's if each day has the haze that suits them best."""
    return seen.whatever_haze(light) - seen.whatever_haze(seen.by_record)


def _whatever_drift(seen: Window, light: Light) -> float:
    """Return the same if the haze may come or go over the day."""
    return seen.whatever_drift(light) - seen.whatever_drift(seen.by_record)


def _in_all_intervals(seen: Window, turn: Turn) -> Turn:
    """Return the turn with what it explains of all intervals, as others are read: it was looked for in some."""
    return replace(turn, gain=gain_over_record(seen, by_turn(seen, turn)))


def _is_level(seen: Window, turn: Turn) -> bool:
    """Return whether a plane's level explains a turn about as well in the light under which planes differ."""
    return _by_level(seen.uneven, _in_all_intervals(seen.uneven, turn))


def _by_level(seen: Window, turn: Turn) -> bool:
    """Return whether a lower level of one plane explains a turn about as well, or what the model errs most of it."""
    planes = range(len(seen.planes)) if len(seen.planes) > 1 else ()
    dimmed = (seen.dimmed(plane, level, level) for plane in planes for level in DIMMED)
    if any(gain_over_record(seen, light) >= NEARLY_AS_WELL * turn.worth for light in dimmed):
        return True
    erring = [seen.dimmed(plane, *error) for plane in planes for error in ERRORS]
    erring += [seen.brighter_behind(plane, EVEN_SKY) for plane in planes]
    most = MOST_BY_ERROR * turn.worth
    return any(gain_over_record(seen, light) - UNLIKELY_ERROR > most for light in erring)


def gain_over_record(seen: Window, light: Light) -> float:
    """Return the log-likelihood of one description over the record's."""
    return float(seen.fit(light).likelihood[0]) - seen.record


def turn_explains_enough(seen: Window, turn: Turn) -> bool:
    """Return whether a turned plane explains so much more, and with so much sun, that the record may be wrong."""
    if turn.worth < FOR_PLANE_BY_GAPS or not differs(seen, turn) or not is_possible(seen, turn):
        return False
    if seen.voices[turn.plane] <= FEW_VOICES and _like_another(seen, turn):
        return False
    by_beam = seen.beam_sensed and turn.worth >= _needed(seen, FOR_PLANE_BY_BEAM, PER_DAY_BY_BEAM)
    return by_beam or _enough_by_its_sun(seen, turn)


def _enough_by_its_sun(seen: Window, turn: Turn) -> bool:
    """Return whether a turned plane explains enough more for the sun that it would see."""
    sun = seen.sunshine(by_turn(seen, turn))
    if sun.clear_h < LEAST_SUN_H or _may_be_under_a_cover(seen, turn):
        return _believed_by_clouds(seen, turn, sun)
    if seen.sensed:
        return turn.worth >= _by_sensor(seen) or _believed_by_clouds(seen, turn, sun)
    if _turns_away_under_a_cover(seen, turn):
        _, least, per_day = FOR_PLANE_BY_CLOUDS[-1]
        return turn.worth >= _needed(seen, least, per_day)
    if turn.worth >= _needed(seen, FOR_PLANE, PER_CLEAR_DAY):
        return True
    return seen.telling_planes == 1 and turn.worth >= _by_far_turn(seen, turn, sun)


def _may_be_under_a_cover(seen: Window, turn: Turn) -> bool:
    """Return whether an only plane that would face away from the sun may lie under an even cloud cover as well.

    In long intervals a cover is as smooth as a clear sky.
    """
    long = seen.light.grid.interval_min >= LONG_INTERVAL_MIN
    return long and seen.telling_planes == 1 and _beam_left(seen, turn) < LEAST_BEAM_LEFT


def _by_small_error(seen: Window, clock: Clock, turn: Turn, turns: Sequence[Turn]) -> bool:
    """Return whether a turn of another plane, or on a single plane a clock, too small to tell explains half as much."""
    small = [t.worth for t in turns if t.plane != turn.plane and not _is_another(seen.planes[t.plane], t)]
    if seen.telling_planes == 1 and abs(clock.minutes) < LEAST_SHIFT_MIN:
        small.append(clock.gain)
    return max(small, default=0.0) > HALF_AS_MUCH * turn.worth


def _believed_by_clouds(seen: Window, turn: Turn, sun: Sunshine) -> bool:
    """Return whether a turned plane explains enough between clouds, with so much sun by it, and no cover as much."""
    turned, recorded = (_too_bright(seen, turn, light) for light in (by_turn(seen, turn), seen.by_record))
    absurd = recorded >= ABSURD and turned <= NOT_ABSURD
    record = seen.sunshine(seen.by_record)
    if seen.telling_planes == 1:
        return _sure_by_one_plane(seen, turn, sun, record, absurd=absurd)
    share, like = BY_SENSOR if absurd else _share(record), _like_another(seen, turn)
    sunny, left = sun.beam_h >= max(LEAST_SUN_H, LEAST_BEAM_SHARE * sun.bright_h), _beam_left(seen, turn)
    if left >= KEEPS_BEAM and turn.worth >= _needed(seen, FOR_PLANE_BY_UNEVEN, PER_UNEVEN_DAY):
        return sunny
    if share < LEAST_BEAM_SHARE and like:
        return False
    by_gaps = seen.light.grid.interval_min <= SHORT_MIN and share >= FOR_PLANE_BY_CLOUDS[0][0] and not like
    needed = _needed(seen, FOR_PLANE_BY_GAPS, PER_DAY_OF_TURN) if by_gaps else _by_clouds(seen, share)
    return sunny and left >= LEAST_BEAM_LEFT and turn.worth >= needed


def _by_sensor(seen: Window) -> float:
    """Return what a plane needs under a measured sky."""
    _, least, per_day = FOR_PLANE_BY_CLOUDS[1]
    return _needed(seen, least, per_day)


def _share(sun: Sunshine) -> float:
    return sun.beam_h / max(sun.bright_h, 1e-9)


def _by_clouds(seen: Window, share: float) -> float:
    """Return what a plane needs under clouds if the record saw sun for such a share of the time."""
    tiers = FOR_PLANE_BY_CLOUDS if seen.telling_planes > 1 else FOR_ONLY_PLANE
    least, per_day = next(needed for lowest, *needed in tiers if share >= lowest)
    return _needed(seen, least, per_day)


def _sure_by_one_plane(seen: Window, turn: Turn, sun: Sunshine, record: Sunshine, *, absurd: bool) -> bool:
    """Return whether a single plane under passing clouds says enough."""
    share = FOR_ONLY_PLANE[0][0] if absurd else _share(record)
    sunny = absurd or record.beam_h >= SUN_BY_RECORD_H
    more = sun.beam_h >= max(LEAST_SUN_H, MORE_SUN * record.beam_h)
    if sunny and more and turn.worth >= _by_clouds(seen, share):
        return True
    sunny_day = seen.lit_days == 1 and share >= FOR_ONLY_PLANE[0][0] and sun.beam_h >= LEAST_SUN_H
    if sunny_day and _beyond_small_errors(seen, turn) >= FOR_PLANE:
        return True
    far = turn.worth >= _by_far_turn(seen, turn, sun)
    return far and (sunny or _explained_by_level(seen, turn) <= BY_EVEN_COVER)


def _by_far_turn(seen: Window, turn: Turn, sun: Sunshine) -> float:
    """Return what an only plane needs that faces far from its record and has no less sun, without end for others."""
    record = seen.sunshine(seen.by_record)
    more = 1.0 if _share(record) >= FOR_ONLY_PLANE[0][0] else MORE_SUN
    sees = sun.beam_h >= max(LEAST_SUN_H, more * record.beam_h)
    apart, left = apart_deg(seen.planes[turn.plane], turn), _beam_left(seen, turn)
    if not sees or apart < FAR_TURN_DEG or left < KEEPS_MOST:
        return math.inf
    farther = apart >= FARTHER_DEG and left >= KEEPS_ALL and seen.lit_days == 1
    if farther and _explained_by_level(seen, turn) <= BY_EVEN_COVER:
        return FOR_FARTHER_TURN
    return _needed(seen, FOR_FAR_TURN, 0.0 if sun.clear_h >= LEAST_SUN_H else PER_CLOUDY_DAY_OF_FAR_TURN)


def _explained_by_level(seen: Window, turn: Turn) -> float:
    """Return the share of a turn that a level plane explains: an even cover lights every plane as the sky does it."""
    level = seen.turned(turn.plane, np.zeros(1), np.zeros(1))
    return gain_over_record(seen, level) / turn.worth


def _turns_away_under_a_cover(seen: Window, turn: Turn) -> bool:
    """Return whether an only plane would be turned away from the sun, as an even cover makes any look."""
    away = seen.telling_planes == 1 and _beam_left(seen, turn) < KEEPS_MOST
    return away and _explained_by_level(seen, turn) > AWAY_BY_EVEN_COVER


def is_possible(seen: Window, turn: Turn) -> bool:
    """Return whether roofs face so, and such light comes from a sky and from a site at a level that there are."""
    levels = (told.fit(by_turn(told, turn)).gain[0] for told in (seen, seen.uneven))
    if too_steep(seen.planes[turn.plane], turn) or all(level < LEAST_LEVEL for level in levels):
        return False
    bright = _too_bright(seen, turn, by_turn(seen, turn))
    return bright <= min(_too_bright(seen, turn, seen.by_record) + MORE_TOO_BRIGHT, MOST_TOO_BRIGHT)


def differs(seen: Window, turn: Turn) -> bool:
    """Return whether the turned plane is another than the recorded one, and its light, too, or none could err so."""
    plane, another = seen.planes[turn.plane], _is_another(seen.planes[turn.plane], turn)
    if turn.worth >= FOR_NEAR_TURN and (seen.telling_planes > 1 or seen.beam_sensed):
        return another or azimuths_apart_deg(plane.azimuth_deg, turn.azimuth_deg) >= LEAST_AZIMUTH_DEG
    was, now = (
        beam[0, turn.plane] + diffuse[0, turn.plane]
        for beam, diffuse, _ in (seen.by_record, by_turn(seen, turn))
    )
    difference = float(np.abs(now - was).sum() / max(was.sum(), 1e-9))
    return difference >= LEAST_DIFFERENCE and another


def _is_another(plane: Plane, turn: Turn) -> bool:
    """Return whether a turned plane is further from the recorded one than model and crew may be off."""
    turned = replace(turn, tilt_deg=plane.tilt_deg)
    leans = abs(turn.tilt_deg - plane.tilt_deg)
    return apart_deg(plane, turned) >= LEAST_TURN_DEG or leans >= LEAST_LEAN_DEG


def _too_bright(seen: Window, turn: Turn, light: Light) -> float:
    """Return the share of the turned plane's light that is beyond what a clear sky gives it by a description."""
    beam, diffuse = (part[0, turn.plane] for part in light[:2])
    most = TOO_BRIGHT * beam + BRIGHT_SKY * diffuse
    told = seen.seen.light[turn.plane]
    return float(np.maximum(told - most, 0.0).sum() / max(told.sum(), 1e-9))


def _beam_left(seen: Window, turn: Turn) -> float:
    """Return the turned plane's beam under a clear sky over that of the recorded one."""
    turned, recorded = (light[0][0, turn.plane].sum() for light in (by_turn(seen, turn), seen.by_record))
    return float(turned / max(recorded, 1e-9))


def _like_another(seen: Window, turn: Turn) -> bool:
    """Return whether a plane would, turned, be one of the others: that one's orientation explains half as much."""
    others = (plane for p, plane in enumerate(seen.planes) if p != turn.plane)
    near = [plane for plane in others if apart_deg(plane, turn) < LIKE_ANOTHER_DEG]
    told = seen.uneven
    lights = (told.turned(turn.plane, np.array([p.tilt_deg]), np.array([p.azimuth_deg])) for p in near)
    return any(gain_over_record(told, light) > HALF_AS_MUCH * turn.worth for light in lights)


class Oriented(Protocol):
    """Anything with an orientation, degrees."""

    @property
    def tilt_deg(self) -> float: ...

    @property
    def azimuth_deg(self) -> float: ...


def apart_deg(plane: Oriented, turn: Oriented) -> float:
    """Return the angle between the normals of two orientations, degrees."""
    towards = _normal(plane.tilt_deg, plane.azimuth_deg) @ _normal(turn.tilt_deg, turn.azimuth_deg)
    return float(np.degrees(np.arccos(np.clip(towards, -1.0, 1.0))))


def azimuths_apart_deg(one_deg: float, other_deg: float) -> float:
    """Return the angle between two azimuths, degrees."""
    return abs((one_deg - other_deg + 180) % 360 - 180)


def _normal(tilt_deg: float, azimuth_deg: float) -> FloatArray:
    tilt, azimuth = np.radians(tilt_deg), np.radians(azimuth_deg)
    return np.array([np.sin(tilt) * np.sin(azimuth), np.sin(tilt) * np.cos(azimuth), np.cos(tilt)])


def _by_clock(seen: Window, clock: Clock) -> Light:
    late = clock.late
    light = seen.by_clock(np.array([float(late.before_min), float(late.after_min)]))
    after = seen.intervals >= late.change
    beam, diffuse, dark = (np.where(after, part[1], part[0])[None] for part in light)
    return beam, diffuse, dark


def by_turn(seen: Window, turn: Turn) -> Light:
    return seen.turned(turn.plane, np.array([turn.tilt_deg]), np.array([turn.azimuth_deg]))


def _as_recorded(sent: Alignment, seen: Window) -> Alignment:
    return replace(sent, level=told_level(seen, seen.by_record))


def _with_clock(sent: Alignment, seen: Window, clock: Clock, turn: Turn) -> Alignment:
    readings, labels = true_time(sent.readings, clock.late)
    since = until = None
    if clock.late.change:
        change = sent.labels.moment(clock.late.change)
        since, until = (change, None) if clock.late.after_min else (None, change)
    sun_h = seen.sunshine(_by_clock(seen, clock)).beam_h
    found = WrongClock(
        minutes=clock.minutes,
        gain=clock.gain,
        sun_h=sun_h,
        rival=clock.gain - turn.worth,
        one_plane=seen.telling_planes == 1,
        since=since,
        until=until,
        sensed=seen.sensed,
        band=clock.band,
    )
    level = None if clock.late.change else told_level(seen, _by_clock(seen, clock))
    return replace(sent, readings=readings, labels=labels, clock=found, level=level)


def _with_plane(
    sent: Alignment, seen: Window, clock: Clock, turn: Turn, log_odds: float | None = None
) -> Alignment:
    recorded, site = seen.planes[turn.plane], sent.site
    real = replace(recorded, tilt_deg=round(turn.tilt_deg, 1), azimuth_deg=round(turn.azimuth_deg, 1) % 360)
    planes = tuple(real if p.name == real.name else p for p in site.planes)
    found = WrongPlane(
        recorded=recorded,
        tilt_deg=real.tilt_deg,
        azimuth_deg=real.azimuth_deg,
        gain=turn.gain,
        sun_h=seen.sunshine(by_turn(seen, turn)).beam_h,
        rival=turn.worth - clock.gain,
        one_plane=seen.telling_planes == 1,
        rival_minutes=clock.minutes,
        log_odds=log_odds,
    )
    level = told_level(seen, by_turn(seen, turn))
    return replace(sent, site=replace(site, planes=planes), plane=found, level=level)
