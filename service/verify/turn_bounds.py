"""How much better than the record a plane's turn must explain a window to be believed.

A wrong plane moves one curve and no edge of the day. An even cover is always explained by a plane turned away, an
obstacle by one that gets less beam, and a low sun by what the model errs: each of them must explain clearly less.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from service.expect.site import Plane
from service.verify.angles import LIKE_ANOTHER_DEG, apart_deg, azimuths_apart_deg
from service.verify.beyond_sky import EVEN_SKY, share_beyond
from service.verify.clear_level import LONG_INTERVAL_MIN
from service.verify.clock_bounds import LEAST_SHIFT_MIN
from service.verify.explained import HALF_AS_MUCH, LEAST_SUN_H, by_turn, gain_over_record, in_own_haze, needed
from service.verify.levels import BETWEEN_PLANES
from service.verify.search import (
    AS_LIKELY,
    LEAST_LEAN_DEG,
    LEAST_TURN_DEG,
    WORTH_A_SEARCH,
    Clock,
    Turn,
    too_steep,
)
from service.verify.window import Sunshine, Window

LEAST_DIFFERENCE = 0.05
"""Share of its light that a plane must get at another time, or more or less of, to be another."""

FOR_PLANE = 11.0
"""Log-likelihood over the record's from which a plane is named (common practice, no source)."""

PER_DAY_OF_TURN, PER_CLEAR_DAY = 4.0, 6.0
"""The same for a plane, a turn of which takes in more of those errors, and for one that a clear sky tells, under which
they are alike every day. Of simulated weeks (`tests/bench/fleet`) misdescribed planes had 41 and more, under a clear
sky 67, where they were told; some planes with a right record 33 and 41."""

LEAST_BEAM_SHARE, MORE_SUN = 0.15, 1.3
"""Where clouds speak, the beam must fill this share of the possible hours, and on a single plane so many times those by
the record."""

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

SHORT_MIN, FOR_PLANE_BY_GAPS = 5, 8.0
"""In intervals so short gaps between clouds are seen themselves: what a plane among several needs then on one day, if
the record saw sun for the highest of these shares and, turned, it would face as no other does. Of 550 simulated days of
several planes under clouds with a right record (`tests/bench/fleet`) none had more than 5.7, of about 600 days of
another engine (not kept) one, under a thin veil, 7.8."""

FOR_PLANE_BY_UNEVEN, PER_UNEVEN_DAY, KEEPS_BEAM = 18.0, 1.0, 0.7
"""What the light under which planes differ (`Window.uneven`) must say for one of several, and each further day of it,
with however little sun by the record, if the turned plane keeps so much of its beam: then no obstacle is what shows. Of
1329 simulated days and 495 weeks of several planes under clouds with a right record (`tests/bench/fleet`) none had more
than 14.9 and 16.9 that haze left, if it saw sun for LEAST_BEAM_SHARE by the turn and more than FEW_VOICES told it."""

NEAR_DEG, FOR_NEAR_ON_ONE_DAY = 10.0, 14.0
"""How near to its record a plane faces that one day turns only for more: a veil that grows thicker bends its curve as
much. Of 1200 days of another engine (not kept) six right records were turned so, by 9.1 to 13.9, two by 16.6 and 24.5;
of 218 days of planes described wrongly, told by then (`tests/bench/fleet`, `stranger`), this and the next lose two, of
SERF East's tuning days one (`tests/bench/roofs`)."""

FOR_PLANE_IN_LITTLE_SUN = 24.0, 1.5
"""The same, and for each further day, if it saw sun by the turn for LEAST_SUN_H. Of 300 days and 358 weeks of several
planes that are described rightly (`tests/bench/fleet`) such turns that explain more than any clock had 8 on one day and
21 in a week at most after haze."""

MOST_BEAM_AWAY, LITTLE_SUN_H, FOR_TURN_UNDER_A_COVER = 0.4, 1.0, 20.0
"""What an only plane needs that, turned, keeps so little of its beam while its record saw no sun for SUN_BY_RECORD_H,
and one of several while it saw none for LITTLE_SUN_H: under a cover that stays even a plane seems to face away. Of the
same days three with a right record had 12.9 to 19.9, the wrong ones 20.3 and more."""

