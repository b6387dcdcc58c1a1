"""The whole site makes less in its own clear hours than the record and the clear-sky model allow.

Reasoning: a wrong rating on record, a cover left on, dirt over all modules or an old degradation take an even share of
every unit, which no comparison among units shows. Under a cloudless sky the site's output over that expected keeps one
level for half an hour and longer; clouds do not. The highest such level is the site's own, and is held against the
model's band: monthly turbidity, temperature and mounting leave 3-7 % of bias a day in the light alone (from memory), 10
% with the rest. Spans at the inverters' limits, at a common limit and behind shade are left out. Where other hours or
several like units reach what is usual, it is not the site that is low, nor where most units are dead. Haze or thin even
cloud may look like it on one day, so that one day must be flat for longer, or have a clear sky's beam for hours though
its curve is bent, and fit a low level better than a usual one behind haze, which takes the more the lower the sun.
By a measured sky there is no haze and no cloud to allow for: all hours count.
Where clouds pass all the time no half hour is level; then the plateau in their gaps counts (`sun_level`), on two days
at least and if the light fits a low level better than a usual one (of 4560 weeks none that is low has no such light),
or on one of several whose light surely fits it: on one, thin cloud behind them may be all that the gaps show (of 4100
simulated and real weeks only low sites have so low a plateau on one day). On one it is said, with that other reading,
only if the light on all planes fits a low level far better than a usual one (`told_level`), and its brightest intervals
stand where that level and a veil of thin cloud over a usual one would put them apart.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from service.expect.grid import floats
from service.verify.case import BoolArray, Case, once
from service.verify.causes import curtailed
from service.verify.causes.wording import duration, energy, percent
from service.verify.clear_level import (
    CLEAR_HOURS,
    LONG_INTERVAL_MIN,
    STRETCH_MINUTES,
    ClearLevel,
    flat_level,
    measured_level,
)
from service.verify.inputs import FloatArray
from service.verify.levels import AT_LIMIT
from service.verify.plane_level import low_planes
from service.verify.result import Finding
from service.verify.sentence import Quantity, Sentence, counted_sentence, joined, sentence
from service.verify.sun_level import (
    BY_CLOUDS,
    CLOSED_COVER,
    LONGEST_INTERVAL_MIN,
    TOP,
    clouds_pass,
    sun_level,
    sun_level_of_days,
)
from service.verify.told_level import LEVELS, ToldLevel

STRONG_LIGHT, HIGH_SUN = 0.25, 0.5
"""Clear-sky energy over the window's highest from which a level is read, in clear hours and between clouds."""

BELOW_TOP, STANDING, NOON = 0.96, 0.976, 1.12
"""Output over the window's highest from which the site may stand at a common limit, that of a stand itself, and by how
much the clear sky's varies there: at a limit it goes on rising, at a clear day's top it is as flat as the output."""

APART, HIGHER_H, SEVERAL, SHARE_OF_LIKE = 0.12, 2.0, 2, 0.1
"""A level is another one from such a distance on: reached for so long, or by so many like units (our choice, no source;
clouds beside the sun add as much for minutes)."""

EVEN_CLOUD, IMPOSSIBLE = 0.65, 0.35
"""Levels below which flat hours are those of an even cloud unless the light has a clear sky's beam, and in any case
(from memory)."""

MOST_OF_TIME = 0.5
"""Share of the light in which most of a site's units must live for it to be called low."""

LONG_COVER_H = 3.0
"""For how long a site below EVEN_CLOUD must be flat on one day by long intervals: a cover over SERF East was for an
hour of four."""

LOW_SUN_AIR_MASS = 2.5
"""Air mass from which clear hours of several days, too, are a site's own only if their light fits a low level better
than haze, which takes the more the lower the sun. Of 1150 weeks with clear hours (`tests/bench/fleet`, `stranger`,
and 300 of the demo's engine in hazy air) six with more are flat below LOW and not low; of six that are low one goes
with them. By gaps of DAYS days three such weeks were low, of which none is."""

