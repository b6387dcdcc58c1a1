"""A common limit on the site's total power: an export limit or the network operator's order.

Reasoning: the sum of all units stands at one level while the light goes on changing; a clear noon is flat too, but
there the light is as flat as the power, and single inverters at their rating are `clipping` (the sum then stands at
the sum of the ratings). A limit may be handed on to the units, each of which then stands at its share of it: where
the sum shows none, what most units of each plane make is looked at, too. A real roof's noon may be flatter than its
model: a limit is come to with a corner, where every round top bends, or it is come back to between clouds, or it holds
while the light changes by more than any top flattens, or the values crowd at an edge that the light of the day's weaker
hours, in the stronger ones, would have passed. Signs that each fall short of that are weighed together
(`limit_odds.py`). IEC TS 61724-2 calls such operation constrained and keeps it out of a unit's judgement: the units
share the limit, so that no one of them is low.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from service.expect.grid import IntArray
from service.verify.case import BoolArray, Case, once
from service.verify.causes.wording import duration, number
from service.verify.inputs import FloatArray
from service.verify.limit_odds import (
    INDEPENDENT_MINUTES,
    LEAST_CHANGE,
    LIKELIER,
    STRONG_LIGHT,
    DayPower,
    LimitSigns,
    limit_signs,
)
from service.verify.odds import probability
from service.verify.result import Finding
from service.verify.sentence import Sentence, sentence

FLATNESS = 0.012
"""Relative distance from the limit within which the site counts as standing at it."""

LEAST_OF_SEVERAL_DAYS = 90
"""Minutes in all that a limit must hold in a window of several days, each of which is another chance to stand still
for LEAST_MINUTES: of 4560 simulated weeks (`tests/bench/fleet`) four without a limit stood for 60 to 80, of 68 at one
that is told one for 80 and the others for 170 and more."""

LEAST_MINUTES, LEAST_READINGS = 60, 4
LEAST_LIGHT_CHANGE = 0.10
"""How much the clear-sky power must change, relative, while the site's stands still."""

LIGHT_CHANGE_IF_STILL, STILLER = 0.05, 20.0
"""The same where the light changes so many times more than the power's standard deviation: the flattest real top falls
by a third of what the light does (`skyfit.BENDS`), whose deviation is a tenth of the light's change."""

LEAST_LEVEL, LEAST_EDGE, BELOW_RATING = 0.08, 0.25, 0.93
"""Shares of the ratings from which a stand and an edge are looked for, and up to which: weak light has its own edges,
but of 800 days and 80 weeks (`tests/bench/fleet`, `stranger`, `roofs`) none stood still below a quarter of its ratings
but two days of real roofs that were held to 0.12 and 0.16; the first is told."""

BRIGHT_BESIDE, LONG_IN_DULL_LIGHT = 0.5, 180
"""Share of the clear sky's light in the hours that a stand below LEAST_EDGE does not touch, from which it is no cover
that stays as dull, and the minutes from which it is none, however dull they are (our choice): of 300 simulated weeks of
another engine (not kept) one without a limit stood so for two hours and a quarter, in a seventh of the clear sky's
light; a real roof that was held to 0.12 did for three and a half."""

ABOVE_SHARE, WEAKEST_LIGHT = 0.01, 0.1
CROWDING, CROWDING_OF_RETURNS = 3.0, 4.0
"""How many times more intervals must be at the limit than in an equal band just below it: in a round top 2.4 times."""

MUCH_LIGHT_CHANGE, HELD_READINGS = 0.25, 6.0
"""Change of the clear-sky power, relative, and independent readings (INDEPENDENT_MINUTES) at one level from which it
is a limit, however it is come to: no round top is so flat, since real outputs fall short by a tenth at most over so
much light (`skyfit.BENDS`), and no cloud keeps to the sun's course. Of 1422 simulated days and 842 weeks without a
limit (`tests/bench/fleet`) one day had more than 4 such readings, 4.5; limits that no corner showed had 6 to 10."""

UNBROKEN = 0.75
"""Share of the time from the first to the last at the limit from which it is one stand, not returns between clouds."""