FOR_PLANE_BY_BEAM, PER_DAY_BY_BEAM = 24.0, 1.0
"""What a plane needs where beam and diffuse light were measured themselves, whatever the sun and the haze: of 150
simulated weeks and days with a right record (`tests/bench/fleet`, perfect sensors) none had 4; where global irradiance
was split by a model, of 130 one had 42, two 19."""

BY_SENSOR = FOR_PLANE_BY_CLOUDS[1][0]
"""A sensor's sky counts as so much sun: it is as sure, and what stands before a plane is unknown."""

MORE_TOO_BRIGHT, MOST_TOO_BRIGHT = 0.05, 0.15
"""A turned plane may not have so much more of its light beyond what any sky gives than the recorded one, nor so much of
it at all (`beyond_sky`). An obstacle makes no plane brighter."""

ABSURD, NOT_ABSURD = 0.45, 0.1
"""With so much of its light beyond, and by a turn so little, a plane's record is wrong, and need not have seen sun."""

LEAST_LEVEL = 0.7
"""Below this share of a clear sky's light an even cloud cover is as likely as a dim site, and has another curve."""

FEW_VOICES, BOTH, FOR_CURVE_OF_ANOTHER = 2, 2, (24.0, 7.0)
"""So few units with the curve of another recorded plane, as near as LIKE_ANOTHER_DEG, may be on that plane: of one its
record is wrong, of both either. They and more are told in the sun, or if the curve explains so much, and so much more
for each further day: a closed cover gives all planes the same light, and any the curve of another. Of 300 days and 358
weeks of several planes that are described rightly (`tests/bench/fleet`) such turns that keep their beam and explain
more than any clock had 16 in a week at most, one that keeps 0.67 of it 59; of wrong ones that saw little sun two had 34
and 72 on one day, seven 78 and more in a week."""

LEAST_BEAM_LEFT = 0.3
"""A plane that by its turn gets less of the recorded one's beam is, between clouds, as well one behind an obstacle: a
plane behind a house had 0.25, the 17 misdescribed ones that an obstacle explains best 0.34 and more (simulated weeks,
`tests/bench/fleet`)."""

LEFT_BY_HAZE = 0.8
"""What must be left, if no more is asked, of what a plane explains where each day has the haze that suits it best: of
right ones it was 0.82 and more where little was explained, of most others 0.5 and less (sites by an independent
engine)."""

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

LEVEL_OFF, DIFFUSE_OFF, UNLIKELY_ERROR, MOST_BY_ERROR = 2 * BETWEEN_PLANES, 0.25, 2.0, 0.7
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
misdescribed plane it explains 0.62, of two others on other seeds 0.66 and 0.68, of a right one in shade 0.98. The last
is what it may explain."""

NEARLY_AS_WELL = 0.9
"""Share of what an impossible turn explains, of several planes, from which a possible one does about as well: of 480
sites with a right record (`tests/bench/fleet`, `tests/bench/stranger`) one in shade had 0.84, no other 0.8; of wrong
ones two had 0.92 and 0.93."""

AS_LEVEL, LEVEL_NEARLY_AS_WELL = 0.95, 0.9
"""The same of what a plane's level explains: from the first on the plane may be low, from the second on both are said.
Of 49 misdescribed planes (`tests/bench/fleet`, days and weeks) one had 1.03, no other more than 0.66, of weeks on other
seeds three 0.90 to 0.95 and one 1.00; of six right ones (other engines) that seemed turned by their level all had 0.95
and more."""

BY_SMALL_ERROR = 0.6
"""Share of a turn that another plane's, too small to be one, may explain: of 1000 weeks (`tests/bench/fleet`,
`tests/bench/stranger`) one with a right record would be turned otherwise, of which such a turn explains 0.79; of wrong
ones one had 0.52."""


@dataclass(frozen=True)
class LowerLevel:
    """A plane that would make such a share of what the record lets expect."""

    plane: str
    level: float


def may_be_turned(seen: Window, turn: Turn) -> bool:
    """Return whether odds may tell a turn: of an only plane, to another one that there is, and no stray unit's."""
    if seen.telling_planes > 1 or turn.worth <= WORTH_A_SEARCH:
        return False
    told = differs(seen, turn) and is_possible(seen, turn) and not _may_be_the_sky(seen, turn)
    return told and may_lie_on(seen, turn) is None and not _is_level(seen, turn)