LOW, LOW_IN_GAPS, LOW_IF_SURE = 0.90, 0.87, 0.92
"""Levels below which a site is low: at all, by the gaps of one day, and under a clear sky where the light on all planes
surely fits a low level better. Of 55 weeks that are not low none shows gaps in quarters of an hour below 1.01, of 106
none those of four days and more below 0.93 (`tests/bench/fleet`). Of 5700 simulated and real days none that is
not low is clear below the last with such light, unless its roof's own level is."""

DAYS, HOURS_ON_DAYS, HOURS_ON_A_DAY = 2, 0.3, 1.0
"""From how many days on clear hours are no haze's; for how long they must be flat on these, or where the light on all
planes surely fits a low level; and for how long on one. Where the light of several days fits no low level what is flat
for less than CLEAR_HOURS is a cover's: one of 600 weeks without a low site was said to be low so, none of 74 low ones
is (`tests/bench/fleet`)."""

SURE_IN_GAPS, SURE_WHEN_CLEAR, SURE_PER_DAY = 11.0, 2.0, 1.5
"""Log-likelihood of a low level over a usual one from which a site is low by what its light fits: between clouds, and
under a clear sky in whatever air. Of 600 simulated healthy sites under clouds none had more than 9.4, of 109 under a
clear sky none more than 2.1 (`tests/bench/fleet`, one day); of 85 clear days with haze of one to three units of Linke's
turbidity above the month's none had more than -1.9, of 33 with four none more than 1.8. What is flat for HOURS_ON_A_DAY
needs the first in the model's own air and anything in another: of 5700 simulated and real days that are not low none
has both. Further days add the model's own errors: of 210 weeks none had more than 12.5, where 20 are asked."""

FAR_SURER = 2.0
"""How many times surer a level must be on one day that a closed cover may have (`sun_level.CLOSED_COVER`)."""

SURE_OF_DAY, BRIGHTEST_SPREAD = 5.0, 0.1
"""What the light of one day between passing clouds must tell besides: behind whatever veil and with the site's
brightest intervals, whose log scatters so much about BY_CLOUDS times its level. Of 2200 simulated days whose site is
not low (`tests/bench/fleet`) those that fit a low level by SURE_IN_GAPS, in intervals up to a quarter of an hour, have
4.3 at most but for closed covers; low ones that gaps fill have 5.3 and more."""

NEARLY_SURE_IN_GAPS, SURER_OF_DAY = 6.0, 8.0
"""The first is enough on one day whose gaps its intervals show themselves, where those two together tell so much more:
of 2700 such days (`tests/bench/fleet`) four low sites of 25 have it beside the bounds above, and one that is not."""

SURE_IN_LONGER, LONGER_MIN = 15.0, 30
"""The same in longer intervals, and up to which, if the brightest ones speak for it by themselves: of 1300 such days
that are not low (`tests/bench/fleet`, `roofs`, `stranger`) those that fit a low level by SURE_IN_GAPS, above a closed
cover's, have 11.9 at most, six low ones 15 and more. A day of clouds that let no quarter of an hour of sun through has
as much: that is said."""

SURE_OF_LEVEL = 8.0
"""The same in the model's own air, from which a clear sky is low at all: what takes clearer air, too, to fit better is
no site's level. SERF East on the hazy 2016-10-01 has 3.0 to 6.8 (`tests/bench/roofs`), of 104 low days, simulated and
real, none less than 9.2 unless its level is below all that are tried."""

SURELY_LOW = 0.8
"""Highest of the levels tried that is a low one, be it half a step higher; SERF East in September 2016, whose own level
is 0.85, fits the next one by 10.8 and behind haze by 5.4."""

FITS_BEAM = 20.0
"""Both of these from which a deep level that is flat for LONG_COVER_H is a clear sky's, though a clear sky that bends
otherwise is counted for less than TOLD_CLEAR_H: of 2800 simulated days whose site is not low (`tests/bench/fleet`,
`stranger`) the flat ones below EVEN_CLOUD have 16 at most."""

ALONE_H = 3.0
"""For how long one day of several must be flat by itself: a cover of a dull week is for an hour or two. Of 4560 weeks
(`tests/bench/fleet`) three that are not low were for 0.5 to 1.8 h, in light that surely fits a low level; the one low
site that was shows in the gaps of its clouds as well."""