SHARP = 4.0
"""How many times more the power must be away beside a stand than at a round top that is as flat; a real roof's level
noon has twice (SERF East on 2016-10-04, tests/reference/open_data.py)."""

ROUND_TOP = 0.583 * 2
"""Mean distance of a parabola from its top value beyond the span in which it stays within a band, over a quarter of
the span on one side, in relative half widths of the band: the mean of x^2 - 1 for x from 1 to 1.5, times two."""

MOST_BY_RATINGS = 0.5
"""Share of the units from which too many stand at their inverters' own limit: of two one may be capped beside it."""

MOSTLY_WHOLE = 0.5
"""Share of the time from which the intervals in which every live unit was heard are looked at alone, too."""

MOST_LIVE = 0.5
"""Share of the ratings of all units that are heard which must live for the site to be spoken of: what fewer give hardly
reaches a limit on all, and one of eight that stands still has a reason of its own."""

RETURNS, READINGS_OF_RETURNS = 3, 8
"""Least number of separate stands at one limit, and of readings in them all, that broken cloud does not make."""

EDGE_FROM, EDGE_NOISES, EDGE_RETURNS, DIP = 0.85, 1.5, 4, 0.9
"""Quantile from which an edge is looked for, its width in standard deviations, and how often the power must come back
to it from below such a share of it: a closed cover that wanders stood at its top for 8 readings, in three stands, and
the noise of few units parts a clear noon, but not so deeply."""

WEAK_LIGHT = (0.3, 0.95)
"""Clear-sky power over the edge's level of the hours that it does not touch; above STRONG_LIGHT it would be passed."""

WEAK_READINGS, PASSED = 5, 3.0
"""Least readings in weak light, and the negative log of the probability, by their shares of the clear sky's, that the
edge was never passed."""

SURELY_PASSED = 0.98
STOPPED, STOPPED_PER_DAY, STOPPED_OF_DUE = 2.0, 0.1, 0.2
"""Least number of such readings in strong light that stand at an edge, what each further day of the window adds to it,
and their share of those that would have passed it: what a limit holds back is at it, what a darker sky does anywhere
below. Of 1430 simulated days under clouds without a limit (`tests/bench/fleet`) one that comes back four times had 1.75
and 0.13, of 240 weeks two had 2.25 on one day; limits of weeks that show by an edge alone 4.5."""

LEVEL_NOISES, WIDTHS, WIDEST = 2.0, (0.002, FLATNESS / 2, FLATNESS), 2 * FLATNESS
"""Width of a level that is weighed, in standard deviations: with so many a normal one leaves out one of twenty; those
tried, if not narrower; and the widest: in a wider one what goes to and fro by a few percent stands, too."""

SURE = 0.9
"""Confidence of a limit that one sign proves; one that all together make likely has its probability, and no more."""

MOST_BY_ONE = 0.5
"""Share of the readings at a weighed level at most during which one group alone stands still at its own."""

READING_NOISE = 0.01
"""Relative noise of one unit's reading (from memory)."""

MODEL_BAND = 1.1
"""How far a site may be above its clear-sky model (see `site_low`)."""

LONGER_THAN_A_TOP = 120
"""Minutes in all for which a level within that band of the clear sky's own must hold: a round top stays within the band
around it while the sun goes through 2 arccos(1 - 2 FLATNESS), 25 degrees or 100 minutes, and clouds may cut corners
into it (SERF East on 2013-03-19 stood for 90). Of 95 simulated days and weeks with a limit (`tests/bench/fleet`) eight
are so near, for 135 and more."""

TOPS_APART = 2
"""How many times longer where planes face apart: one may come to its top as another leaves its own, and their sum is
level through both. A healthy roof of another engine that faces east and west stood for 160 minutes; of 4800 simulated
days and as many weeks without a limit (`tests/bench/fleet`, `stranger`) none did, five at a limit 300 and more."""

REGISTER_NOISE, REGISTER_SPREAD = FLATNESS / 2, 0.41
"""Relative noise that the register's step may leave, and the standard deviation of the difference of two floors in
steps: intervals are put together until it is less."""