def explains_as_well(seen: Window, turn: Turn, best: Turn) -> bool:
    """Return whether no impossible turn explains far more: then it is shade, a trip, a limit."""
    nearly = NEARLY_AS_WELL * best.worth if seen.telling_planes > 1 else math.inf
    return turn.worth > min(best.worth - AS_LIKELY, nearly)


def believed_plane(seen: Window, turn: Turn) -> bool:
    """Return whether a turned plane explains so much more that the record is wrong, whatever the haze of each day."""
    if not turn_explains_enough(seen, turn) or _is_level(seen, turn):
        return False
    if seen.beam_sensed:
        return True
    hazy = in_own_haze(seen.uneven, turn)
    return hazy.worth >= min(needed(seen, FOR_PLANE, PER_DAY_OF_TURN), LEFT_BY_HAZE * turn.worth)


def _beyond_small_errors(seen: Window, turn: Turn) -> float:
    """Return what a turn is worth over the record by the best clock within the model's errors, whatever the haze."""
    clocks = (seen.by_clock(np.array([late])) for late in WITHIN_ERROR_MIN)
    as_recorded = max(seen.whatever_haze(light) for light in clocks)
    return replace(turn, gain=seen.whatever_haze(by_turn(seen, turn)) - as_recorded).worth


def _in_all_intervals(seen: Window, turn: Turn) -> Turn:
    """Return the turn with what it explains of all intervals, as others are read: it was looked for in some."""
    return replace(turn, gain=gain_over_record(seen, by_turn(seen, turn)))


def _is_level(seen: Window, turn: Turn) -> bool:
    """Return whether a plane's level explains a turn about as well in the light under which planes differ."""
    return _by_level(seen.uneven, _in_all_intervals(seen.uneven, turn))


def _by_level(seen: Window, turn: Turn) -> bool:
    """Return whether a lower level of one plane explains a turn about as well, or what the model errs most of it."""
    if _gained_by_level(seen)[0] >= AS_LEVEL * turn.worth:
        return True
    planes = range(len(seen.planes)) if len(seen.planes) > 1 else ()
    erring = [seen.dimmed(plane, *error) for plane in planes for error in ERRORS]
    erring += [seen.brighter_behind(plane, EVEN_SKY) for plane in planes]
    most = MOST_BY_ERROR * turn.worth
    return any(gain_over_record(seen, light) - UNLIKELY_ERROR > most for light in erring)


def _gained_by_level(seen: Window) -> tuple[float, int, float]:
    """Return the log-likelihood that a lower level of one plane gains, which plane's and what; 0 of an only one."""
    planes = range(len(seen.planes)) if len(seen.planes) > 1 else ()
    gains = [
        (gain_over_record(seen, seen.dimmed(plane, level, level)), plane, float(level))
        for plane in planes
        for level in DIMMED
    ]
    return max(gains, default=(0.0, 0, 1.0))


def lower_level(seen: Window, turn: Turn) -> LowerLevel | None:
    """Return the plane whose lower level explains a turn nearly as well, None where none does."""
    told = _in_all_intervals(seen.uneven, turn)
    gain, plane, level = _gained_by_level(seen.uneven)
    as_well = gain > 0 and gain >= LEVEL_NEARLY_AS_WELL * told.worth
    return LowerLevel(seen.planes[plane].name, level) if as_well else None


def turn_explains_enough(seen: Window, turn: Turn) -> bool:
    """Return whether a turned plane explains so much more, and with so much sun, that the record may be wrong."""
    if turn.worth < FOR_PLANE_BY_GAPS or not differs(seen, turn) or not is_possible(seen, turn):
        return False
    if not seen.beam_sensed and _may_be_the_sky(seen, turn):
        return False
    if may_lie_on(seen, turn) and (seen.voices[turn.plane] < BOTH or not _enough_for_another_s(seen, turn)):
        return False
    by_beam = seen.beam_sensed and turn.worth >= needed(seen, FOR_PLANE_BY_BEAM, PER_DAY_BY_BEAM)
    return by_beam or _enough_by_its_sun(seen, turn)