TOLD_SUN_H, TOLD_CLEAR_H = 2.0, 3.0
"""Least hours of beam between clouds, and of clear sky."""

SMOOTH = 0.05
"""How far a level may lie from the middle of those an hour before and after it under a clear sky: a curve that bends by
6 % an hour has 0.03 where it turns. A sound site between broken clouds had less for two hours of eight that fit a clear
sky at 0.65 (`tests/bench/stranger`)."""

SAME_LEVEL = 0.1
"""How far the plateau in gaps may lie from the level that the light fits: of ten simulated low days that have both it
does by 0.07 at most, of six sound ones whose light fits a low level by 7 or more four by 0.10 to 0.17."""

MOST_SURE, MOST_SURE_IN_GAPS, MOST_SURE_ON_A_DAY = 0.95, 0.8, 0.7

SAME_TOP, STANDING_H = 0.03, 3.0
"""How close to its best hour's mean a site stands at one power, and for how long: of 24 healthy weeks under closed
covers (`tests/bench/fleet`) none did for more than 1.0 hours, four weeks held to a limit for 4.5 and more."""

SHORT, BEAM_A_DAY_H, MINUTES_AN_HOUR = 0.9 * LOW, 1.5, 60
"""Share of a clear sky's best hour below which a site's own best one proves nothing, a tenth below the model's band,
and with how much sun: of 34 healthy weeks under closed covers (`tests/bench/fleet`, a quarter of an hour and longer)
one fits a low level so well, with 0.8 hours of what looks like beam a day; of 79 under broken ones no best hour had
less than 0.85. One day's may."""


Said = Callable[[ClearLevel, Quantity], Sentence]
Low = tuple[ClearLevel, Said, float]
"""A site's low level, how it is said, and how sure it can be at most."""


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return the finding for a site whose clear hours are too low and that no common limit holds down."""
    low = _whole_site_is(case)
    return [] if low is None or curtailed.find(case, named) else [_finding(case, *low)]


def low_level(case: Case) -> float:
    """Return the level of a site that is low, over the clear sky's, 1 of any other."""
    low = _whole_site_is(case)
    return 1.0 if low is None or curtailed.find(case, frozenset()) else low[0].level


def _whole_site_is(case: Case) -> Low | None:
    lives = curtailed.most_live(case)
    few_live = lives.sum() < MOST_OF_TIME * len(lives)
    low = None if case.source == "clear_sky" or few_live or _is_the_clock_s(case) else _low(case)
    if low and low_planes(case):
        return None  # the others are not
    return None if low is None or _some_are_usual(case, *low[:2]) else low


def _is_the_clock_s(case: Case) -> bool:
    """Return whether the site's only plane told a wrong clock on its only day: a few minutes more leave another level.

    Of 1000 simulated days of another engine (not kept) three with a wrong clock, in haze or under a veil, were called
    low besides; none was on the second fleet's tuning seeds (`tests/bench/stranger`), where several causes meet.
    """
    told = case.alignment.clock is not None and case.source == "array"
    return told and _days(case) < DAYS and len({unit.plane for unit in case.day.site.units}) == 1


def _low(case: Case) -> Low | None:
    if case.source == "measured":
        seen = level_as_measured(case)
        low = seen and seen.level < LOW and seen.hours >= HOURS_ON_A_DAY
        return (seen, _of_measured_light, MOST_SURE) if seen and low else None
    clear, told = clear_level(case), told_level(case)
    if clear and (clear.level >= _usual_from(told) or _stands_higher(case, clear)):
        return None
    if clear and _is_low(case, clear, told):
        one_day = clear.days < DAYS
        if clear.level >= LOW:
            return clear, _within_the_band, MOST_SURE_ON_A_DAY
        return (clear, _of_a_clear_day, MOST_SURE_IN_GAPS) if one_day else (clear, _of_clear_hours, MOST_SURE)
    if told and is_clear_by_fit(case, told):
        return _by_fit(case, told, told.clear_h, clear), _of_a_clear_day, MOST_SURE_IN_GAPS
    return _low_between_clouds(case, clear, told)


