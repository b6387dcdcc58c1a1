"""Whether the readings' clock or a plane's description is wrong, found from all units together and undone.

What speaks for the whole site is looked for first, so that it accuses no unit: every clock and every orientation of one
plane is tried (`search`), and the log-likelihood of the light on all planes (`skyfit`) says which explains the window
better than the record does. A clock moves the curves of all planes and the edges of the day; a wrong plane moves one
curve and no edge; an obstacle only takes light away, so that no other clock or orientation explains the rest of the day
too. Haze, which may be another than the model's on each day, changes the light of a low sun: what it does is none of
these. Not here: the words, which are the causes'.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from typing import NamedTuple

from service.expect.site import Plane, Site
from service.expect.weather import Weather
from service.verify.beyond_sky import allows, beyond_record, refutes_record
from service.verify.clock_bounds import (
    LEAST_SHIFT_MIN,
    believed_clock,
    by_night,
    clock_explains_enough,
    is_likelier_clock,
    shown_by_nights,
    too_dark,
)
from service.verify.explained import HALF_AS_MUCH, LEAST_SUN_H, by_turn, in_own_haze
from service.verify.inputs import Readings
from service.verify.labels import Labels, own_labels, true_time
from service.verify.search import (
    AS_LIKELY,
    WORTH_A_SEARCH,
    Clock,
    Turn,
    best_clock,
    best_turns,
    by_clock,
    by_night_alone,
    doubtful,
    likelihood_of_best,
)
from service.verify.told_level import ToldLevel, told_level
from service.verify.turn_bounds import (
    LowerLevel,
    beam_left,
    believed_plane,
    by_small_error,
    differs,
    explains_as_well,
    is_possible,
    lower_level,
    may_be_turned,
    may_lie_on,
)
from service.verify.turn_odds import LIKELIER, LIKELIER_OF_DAYS, TurnSigns
from service.verify.window import FURTHEST_SHIFT_MIN, LARGEST_SHIFT_MIN, Window, window

LONGEST_SENSOR_MIN = 15
"""Means over longer than this tell the sky of no single interval."""

MORE_BY_SENSOR = 10.0
"""Log-likelihood that the measured sky must bring: a clear sky is known as well without a sensor that may err."""


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
    beyond: float = 0.0
    """Share of the only plane's light beyond what any sky gives by the record, where that is more than sound ones have.
    """

    @property
    def ambiguous(self) -> bool:
        """Return whether a wrong plane explains it nearly as well: output with the sun down none does."""
        return self.band is None and _ambiguous(self.gain, self.rival, one_plane=self.one_plane)


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
    may_lie_on: str | None = None
    """The plane on which its few units may lie instead."""
    may_be_low: LowerLevel | None = None
    """The plane that may make less instead."""
    beyond: float = 0.0
    """As of `WrongClock`."""

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
    if not (doubtful(seen) or refutes_record(seen)):
        return _as_recorded(unchanged, seen)
    wider = partial(_window, site, readings, scale, weather, FURTHEST_SHIFT_MIN)
    tried = _tried(seen, wider)
    seen, clock, turn, as_good = tried
    is_late = believed_clock(seen, clock, turn)
    if not is_late and shown_by_nights(seen, clock):
        return _with_clock(unchanged, *_by_night(seen, clock, wider), turn)
    is_turned = as_good and believed_plane(seen, turn)
    # what a clock explains as well is no turn, be it too little for a clock of an only plane, or what haze may do
    may_be_clock = seen.telling_planes == 1 or clock_explains_enough(seen, clock, turn)
    if is_turned and not (may_be_clock and is_likelier_clock(seen, clock, turn)):
        return _with_plane(unchanged, seen, clock, turn)
    if not (is_late or (is_turned and _is_one_of_both(seen, clock))):
        likelier = _as_is_likelier(unchanged, tried) if weather is None else None
        return likelier or _as_sky_allows(unchanged, tried)
    if too_dark(seen, clock):
        seen, clock = _by_night(seen, clock, wider)
    return _with_clock(unchanged, seen, clock, turn)


def _by_night(seen: Window, clock: Clock, wider: Callable[[], Window | None]) -> tuple[Window, Clock]:
    """Return the widest window, and the clock that output with the sun down alone tells."""
    widest = wider() or seen
    return widest, by_night_alone(widest, clock)


def _is_one_of_both(seen: Window, clock: Clock) -> bool:
    """Return whether a clock is what is wrong, where the only plane is surely turned or else the labels are late.

    Of 1078 days of an only plane that make one doubt the record (`tests/bench/fleet`, `stranger`, `roofs`, tuning) a
    turn is believed and a clock the likelier, but not by itself, on six with a wrong clock and one with a wrong plane.
    """
    return seen.telling_planes == 1 and abs(clock.minutes) >= LEAST_SHIFT_MIN


def _tried(seen: Window, wider: Callable[[], Window | None]) -> Tried:
    """Return the best clock and turn of a window, or of a `wider` one where the clock may be further off."""
    clock = best_clock(seen)
    if abs(clock.minutes) >= LARGEST_SHIFT_MIN:
        seen = wider() or seen
        clock = best_clock(seen)
    turns = best_turns(seen)
    turn = next((t for t in turns if is_possible(seen, t)), turns[0])
    as_good = explains_as_well(seen, turn, turns[0]) and not by_small_error(seen, clock, turn, turns)
    return Tried(seen, clock, turn, as_good)


def signs(site: Site, readings: Readings, *, scale: float) -> TurnSigns | None:
    """Return all signs of the window's best turn, None where nothing makes one doubt the record."""
    seen = _window(site, readings, scale, None)
    if seen is None or not doubtful(seen):
        return None
    return _signs_of(_tried(seen, partial(_window, site, readings, scale, None, FURTHEST_SHIFT_MIN)))