def _may_be_the_sky(seen: Window, turn: Turn) -> bool:
    """Return whether a veil may bend a day's curve so, or an even cover make an only plane seem to face away."""
    near = seen.lit_days == 1 and apart_deg(seen.planes[turn.plane], turn) < NEAR_DEG
    if near and turn.worth < FOR_NEAR_ON_ONE_DAY:
        return True
    sun_h = seen.sunshine(seen.by_record).beam_h
    covered = sun_h < LITTLE_SUN_H
    if seen.telling_planes == 1:
        covered = sun_h < SUN_BY_RECORD_H and beam_left(seen, turn) < MOST_BEAM_AWAY
    return covered and turn.worth < FOR_TURN_UNDER_A_COVER


def _enough_by_its_sun(seen: Window, turn: Turn) -> bool:
    """Return whether a turned plane explains enough more for the sun that it would see."""
    sun = seen.sunshine(by_turn(seen, turn))
    if sun.clear_h < LEAST_SUN_H or _may_be_under_a_cover(seen, turn):
        return _believed_by_clouds(seen, turn, sun)
    if seen.sensed:
        return turn.worth >= _by_sensor(seen) or _believed_by_clouds(seen, turn, sun)
    if _turns_away_under_a_cover(seen, turn):
        _, least, per_day = FOR_PLANE_BY_CLOUDS[-1]
        return turn.worth >= needed(seen, least, per_day)
    if turn.worth >= needed(seen, FOR_PLANE, PER_CLEAR_DAY):
        return True
    return seen.telling_planes == 1 and turn.worth >= _by_far_turn(seen, turn, sun)


def _may_be_under_a_cover(seen: Window, turn: Turn) -> bool:
    """Return whether an only plane that would face away from the sun may lie under an even cloud cover as well.

    In long intervals a cover is as smooth as a clear sky.
    """
    long = seen.light.grid.interval_min >= LONG_INTERVAL_MIN
    return long and seen.telling_planes == 1 and beam_left(seen, turn) < LEAST_BEAM_LEFT


def by_small_error(seen: Window, clock: Clock, turn: Turn, turns: Sequence[Turn]) -> bool:
    """Return whether a turn of another plane, or on a single plane a clock, too small to tell explains most of it."""
    small = [t.worth for t in turns if t.plane != turn.plane and not _is_another(seen.planes[t.plane], t)]
    if seen.telling_planes == 1 and abs(clock.minutes) < LEAST_SHIFT_MIN:
        small.append(clock.gain)
    most = BY_SMALL_ERROR if seen.telling_planes > 1 else HALF_AS_MUCH
    return max(small, default=0.0) > most * turn.worth


def _believed_by_clouds(seen: Window, turn: Turn, sun: Sunshine) -> bool:
    """Return whether a turned plane explains enough between clouds, with so much sun by it, and no cover as much."""
    turned, recorded = (
        share_beyond(seen, turn.plane, light) for light in (by_turn(seen, turn), seen.by_record)
    )
    absurd = recorded >= ABSURD and turned <= NOT_ABSURD
    record = seen.sunshine(seen.by_record)
    if seen.telling_planes == 1:
        return _sure_by_one_plane(seen, turn, sun, record, absurd=absurd)
    share, left = BY_SENSOR if absurd else _share(record), beam_left(seen, turn)
    keeps, like = left >= KEEPS_BEAM, like_another(seen, turn) is not None
    if like and share < LEAST_BEAM_SHARE:
        return keeps and sun.beam_h >= LEAST_SUN_H and _enough_for_another_s(seen, turn)
    if keeps and sun.beam_h >= LEAST_SUN_H and turn.worth >= needed(seen, *FOR_PLANE_IN_LITTLE_SUN):
        return True
    sunny = sun.beam_h >= max(LEAST_SUN_H, LEAST_BEAM_SHARE * sun.bright_h)
    if keeps and turn.worth >= needed(seen, FOR_PLANE_BY_UNEVEN, PER_UNEVEN_DAY):
        return sunny
    by_gaps = seen.light.grid.interval_min <= SHORT_MIN and share >= FOR_PLANE_BY_CLOUDS[0][0] and not like
    least = needed(seen, FOR_PLANE_BY_GAPS, PER_DAY_OF_TURN) if by_gaps else _by_clouds(seen, share)
    return sunny and left >= LEAST_BEAM_LEFT and turn.worth >= least