def _usual_from(told: ToldLevel | None) -> float:
    """Return the level from which a clear site is as usual: a little less is low where the light surely says so."""
    return LOW_IF_SURE if _in_any_air(told) else LOW


def _low_between_clouds(case: Case, clear: ClearLevel | None, told: ToldLevel | None) -> Low | None:
    clouded = between_clouds(case)
    if clouded and told and _is_borne_out(clouded, told):
        return clouded, _of_gaps, MOST_SURE_ON_A_DAY
    gaps = _gaps_of_days(case, clouded, told) if told else None
    if clear and clear.days < DAYS and clear.hours >= HOURS_ON_A_DAY and not (gaps and _same(gaps, clear)):
        return None  # what so long a clear sky leaves open, gaps of clouds do not tell
    if gaps and gaps.level < LOW:
        return gaps, _of_gaps, MOST_SURE_IN_GAPS
    if told and not _gaps_differ(clouded, told) and _fits_low_only(case, told):
        return _by_fit(case, told, told.beam_h, clouded), _of_fit, MOST_SURE_ON_A_DAY
    return None


def _is_borne_out(clouded: ClearLevel, told: ToldLevel) -> bool:
    """Return whether the light of several days fits the low plateau that the gaps of one of them show."""
    several = clouded.days < DAYS <= told.days and clouded.level < LOW_IN_GAPS
    return several and told.sure >= SURE_IN_GAPS and not _gaps_differ(clouded, told)


def _gaps_differ(clouded: ClearLevel | None, told: ToldLevel) -> bool:
    """Return whether the plateau in gaps of clouds is a usual one, or lies elsewhere than the level that fits."""
    if clouded is None:
        return False
    usual = clouded.days >= DAYS and clouded.level >= LOW
    return usual or abs(clouded.level - told.level) > SAME_LEVEL


def _is_low(case: Case, clear: ClearLevel, told: ToldLevel | None) -> bool:
    if clear.level < EVEN_CLOUD and (_may_be_a_cover(case, clear) or not fits_clear(told, clear)):
        return False
    if clear.days >= DAYS and clear.hours >= HOURS_ON_DAYS:
        even_cloud = clear.hours < CLEAR_HOURS and (told is None or told.clear_h == 0)
        return not even_cloud and (_in_any_air(told) or not _is_of_a_low_sun(case, clear))
    if told is None or _is_one_dull_day_of_several(case, clear, told):
        return False
    sure = _is_sure(told)
    if clear.hours >= (HOURS_ON_DAYS if sure else HOURS_ON_A_DAY) and _in_any_air(told):
        return True
    return sure and clear.hours >= HOURS_ON_A_DAY and told.in_any_air > 0


def _gaps_of_days(case: Case, clouded: ClearLevel | None, told: ToldLevel) -> ClearLevel | None:
    """Return the level in the gaps of several days that are enough, or in quarters of an hour where it surely fits."""
    if clouded:
        return clouded if _are_enough_gaps(case, clouded, told) else None
    sunny = told.beam_h >= TOLD_SUN_H and told.in_any_air > 0
    quarters = _sun_of_days(case) if sunny and _is_sure(told) else None
    return quarters if quarters and quarters.level >= CLOSED_COVER else None


def _are_enough_gaps(case: Case, clouded: ClearLevel, told: ToldLevel) -> bool:
    """Return whether gaps of several days show a level: under a low sun of more, and if the light fits it clearly."""
    if not _is_of_a_low_sun(case, clouded):
        return clouded.days >= DAYS
    return clouded.days > DAYS and told.sure >= SURE_OF_LEVEL


def _same(one: ClearLevel, other: ClearLevel) -> bool:
    return abs(one.level - other.level) <= SAME_LEVEL


def _is_of_a_low_sun(case: Case, seen: ClearLevel) -> bool:
    """Return whether so much air lies before the sun of most hours that show a level that haze leaves as little."""
    air_mass = case.day.gather(np.nan_to_num(case.day.sun.air_mass)) / case.day.interval_hours
    return bool(2 * (air_mass[seen.where] > LOW_SUN_AIR_MASS).sum() > seen.where.sum())