NEAR_TOP, SPREAD, SPREAD_NOISES = 1.25, FLATNESS / 2, 1.5
"""Clear-sky power over a level up to which an uneven noon may look held there by all signs together, and what readings
at a limit may differ by (relative standard deviation), or so many times the noise of their sum. Spread evenly over the
band they differ by FLATNESS / sqrt(3); noons between clouds had 0.8 to 0.9 % (SERF East, tests/reference/open_data.py),
66 days at limits in intervals that were not put together 0.65 % at most (`tests/bench/fleet`); two of 400 weeks under
covers that change slowly (our own physics, not kept) stood so with 0.7 %, two and three times their noise."""

BY_STEPS = 2.8
"""How many times that noise the intervals that are put together may differ at a limit, which none of them passes: under
limits they differed by up to 2.5, where clouds alone gave means alike by 3.1 and more (`tests/bench/fleet`)."""

ONE_STEP, COARSEST = 0.9, 0.125
"""Share of a unit's readings that are one value from which it stands within a step of its register, and the widest such
step, over the value, at which a stand of units that all do is told: values that are cut stand still together while the
light goes to and fro within the step. Of 1500 simulated days and weeks of another engine (not kept) four sites without
a limit stood so at three or four steps, under covers, for two to five hours."""


@dataclass(frozen=True)
class _Limit:
    """A limit as a share of the ratings, and when it held, (D,); of the total, or of `each` unit."""

    share: float
    at_limit: BoolArray
    each: bool = False
    confidence: float = SURE


@dataclass(frozen=True)
class _Power:
    """Power and clear-sky power over the ratings of the units in `rows`, (D,), NaN in weak light, the register's noise.

    `step_noise` is over the ratings, too; `whole` (D,) is where all live units were heard, `out` (D,) how many of them
    gave nothing. The sum of planes that `face_apart` is level by itself for hours, while one falls and another rises.
    """

    share: FloatArray
    clear: FloatArray
    whole: BoolArray
    out: IntArray
    rows: list[int]
    step_noise: float
    face_apart: bool = False

    @property
    def units(self) -> int:
        """Return how many units these are."""
        return len(self.rows)


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return the finding for a site that stands at a limit."""
    limit = _limit(case)
    return [_finding(case, limit)] if limit else []


def held(case: Case) -> BoolArray:
    """Return when the site stood at a limit, (D,)."""
    limit = _limit(case)
    return limit.at_limit if limit else np.zeros(len(case.day.positions), dtype=bool)


@once
def _limit(case: Case) -> _Limit | None:
    """Return the limit and when the site stood at it, day by day: it may hold on some days only."""
    if case.source == "clear_sky":
        return None
    return bounded(case) or _likelier_limit(case)


def bounded(case: Case) -> _Limit | None:
    """Return the limit that one sign alone proves."""
    return _limit_of(case, _whole_site(case)) or _limit_of_each(case)


def _likelier_limit(case: Case) -> _Limit | None:
    """Return the limit that is likelier than none by all that its level shows together.

    Near the clear sky's own level the readings must be alike, and those of one stand last longer than a top does; the
    total's stand must not be that of one plane.
    """
    signs = signs_of(case)
    if signs is None or signs.log_odds < LIKELIER or signs.change < LEAST_CHANGE:
        return None
    power = _whole_site(case)
    far_beyond = power.clear[signs.at].max() > NEAR_TOP * float(power.share[signs.at].mean())
    if not (far_beyond or _is_steady(power, signs.at.reshape(-1, 1))) or any(
        limit.at_limit[signs.at].mean() > MOST_BY_ONE for limit in _limits_of_groups(case) if limit
    ):
        return None
    at_limit = np.zeros(len(case.day.positions), dtype=bool)
    at_limit[signs.at] = True
    limit = _Limit(signs.level, at_limit, confidence=round(min(probability(signs.log_odds), SURE), 2))
    return None if signs.returns == 1 and _may_be_top(case, power, limit, band=NEAR_TOP) else limit


def signs_of(case: Case) -> LimitSigns | None:
    """Return what the total's most crowded level shows, of all known intervals or of those where all were heard.

    Nothing if the register leaves no level narrow enough.
    """
    power = _whole_site(case)
    known = np.isfinite(power.share)
    by_noise = math.hypot(_noise(power), READING_NOISE / math.sqrt(power.units))
    narrowest = LEVEL_NOISES * by_noise
    if narrowest > WIDEST:
        return None
    widths = [max(narrowest, width) for width in WIDTHS]
    found: list[LimitSigns] = []
    for told in (known & power.whole, known):
        places = [np.flatnonzero(stretch & told) for stretch in _stretches(_solar_days(case), power)]
        days = [DayPower(power.share[at], power.clear[at], at) for at in places]
        signs = limit_signs(
            days, widths=widths, minutes=case.day.grid.interval_min, levels=(LEAST_EDGE, BELOW_RATING)
        )
        found += [signs] if signs else []
    return max(found, key=lambda signs: signs.measures["crowd_in_change"], default=None)


def _limit_of_each(case: Case) -> _Limit | None:
    """Return the limit that was handed on to the units, each of which stands at the same power or share of its rating.

    Planes that face apart come to it at other times, so that their sum goes on changing. None of them passes it. Where
    all units are alike their sum shows it.
    """
    found = _limits_of_groups(case)
    if not any(found):
        return None
    powers = [_of_group(case, number) for number in range(len(found))]
    rated = case.day.rated_wh[[group.members[0] for group in case.day.groups]]
    for of in (np.ones(len(powers)), rated):
        if _is_of_all(found, powers, of):
            limits = [(limit, limit.share * each) for limit, each in zip(found, of, strict=True) if limit]
            at_limit = np.any([limit.at_limit for limit, _ in limits], axis=0)
            units = np.array([power.units for power in powers])
            share = (
                np.median([level for _, level in limits]) * (units * rated / of).sum() / (units * rated).sum()
            )
            return _Limit(float(share), np.asarray(at_limit), each=True)
    return None


@once
def _limits_of_groups(case: Case) -> list[_Limit | None]:
    """Return the limit that each group stands at, if any; of a site's only group its sum tells."""
    numbers = range(len(case.day.groups))
    return [_limit_of(case, _of_group(case, number)) for number in numbers] if len(numbers) > 1 else []