def _by_sensor(seen: Window) -> float:
    """Return what a plane needs under a measured sky."""
    _, least, per_day = FOR_PLANE_BY_CLOUDS[1]
    return needed(seen, least, per_day)


def _share(sun: Sunshine) -> float:
    return sun.beam_h / max(sun.bright_h, 1e-9)


def _by_clouds(seen: Window, share: float) -> float:
    """Return what a plane needs under clouds if the record saw sun for such a share of the time."""
    tiers = FOR_PLANE_BY_CLOUDS if seen.telling_planes > 1 else FOR_ONLY_PLANE
    least, per_day = next(asked for lowest, *asked in tiers if share >= lowest)
    return needed(seen, least, per_day)


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
    apart, left = apart_deg(seen.planes[turn.plane], turn), beam_left(seen, turn)
    if not sees or apart < FAR_TURN_DEG or left < KEEPS_MOST:
        return math.inf
    farther = apart >= FARTHER_DEG and left >= KEEPS_ALL and seen.lit_days == 1
    if farther and _explained_by_level(seen, turn) <= BY_EVEN_COVER:
        return FOR_FARTHER_TURN
    return needed(seen, FOR_FAR_TURN, 0.0 if sun.clear_h >= LEAST_SUN_H else PER_CLOUDY_DAY_OF_FAR_TURN)


def _explained_by_level(seen: Window, turn: Turn) -> float:
    """Return the share of a turn that a level plane explains: an even cover lights every plane as the sky does it."""
    level = seen.turned(turn.plane, np.zeros(1), np.zeros(1))
    return gain_over_record(seen, level) / turn.worth


def _turns_away_under_a_cover(seen: Window, turn: Turn) -> bool:
    """Return whether an only plane would be turned away from the sun, as an even cover makes any look."""
    away = seen.telling_planes == 1 and beam_left(seen, turn) < KEEPS_MOST
    return away and _explained_by_level(seen, turn) > AWAY_BY_EVEN_COVER


def is_possible(seen: Window, turn: Turn) -> bool:
    """Return whether roofs face so, and such light comes from a sky and from a site at a level that there are."""
    levels = (told.fit(by_turn(told, turn)).gain[0] for told in (seen, seen.uneven))
    if too_steep(seen.planes[turn.plane], turn) or all(level < LEAST_LEVEL for level in levels):
        return False
    bright, recorded = (share_beyond(seen, turn.plane, x) for x in (by_turn(seen, turn), seen.by_record))
    return bright <= min(recorded + MORE_TOO_BRIGHT, MOST_TOO_BRIGHT)


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


def beam_left(seen: Window, turn: Turn) -> float:
    """Return the turned plane's beam under a clear sky over that of the recorded one."""
    turned, recorded = (light[0][0, turn.plane].sum() for light in (by_turn(seen, turn), seen.by_record))
    return float(turned / max(recorded, 1e-9))


def like_another(seen: Window, turn: Turn) -> str | None:
    """Return which other plane a plane would be, turned: that one's orientation explains half as much."""
    others = (plane for p, plane in enumerate(seen.planes) if p != turn.plane)
    near = [plane for plane in others if apart_deg(plane, turn) < LIKE_ANOTHER_DEG]
    told, tried = seen.uneven, ((p, np.array([p.tilt_deg]), np.array([p.azimuth_deg])) for p in near)
    lights = ((p.name, told.turned(turn.plane, tilt, azimuth)) for p, tilt, azimuth in tried)
    least = HALF_AS_MUCH * turn.worth
    return next((name for name, light in lights if gain_over_record(told, light) > least), None)


def may_lie_on(seen: Window, turn: Turn) -> str | None:
    """Return on which other plane the units of a plane may lie, as its light has that one's curve and they are few."""
    return like_another(seen, turn) if seen.voices[turn.plane] <= FEW_VOICES else None


def _enough_for_another_s(seen: Window, turn: Turn) -> bool:
    """Return whether a plane that has the curve of another recorded one has it for sure."""
    return turn.worth >= needed(seen, *FOR_CURVE_OF_ANOTHER)