def _is_one_dull_day_of_several(case: Case, clear: ClearLevel, told: ToldLevel) -> bool:
    """Return whether of several days one alone is flat, not for long, and light of the others has no clear sky's."""
    alone = clear.days < DAYS <= _days(case)
    return alone and clear.hours < ALONE_H and told.clear_h < TOLD_CLEAR_H * told.days


def _may_be_a_cover(case: Case, clear: ClearLevel) -> bool:
    """Return whether an even cloud cover of one day would be as flat: in long intervals it is, and for hours."""
    long = case.day.grid.interval_min >= LONG_INTERVAL_MIN
    return long and _days(case) < DAYS and clear.hours < LONG_COVER_H


def _days(case: Case) -> int:
    """Return on how many days the window has daylight."""
    return len(np.unique(case.day.local_days))


def _in_any_air(told: ToldLevel | None) -> bool:
    """Return whether the light on all planes fits a low level better than a usual one, behind haze or in clear air."""
    if told is None or not (told.sure >= SURE_OF_LEVEL or told.level == LEVELS[0]):
        return False
    return told.in_any_air >= SURE_WHEN_CLEAR + SURE_PER_DAY * (told.days - 1)


def _is_sure(told: ToldLevel) -> bool:
    """Return whether the light on all planes fits a low level far better than a usual one."""
    return told.sure >= SURE_IN_GAPS + SURE_PER_DAY * (told.days - 1)


def is_clear_by_fit(case: Case, told: ToldLevel) -> bool:
    """Return whether the light of one day has a clear sky's beam for hours, whose output bends too much to be flat.

    Means of an hour over broken clouds fit such a beam at a low level, too, but jump.
    """
    by_the_hour = case.day.grid.interval_min >= MINUTES_AN_HOUR
    clear_h = min(told.clear_h, _smooth_h(case)) if by_the_hour else told.clear_h
    long = told.days < DAYS and clear_h >= TOLD_CLEAR_H
    return long and told.level <= SURELY_LOW and told.sure >= SURE_OF_LEVEL and _in_any_air(told)


def _smooth_h(case: Case) -> float:
    """Return for how many hours the site's level lies between the ones before and after it, as under a clear sky."""
    level, at = _log_level(case, STRONG_LIGHT), case.day.positions
    beside = np.abs(level[1:-1] - (level[:-2] + level[2:]) / 2) < SMOOTH
    return float((beside & (at[2:] - at[:-2] == 2)).sum()) * case.day.interval_hours


def fits_clear(told: ToldLevel | None, clear: ClearLevel) -> bool:
    """Return whether the light on all planes has a clear sky's beam, and fits a low level better than a usual one."""
    if told is None or not _in_any_air(told):
        return False
    by_fit = clear.hours >= LONG_COVER_H and min(told.sure, told.in_any_air) >= FITS_BEAM
    return told.clear_h >= TOLD_CLEAR_H or by_fit