def _as_is_likelier(sent: Alignment, tried: Tried) -> Alignment | None:
    """Return the window put right by a turn that all signs together make likelier than the record, None without one."""
    signs = _signs_of(tried)
    least = LIKELIER if tried.seen.lit_days == 1 else LIKELIER_OF_DAYS
    if signs is None or signs.log_odds < least:
        return None
    return _with_plane(sent, tried.seen, tried.clock, tried.turn, signs.log_odds)


def _as_sky_allows(sent: Alignment, tried: Tried) -> Alignment:
    """Return the window put right by the likelier of clock and turn that leave no light which no sky gives.

    As it was recorded where that gives no such light, or neither leaves none.
    """
    seen, clock, turn, as_good = tried
    if not refutes_record(seen):
        return _as_recorded(sent, seen)
    late = abs(clock.minutes) >= LEAST_SHIFT_MIN and clock.gain > WORTH_A_SEARCH
    late = late and allows(seen, by_clock(seen, clock))
    turned = as_good and turn.worth > WORTH_A_SEARCH and differs(seen, turn) and is_possible(seen, turn)
    turned = turned and allows(seen, by_turn(seen, turn))
    if late and not (turned and turn.worth > clock.gain):
        return _with_clock(sent, seen, clock, turn if turned else replace(turn, gain=0.0))
    if turned:
        return _with_plane(sent, seen, clock if late else replace(clock, gain=0.0), turn)
    return _as_recorded(sent, seen)


def _signs_of(tried: Tried) -> TurnSigns | None:
    """Return all signs of a turn, None of one that would be no finding or that something else explains as well."""
    seen, clock, turn, as_good = tried
    if not (as_good and may_be_turned(seen, turn)):
        return None
    sun = seen.sunshine(by_turn(seen, turn))
    if sun.beam_h < LEAST_SUN_H:
        return None
    return TurnSigns(
        haze=in_own_haze(seen.uneven, turn).worth,
        lead=turn.worth - clock.gain,
        clear_h=sun.clear_h,
        recorded_h=seen.sunshine(seen.by_record).beam_h,
        beam_left=beam_left(seen, turn),
        days=seen.lit_days,
        minutes=seen.light.grid.interval_min,
    )


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


def _as_recorded(sent: Alignment, seen: Window) -> Alignment:
    return replace(sent, level=told_level(seen, seen.by_record))


def _with_clock(sent: Alignment, seen: Window, clock: Clock, turn: Turn) -> Alignment:
    readings, labels = true_time(sent.readings, clock.late)
    since = until = None
    if clock.late.change:
        change = sent.labels.moment(clock.late.change)
        since, until = (change, None) if clock.late.after_min else (None, change)
    sun_h = seen.sunshine(by_clock(seen, clock)).beam_h
    found = WrongClock(
        minutes=clock.minutes,
        gain=clock.gain,
        sun_h=sun_h,
        rival=by_night(seen, clock) if clock.band else clock.gain - turn.worth,
        one_plane=seen.telling_planes == 1,
        since=since,
        until=until,
        sensed=seen.sensed,
        band=clock.band,
        beyond=beyond_record(seen),
    )
    level = None if clock.late.change else told_level(seen, by_clock(seen, clock))
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
        may_lie_on=may_lie_on(seen, turn),
        may_be_low=lower_level(seen, turn),
        beyond=beyond_record(seen),
    )
    level = told_level(seen, by_turn(seen, turn))
    return replace(sent, site=replace(site, planes=planes), plane=found, level=level)