def _is_of_all(found: Sequence[_Limit | None], powers: Sequence[_Power], of: FloatArray) -> bool:
    """Return whether the limits that groups stand at are one, as shares `of` (G,), which no group passes.

    Where several stand at it a register's step puts none above it.
    """
    levels = [limit.share * each for limit, each in zip(found, of, strict=True) if limit]
    if not levels or max(levels) > min(levels) * (1 + 2 * FLATNESS):
        return False
    steps = 1 if len(levels) > 1 else 0
    return not any(_passes(power, max(levels) / each, steps) for power, each in zip(powers, of, strict=True))


def _passes(power: _Power, level: float, steps: int) -> bool:
    """Return whether a power often stands above a level by more than so many steps of its register."""
    known = power.share[np.isfinite(power.share)]
    most = level * (1 + 2 * FLATNESS) + steps * power.step_noise / REGISTER_SPREAD
    return bool(len(known)) and float((known > most).mean()) > ABOVE_SHARE


def _limit_of(case: Case, power: _Power) -> _Limit | None:
    noise = _noise(power)
    size = _block_size(case, noise)
    sizes = (size, 2 * size) if size > 1 else (size,)
    width = max(FLATNESS, EDGE_NOISES * math.hypot(noise, READING_NOISE / math.sqrt(power.units)))
    days = _solar_days(case)
    stopped = STOPPED + STOPPED_PER_DAY * (len(days) - 1)
    found = [
        limit
        for at in _stretches(days, power)
        if (limit := _limit_on(case, power, at, sizes) or _edge_on(case, power, at, width, stopped))
        and not (limit.share < LEAST_EDGE and _may_be_low_light(case, power, limit, at))
    ]
    if not found:
        return None
    at_limit = np.asarray(np.any([limit.at_limit for limit in found], axis=0))
    limit = _Limit(float(np.median([limit.share for limit in found])), at_limit)
    by_chance = len(days) > 1 and at_limit.sum() * case.day.grid.interval_min < LEAST_OF_SEVERAL_DAYS
    return None if by_chance or _may_be_top(case, power, limit) else limit