def _stands_higher(case: Case, clear: ClearLevel) -> bool:
    """Return whether the site stood so much higher in other hours that its level is another: these were haze's."""
    half_hour = max(STRETCH_MINUTES // case.day.grid.interval_min, 1)
    level = np.exp(_log_level(case, HIGH_SUN))
    means = np.convolve(level, np.full(half_hour, 1 / half_hour), "valid")
    higher = means > max(LOW, clear.level * (1 + APART))
    return float(higher.sum()) * case.day.interval_hours >= HIGHER_H


def _some_are_usual(case: Case, low: ClearLevel, said: Said) -> bool:
    """Return whether several like units give what is usual: then the others are low, be they the most.

    Under a clear sky, or a measured one, all planes are held against one another while their own light is strong: one
    with its back to the sun shows how bright the sky is. Clouds are unlike for each.
    """
    clouds = said in (_of_gaps, _of_fit)
    due = np.nan_to_num(case.day.for_units(list(case.agreed_wh if clouds else _unlimited_wh(case))))
    of_rating = due / case.day.rated_wh[:, None]
    heard = case.heard & low.where & (clouds | (of_rating > STRONG_LIGHT * of_rating.max(initial=0.0)))
    made, due = (np.where(heard, np.nan_to_num(x), 0.0).sum(axis=1) for x in (case.measured_wh, due))
    share = made / np.maximum(due, 1e-9)
    level = share * low.level / max(float(np.median(share[due > 0])), 1e-9) if (due > 0).any() else share
    usual = level > max(LOW, low.level * (1 + APART))
    counts = [(usual[list(g.members)].sum(), len(g.members)) for g in case.day.groups]
    return any(n >= max(SEVERAL, SHARE_OF_LIKE * of) for n, of in counts)


def told_level(case: Case) -> ToldLevel | None:
    """Return what the light tells of the site; a measured sky tells more."""
    return case.alignment.level if case.source == "array" else None


def _fits_low_only(case: Case, told: ToldLevel, longest_min: int = LONGEST_INTERVAL_MIN) -> bool:
    """Return whether the light between clouds fits a low level far better than a usual one."""
    interval_min = case.day.grid.interval_min
    if told.beam_h < TOLD_SUN_H or told.in_any_air <= 0:
        return False
    if told.days >= DAYS:  # at the lowest level clouds alone may be what fits
        return interval_min <= longest_min and _is_sure(told) and told.level > LEVELS[0]
    by_far = told.sure >= FAR_SURER * SURE_IN_GAPS
    if told.level_veiled < CLOSED_COVER and not by_far:
        return False
    bright = _by_brightest(case, told)
    if interval_min > LONGEST_INTERVAL_MIN:
        able = interval_min <= LONGER_MIN and bright > 0
        return able and _is_sure(told) and told.veiled + bright >= SURE_IN_LONGER
    nearly = told.sure >= NEARLY_SURE_IN_GAPS and told.veiled + bright >= SURER_OF_DAY
    return nearly or (_is_sure(told) and told.veiled + bright >= SURE_OF_DAY)


def _by_brightest(case: Case, told: ToldLevel) -> float:
    """Return the log-likelihood of the low level that is told over a usual one by the site's brightest intervals.

    Minus infinity where no clouds pass: a closed cover's are as bright as it is thin.
    """
    log_level = _log_level(case, HIGH_SUN, gaps=True)
    read = log_level[np.isfinite(log_level)]
    if not clouds_pass(read):
        return -np.inf
    low, brightest = np.log(told.level_veiled), float(np.quantile(read, TOP)) - np.log(BY_CLOUDS)
    return float(low * (brightest - low / 2)) / BRIGHTEST_SPREAD**2


def best_hour_is_short(case: Case) -> bool:
    """Return whether even the site's best hour is a tenth short of the model's lower bound, and no cloud explains it.

    In long intervals clouds fit a low level as well as a low site does, and a site held to one power may never show
    how much higher it goes, so that no cause can be told; that it makes what it should is not proven, either.
    """
    units = np.array([[len(group.members)] for group in case.day.groups])
    clear_wh = case.clear_wh[[group.members[0] for group in case.day.groups]]
    told = np.isfinite(case.agreed_wh)
    made, due = (np.where(told, x * units, 0.0).sum(axis=0) for x in (case.agreed_wh, clear_wh))
    best = max(MINUTES_AN_HOUR // case.day.grid.interval_min, 1)
    top = float(np.sort(made)[-best:].mean()) if len(made) else 0.0
    if case.source != "array" or top <= 0 or top >= SHORT * float(np.sort(due)[-best:].mean()):
        return False
    return _shines_on_a_low_site(case) or _stands_still(case, np.abs(made / top - 1) < SAME_TOP, due)


def _shines_on_a_low_site(case: Case) -> bool:
    """Return whether the light on all planes has much sun, and fits a low level far better than a usual one."""
    told = told_level(case)
    if told is None or not _fits_low_only(case, told, longest_min=MINUTES_AN_HOUR):
        return False
    return told.days >= DAYS and told.beam_h >= BEAM_A_DAY_H * told.days


def _stands_still(case: Case, at_top: BoolArray, due: FloatArray) -> bool:
    """Return whether the site stands at its top (D,) for hours on several days while the clear sky's light varies."""
    days = len(np.unique(case.day.positions[at_top] * case.day.grid.interval_min // (24 * 60)))
    hours = float(at_top.sum()) * case.day.interval_hours
    varies = bool(at_top.any()) and due[at_top].max() > NOON * due[at_top].min()
    return days >= DAYS and hours >= STANDING_H and varies


def _by_fit(case: Case, told: ToldLevel, hours: float, other: ClearLevel | None) -> ClearLevel:
    """Return the level that fits so many hours, or the `other` one that gaps or flat hours have."""
    where = np.isfinite(_log_level(case, HIGH_SUN, gaps=True))
    near = other is not None and other.level < LOW and abs(other.level - told.level) <= SAME_LEVEL
    return ClearLevel(other.level if other and near else told.level, hours, told.days, where)


@once
def between_clouds(case: Case) -> ClearLevel | None:
    """Return the site's own level in the gaps of passing clouds."""
    return sun_level(_log_level(case, HIGH_SUN, gaps=True), case.day.positions, case.day.grid.interval_min)


def _sun_of_days(case: Case) -> ClearLevel | None:
    """Return the site's own level in quarters of an hour of sun between passing clouds, of several days together."""
    log_level = _log_level(case, HIGH_SUN, gaps=True)
    return sun_level_of_days(log_level, case.day.positions, case.day.grid.interval_min)


@once
def clear_level(case: Case) -> ClearLevel | None:
    """Return the site's own level where its sky was cloudless, None where it never was."""
    found = flat_level(_log_level(case, STRONG_LIGHT), case.day.positions, case.day.grid.interval_min)
    return found if found and found.level >= IMPOSSIBLE else None


@once
def level_as_measured(case: Case) -> ClearLevel | None:
    """Return the site's own level by a measured sky."""
    return measured_level(_log_level(case, STRONG_LIGHT), case.day.positions, case.day.grid.interval_min)


def _at_limit(total: FloatArray, due: FloatArray, least_rise: float) -> BoolArray:
    """Return where the site may stand at a common limit, (D,): at its top, while the clear sky rises so much."""
    share = total / max(float(np.quantile(total, 0.99)), 1e-9) if len(total) else total
    light = due[(share >= STANDING) & (due > 0)]
    rises = light.max(initial=0.0) > least_rise * light.min(initial=np.inf)
    return np.asarray((share >= BELOW_TOP) & rises)


def _log_level(case: Case, strong: float, *, gaps: bool = False) -> FloatArray:
    """Return the log of the site's output over the clear sky's, or the measured one's, (D,), NaN where unread.

    It is read from light that is `strong`, as a share of the window's highest; in `gaps` of clouds below all limits,
    where brightened light is cut off and dark is not.
    """
    day, agreed = case.day, case.agreed_wh
    told = np.isfinite(agreed) & (agreed < _limits_wh(case)) & ~_shaded(case) & curtailed.most_live(case)
    clear = _unlimited_wh(case)
    told &= (clear < _limits_wh(case)) | (not gaps)
    units = np.array([[len(group.members)] for group in day.groups]) * told
    made, due = (np.where(told, agreed, 0.0) * units).sum(axis=0), (clear * units).sum(axis=0)
    limited = _at_limit(np.nansum(case.measured_wh, axis=0), due, 1.0 if gaps else NOON)
    use = (due > strong * due.max(initial=0.0)) & (made > 0) & ~limited
    share = np.divide(made, due, out=np.full(len(made), np.nan), where=use)
    return floats(np.log(share))


def _limits_wh(case: Case) -> FloatArray:
    """Return the energy at which each group's inverters stand at their limit, Wh, (G, 1)."""
    return AT_LIMIT * np.array([[g.inverter.ac_rated_w * case.day.interval_hours] for g in case.day.groups])


@once
def _unlimited_wh(case: Case) -> FloatArray:
    """Return what a unit of each group would make under the clear sky, or the measured one, Wh, (G, D).

    Its inverter's limit is left out: what a low site makes is below it, though the record's site would stand there.
    """
    day = case.day
    first = [g.members[0] for g in day.groups]
    if case.source == "measured":
        made, dc_wh = case.stated.energy_wh[first], case.stated.dc_wh[first]
    else:
        made = case.clear_wh[first]
        dc_wh = np.stack([day.gather(day.power(g, day.clear).dc_w) for g in day.groups])
    rated = np.array([[g.inverter.efficiency] for g in day.groups]) * dc_wh
    return np.where(made < _limits_wh(case), made, np.maximum(made, rated))


def _shaded(case: Case) -> BoolArray:
    """Return where each group is known to be in shade, (G, D)."""
    hidden = np.zeros((len(case.day.groups), len(case.day.positions)), dtype=bool)
    for shade in case.shades:
        hidden[[g.plane.name == shade.plane for g in case.day.groups]] |= shade.where
    return hidden


def _finding(
    case: Case, clear: ClearLevel, said: Callable[[ClearLevel, Quantity], Sentence], most_sure: float
) -> Finding:
    first, last = case.first_and_last(clear.where)
    made = float(np.nansum(case.measured_wh))
    lost = made * (1 / clear.level - 1)
    sure = 0.6 + 2.0 * (LOW - clear.level) + 0.05 * min(clear.days, 4)
    return Finding(
        cause="site_low",
        serials=(),
        confidence=round(min(most_sure, sure), 2),
        evidence=said(clear, energy(lost)),
        advice=sentence(
            "Compare the modules' rating plates with the record first, then look for film, dust or a cover on all "
            "modules, from a safe stand."
        ),
        first_seen=first,
        last_seen=last,
        lost_wh=round(lost, 1),
        details={"factor": round(clear.level, 3)},
    )


def _of_clear_hours(clear: ClearLevel, lost: Quantity) -> Sentence:
    return counted_sentence(
        "In %(time)s of cloudless light the whole site made %(level)s of what record and clear-sky model let "
        "expect, beyond the model's band of 10 %%; missing: %(lost)s.",
        "In %(time)s of cloudless light on %(num)s days the whole site made %(level)s of what record and clear-sky "
        "model let expect, beyond the model's band of 10 %%; missing: %(lost)s.",
        clear.days,
        time=duration(60 * clear.hours),
        level=percent(clear.level),
        lost=lost,
    )


def _of_measured_light(clear: ClearLevel, lost: Quantity) -> Sentence:
    return sentence(
        "In %(time)s of measured light the whole site made %(level)s of what it and the record let expect, beyond the "
        "model's band of 10 %%; missing: %(lost)s.",
        time=duration(60 * clear.hours),
        level=percent(clear.level),
        lost=lost,
    )


def _of_a_clear_day(clear: ClearLevel, lost: Quantity) -> Sentence:
    return joined(
        _of_clear_hours(clear, lost),
        sentence(" Dust or haze in the air may look like it for a day: another clear day decides."),
    )


def _within_the_band(clear: ClearLevel, lost: Quantity) -> Sentence:
    return sentence(
        "In %(time)s of cloudless light the whole site made %(level)s of what record and clear-sky model let expect, "
        "within the model's band of 10 %%; yet the light on all planes fits a low level far better than a usual one; "
        "missing: %(lost)s. Another clear day decides.",
        time=duration(60 * clear.hours),
        level=percent(clear.level),
        lost=lost,
    )


def _of_gaps(clear: ClearLevel, lost: Quantity) -> Sentence:
    return counted_sentence(
        "In %(time)s of sun between passing clouds the whole site made %(level)s of what record and clear-sky model "
        "let expect, the light that clouds add allowed for; missing: about %(lost)s.",
        "In %(time)s of sun between passing clouds on %(num)s days the whole site made %(level)s of what record and "
        "clear-sky model let expect, the light that clouds add allowed for; missing: about %(lost)s.",
        clear.days,
        time=duration(60 * clear.hours),
        level=percent(clear.level),
        lost=lost,
    )


def _of_fit(clear: ClearLevel, lost: Quantity) -> Sentence:
    return sentence(
        "In %(time)s of sun between passing clouds the light on all planes fits a sky only at about %(level)s of what "
        "record and clear-sky model let expect; missing: about %(lost)s. Thin cloud behind the others could look like "
        "it: a clear day decides.",
        time=duration(60 * clear.hours),
        level=percent(clear.level),
        lost=lost,
    )