def _may_be_low_light(case: Case, power: _Power, limit: _Limit, stretch: BoolArray) -> bool:
    """Return whether a stand in a stretch of a day may be the round top of a low sun behind a veil, or a cover.

    Under a cover the hours that a limit does not touch are dull, too.
    """
    weak = stretch & (power.clear < WEAK_LIGHT[1] * limit.share)
    bright = weak.any() and float(np.median(power.share[weak] / power.clear[weak])) >= BRIGHT_BESIDE
    long = limit.at_limit.sum() * case.day.grid.interval_min >= LONG_IN_DULL_LIGHT
    return not (bright or long) or _may_be_top(case, power, limit, NEAR_TOP)


def _may_be_top(case: Case, power: _Power, limit: _Limit, band: float = MODEL_BAND) -> bool:
    """Return whether a limit is near the clear sky's own level, and stood at for no longer than a top lasts.

    `band` is how far below that a top may be: a thin veil takes more than the model errs.
    """
    minutes = limit.at_limit.sum() * case.day.grid.interval_min
    near_top = power.clear[limit.at_limit].max() < band * limit.share
    least = TOPS_APART * LONGER_THAN_A_TOP if power.face_apart else LONGER_THAN_A_TOP
    return bool(near_top and minutes < least)


def _limit_on(case: Case, power: _Power, day: BoolArray, sizes: tuple[int, ...]) -> _Limit | None:
    """Return the limit of one stretch of a day, with so many intervals put together as it first shows with."""
    told = np.flatnonzero(day & np.isfinite(power.share))
    whole = told[power.whole[told]]
    for known, size in product((told, whole) if len(whole) < len(told) else (told,), sizes):
        at = known[: len(known) // size * size].reshape(-1, size)
        means = power.share[at].mean(axis=1), power.clear[at].mean(axis=1)
        limit = _limit_in(*means, size * case.day.grid.interval_min)
        if limit is None or not _is_steady(power, at[limit.at_limit]):
            continue
        if _is_beyond_a_step(case, power, at[limit.at_limit].ravel()):
            where = np.zeros(power.share.shape, dtype=bool)
            where[at[limit.at_limit]] = True
            return _Limit(limit.share, where)
    return None


def _is_steady(power: _Power, at: IntArray) -> bool:
    """Return whether readings at a limit, put together in (blocks, size), differ no more than noise makes them.

    What was put together differs by the register's steps alone.
    """
    share = power.share[at]
    level = float(share.mean())
    if at.shape[1] > 1:
        return float(share.std()) <= BY_STEPS * power.step_noise
    noise = math.hypot(power.step_noise / level, READING_NOISE / math.sqrt(power.units))
    return float(share.std()) <= level * max(SPREAD, SPREAD_NOISES * noise)


def _is_beyond_a_step(case: Case, power: _Power, at: IntArray) -> bool:
    """Return whether light changes at a limit by more than a step of the register hides, if all units stand in one."""
    readings = case.measured_wh[power.rows][:, at]
    readings = readings[np.isfinite(readings).any(axis=1)]
    alike = np.nanmean(readings == np.nanmedian(readings, axis=1, keepdims=True), axis=1)
    if not case.resolution_wh or np.median(alike) < ONE_STEP:
        return True
    step = case.resolution_wh / float(np.nanmedian(readings))
    low, high = np.quantile(power.clear[at], [0.1, 0.9])
    return bool(step <= COARSEST and high > low * (1 + LEAST_LIGHT_CHANGE + step))


def _edge_on(case: Case, power: _Power, day: BoolArray, width: float, stopped: float) -> _Limit | None:
    """Return the limit of a stretch of a day whose power ends at an edge, though light beyond it must have come."""
    known = np.flatnonzero(day & np.isfinite(power.share))
    limit = _edge_in(power.share[known], power.clear[known], case.day.grid.interval_min, width, stopped)
    if limit is None:
        return None
    where = np.zeros(power.share.shape, dtype=bool)
    where[known[limit.at_limit]] = True
    return _Limit(limit.share, where)


def _edge_in(
    power: FloatArray, clear: FloatArray, minutes: int, width: float, stopped: float
) -> _Limit | None:
    """Return the edge of one day's known shares of the ratings (N,) within a relative `width`.

    At least so many of them must be `stopped` at it.
    """
    tried = np.sort(power)[int(EDGE_FROM * len(power)) :]
    tried = tried[tried > 0]
    if not len(tried):
        return None
    near = np.abs(power / tried[:, None] - 1) <= width
    passed = (power > tried[:, None] * (1 + 2 * width)).mean(axis=1) > ABOVE_SHARE
    best = int(np.where(passed, 0, near.sum(axis=1)).argmax())
    level, at_limit = float(tried[best]), near[best]
    marked = at_limit[at_limit | (power < DIP * level)]
    returns = int((np.diff(marked.astype(int), prepend=0) == 1).sum())
    below = int((np.abs(power / (level * (1 - 3 * width)) - 1) <= width).sum())
    comes_back = returns >= EDGE_RETURNS and at_limit.sum() > below
    if passed[best] or not comes_back or not LEAST_EDGE <= level <= BELOW_RATING:
        return None
    strong = clear > STRONG_LIGHT * level
    passing = _passing(power, clear, strong, level, level * (1 + 2 * width))
    held = _is_held(int(at_limit[strong].sum()), passing, minutes, stopped)
    return _Limit(level, at_limit) if held else None


def _passing(
    power: FloatArray, clear: FloatArray, strong: BoolArray, level: float, edge: float
) -> FloatArray:
    """Return how likely the intervals of strong light, as clouded as a day's weak light, would have passed an edge."""
    weak = (clear > WEAK_LIGHT[0] * level) & (clear < WEAK_LIGHT[1] * level)
    if weak.sum() < WEAK_READINGS:
        return np.zeros(1)
    share = power[weak] / clear[weak]
    return np.asarray((share[:, None] > edge / clear[strong]).mean(axis=0))


def _is_held(stopped: int, passing: FloatArray, minutes: int, least: float) -> bool:
    """Return whether some readings would surely have passed an edge, and enough for them stand at it."""
    independent = min(minutes / INDEPENDENT_MINUTES, 1.0)
    told = -float(np.log1p(-np.minimum(passing, SURELY_PASSED)).sum()) * independent
    enough = stopped * independent >= least and stopped >= STOPPED_OF_DUE * float(passing.sum())
    return told >= PASSED and enough


def _step_noise(case: Case, units: Sequence[int]) -> float:
    """Return the noise that the register's steps leave in the power of some units, over their ratings."""
    rated = case.day.rated_wh[list(units)]
    return float(REGISTER_SPREAD * case.resolution_wh * math.sqrt(len(rated)) / rated.sum())


def _noise(power: _Power) -> float:
    """Return the register's noise relative to high power."""
    known = np.isfinite(power.share)
    high = float(np.quantile(power.share[known], 0.9)) if known.any() else 0.0
    return power.step_noise / high if high > 0 else 0.0


def _block_size(case: Case, noise: float) -> int:
    """Return how many intervals are put together for the register's relative `noise` not to hide the limit."""
    blocks = math.ceil(noise / REGISTER_NOISE)
    return max(1, min(blocks, LEAST_MINUTES // case.day.grid.interval_min))


def _solar_days(case: Case) -> list[BoolArray]:
    """Return the daylight intervals of each day from solar midnight on."""
    grid = case.day.grid
    days = (grid.start.timestamp() + 60 * grid.interval_min * case.day.positions) / (24 * 3600)
    solar = np.floor(days + case.day.site.longitude / 360)
    return [np.asarray(solar == day) for day in np.unique(solar)]


def _stretches(days: Sequence[BoolArray], power: _Power) -> list[BoolArray]:
    """Return the intervals of each of some days in which as many units gave nothing.

    One that comes back while the light falls lifts the sum to where it stood at noon.
    """
    return [day & (power.out == out) for day in days for out in np.unique(power.out[day])]


def _limit_in(power: FloatArray, clear: FloatArray, minutes: int) -> _Limit | None:
    """Return the limit of one day's known shares of the ratings (N,), each of so many minutes."""
    least = max(LEAST_MINUTES / minutes, LEAST_READINGS)
    if len(power) < least:
        return None
    level = _most_crowded(power)
    if not LEAST_LEVEL <= level <= BELOW_RATING:
        return None
    at_limit = np.asarray(np.abs(power / level - 1) <= FLATNESS)
    if at_limit.sum() < least:
        return None
    above = float((power > level * (1 + 2 * FLATNESS)).mean())
    below = float((np.abs(power / (level * (1 - 3 * FLATNESS)) - 1) <= FLATNESS).sum())
    low, high = np.quantile(clear[at_limit], [0.1, 0.9])
    still = STILLER * float(power[at_limit].std()) <= level * (high / low - 1)
    change = LIGHT_CHANGE_IF_STILL if still else LEAST_LIGHT_CHANGE
    changing = high > low * (1 + change) and MODEL_BAND * high > level
    crowding = float(at_limit.sum()) / max(below, 1.0)
    readings = float(at_limit.sum()) * min(minutes / INDEPENDENT_MINUTES, 1.0)
    much = crowding >= CROWDING and high > low * (1 + MUCH_LIGHT_CHANGE) and readings >= HELD_READINGS
    found = above <= ABOVE_SHARE and changing and (much or _stands(power, at_limit, level, crowding))
    return _Limit(level, at_limit) if found else None


def _stands(power: FloatArray, at_limit: BoolArray, level: float, crowding: float) -> bool:
    """Return whether the power stands at the level as at a limit: it comes to it with a corner, or again and again."""
    if _is_one_stand(at_limit):
        return crowding >= CROWDING and _beside(power, at_limit, level) >= SHARP * ROUND_TOP * FLATNESS
    returns = int((np.diff(at_limit.astype(int), prepend=0) == 1).sum())
    return returns >= RETURNS and at_limit.sum() >= READINGS_OF_RETURNS and crowding >= CROWDING_OF_RETURNS


def _of_group(case: Case, number: int) -> _Power:
    """Return what most units of a group made; units of their own kind, like a rating on record, are not among them."""
    units = case.day.groups[number].members
    rated, clear = case.day.rated_wh[units[0]], case.clear_wh[units[0]]
    lit = most_live(case) & (clear > WEAKEST_LIGHT * rated)
    agreed = np.where(lit, case.agreed_wh[number] / rated, np.nan)
    none_out = np.zeros(len(lit), dtype=int)
    return _Power(
        agreed, np.where(lit, clear / rated, np.nan), lit, none_out, list(units), _step_noise(case, units)
    )


def _whole_site(case: Case) -> _Power:
    """Return the live units' power and their clear-sky power, both over their ratings.

    Not while most stand at their ratings: beside some on another roof that are not, their sum looks like a limit below
    the sum of the ratings. A unit counts from its first energy to its last: beside a dead branch the ratings of the
    others look like a limit. What one that is not heard gave was held, too, and the others' share of their ratings is
    another: a stand is looked for without such intervals, too, unless they are most.
    """
    due = _due(case)
    live = case.heard & due
    rated = np.where(live, case.day.rated_wh[:, None], 0.0).sum(axis=0)
    power = np.where(live, case.measured_wh, 0.0).sum(axis=0)
    clear = np.where(live, case.clear_wh, 0.0).sum(axis=0)
    by_ratings = case.at_limit & live
    lit = (
        most_live(case)
        & (rated > 0)
        & (clear > WEAKEST_LIGHT * rated)
        & (by_ratings.sum(axis=0) < MOST_BY_RATINGS * live.sum(axis=0))
    )
    whole = lit & (case.heard | ~due).all(axis=0)
    unknown = np.full(rated.shape, np.nan)
    share = np.divide(power, rated, out=unknown.copy(), where=lit)
    return _Power(
        share,
        np.divide(clear, rated, out=unknown, where=lit),
        whole if whole.sum() >= MOSTLY_WHOLE * lit.sum() else lit,
        np.where(share >= LEAST_LEVEL, (live & (case.measured_wh <= 0)).sum(axis=0), 0),
        list(range(len(case.serials))),
        _step_noise(case, range(len(case.serials))),
        _face_apart(case),
    )


@once
def most_live(case: Case) -> BoolArray:
    """Return where so many units live that what they give is the site's, (D,)."""
    rated = case.day.rated_wh[:, None]
    heard = case.heard.any(axis=1, keepdims=True)
    return np.asarray((rated * _due(case)).sum(axis=0) >= MOST_LIVE * (rated * heard).sum())


def _due(case: Case) -> BoolArray:
    """Return where each unit lives, from its first energy to its last, (U, D)."""
    gives = case.measured_wh > 0
    begun = np.logical_or.accumulate(gives, axis=1)
    return np.asarray(begun & np.logical_or.accumulate(gives[:, ::-1], axis=1)[:, ::-1])


def _face_apart(case: Case) -> bool:
    """Return whether a plane is off its top, by more than the model errs, when another is at its own."""
    clear = np.stack([case.clear_wh[group.members[0]] for group in case.day.groups])
    at_tops = clear[:, clear.argmax(axis=1)]
    return bool((at_tops * MODEL_BAND < clear.max(axis=1)[:, None]).any())


def _is_one_stand(at: BoolArray) -> bool:
    """Return whether a day's readings at a level, (N,), are one stand."""
    where = np.flatnonzero(at)
    return bool(at[where[0] : where[-1] + 1].mean() >= UNBROKEN)


def _beside(power: FloatArray, at: BoolArray, level: float) -> float:
    """Return how far, as a share, the power is below a level beside where it stands there, on the nearer side."""
    where = np.flatnonzero(at)
    first, last = int(where[0]), int(where[-1])
    wide = max((last + 1 - first) // 4, 1)
    flanks = [power[max(first - wide, 0) : first], power[last + 1 : last + 1 + wide]]
    return min((float(1 - flank.mean() / level) for flank in flanks if len(flank)), default=0.0)


def _most_crowded(power: FloatArray) -> float:
    """Return the level near the top of the window at which the most values stand."""
    top = np.sort(power)[int(0.6 * len(power)) :]
    near = np.abs(top[None, :] - top[:, None]) <= FLATNESS * top[:, None]
    return float(np.median(top[near[int(near.sum(axis=1).argmax())]]))


def _finding(case: Case, limit: _Limit) -> Finding:
    first, last = case.first_and_last(limit.at_limit)
    minutes = float(limit.at_limit.sum() * case.day.grid.interval_min)
    total_w = limit.share * case.day.rated_wh.sum() / case.day.interval_hours
    return Finding(
        cause="curtailed",
        serials=(),
        confidence=limit.confidence,
        evidence=_of_each(limit, total_w, minutes) if limit.each else _of_total(limit, total_w, minutes),
        advice=sentence(
            "Ask whether an export limit is set or was ordered; if none should be, check the limiter's setting and its "
            "meter. No unit is to blame."
        ),
        first_seen=first,
        last_seen=last,
        lost_wh=None,
        details={"limit_w": round(total_w)},
    )


def _of_total(limit: _Limit, total_w: float, minutes: float) -> Sentence:
    return sentence(
        "The site's total stood at %(share)s %% of its ratings (about %(power)s kW) for %(time)s while the light "
        "went on changing, and never passed it.",
        share=number(100 * limit.share),
        power=number(total_w / 1000, 1),
        time=duration(minutes),
    )


def _of_each(limit: _Limit, total_w: float, minutes: float) -> Sentence:
    return sentence(
        "Each unit stood at its part of about %(power)s kW, %(share)s %% of all ratings, for %(time)s while the "
        "light went on changing, and none passed it.",
        share=number(100 * limit.share),
        power=number(total_w / 1000, 1),
        time=duration(minutes),
    )
