"""Whether all values of a site are off by one constant factor: a unit of measure mistaken for another.

Decides the factor only; the finding is written in `causes/unit_scale.py`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from service.expect.grid import BoolArray, IntArray
from service.verify.clear_level import CLEAR_HOURS, ClearLevel, flat_level
from service.verify.consensus import robust_sd
from service.verify.inputs import FloatArray
from service.verify.sentence import Quantity, term
from service.verify.sun_level import LONGEST_INTERVAL_MIN, clouds_pass

BRIGHT_LIMIT = 3.0
"""No sky lasts above this clear-sky index, not even near the horizon, where the clear-sky model errs most: cloud
enhancement reaches about 1.5 for minutes (from memory)."""

DARK_LIMIT = 0.035
"""The brightest hours of a day under the darkest overcast stay above this clear-sky index (from memory)."""

DOUBTFUL_LIMIT = 0.13
"""Below it a day is either heavily overcast, under snow, or scaled."""

DAYS_OF_OVERCAST, BRIGHT_MINUTES_A_DAY = 3, 300
"""So many days without one bright hour are no overcast (from memory); snow may lie for longer."""

SMOOTH_SHARE, SMOOTH_MINUTES = 0.4, 60
"""Share of a window at one level that speaks for a clear sky, and how long it must last: for half an hour an overcast
sky is as smooth (from memory)."""

EVEN_UNITS, EVEN = 4, 0.03
"""So many like units must agree so closely (standard deviation of their totals) for their dimness to be no snow's."""

LEAST_START, NEARLY_ALWAYS = 0.002, 0.9
"""Power over rating below which no inverter gives anything (of 2304 up to 10 kW in the California Energy Commission's
table, `pvlib.pvsystem.retrieve_sam`, 99 in 100 start above 0.0021), and the share of the time in strong light for which
lower values must be above zero."""

STRONG_LIGHT = 0.1
"""Clear-sky output over rating from which an interval says something about the scale."""

LEAST_INTERVALS = 2
"""Least number of them in strong light."""

FAINT_LIGHT = 0.01
"""The same where there are too few, but most values are such as no inverter gives: in any light their unit is wrong."""

DAY_MIN = 24 * 60

RATING_HEADROOM = 1.15
"""No inverter gives more than this share of its rating; if values do, their unit is wrong."""


USUAL_BRIGHTNESS = ((0.75, 1.3, 1.0), (1.3, 1.8, 0.3), (0.35, 0.75, 0.5), (0.1, 0.35, 0.2), (0.03, 0.1, 0.03))
"""How usual a clear-sky index is for a window's brightest tenth: from, to, weight (common practice, no source)."""

USUAL_CLEAR, CLEAR_SPREAD, ODD_CLEAR = 1.02, 0.12, 0.05
"""Level of a site in its clear hours, its spread, and the weight of any other that is usual: 7 to 10 % by turbidity,
temperature and dirt (see `skyfit`)."""

FAR_FROM_USUAL = 2.5
"""Spreads from the usual level within which dim values fit a factor: snow leaves any share, a factor one near 1."""

FAR_BETTER = 0.4
"""Scatter about a clear sky's curve over that about a cover's (logarithm) up to which dim values are a clear day's. In
October a plane that faces the sun has a tenth of a clear sky's light under a cover that stays even all day, and keeps
to its curve for an hour. Of 9000 simulated days (`tests/bench/fleet`) four clear ones in another unit had 0.12 at most,
two clear winter days of SERF East at a tenth 0.27 (tests/reference/test_real_days.py); of 2500 simulated days under
slow covers (our own physics, not kept) the dim ones 0.62 and more."""

LEAST_OF_SHARE, LEAST_DAYS_OF_SHARE, ONE_SHARE, MOST_OVER_SHARE = 8, 2, 0.15, 1.4
"""So many intervals, on so many days, must lie at one share of the clear sky's light, how far they may scatter
(logarithm; haze and the model's errors), and how far others may pass it: clouds beside the sun add a third or so."""

HOURS_OF_LOW_LEVEL, LOW_LEVEL = 4.0, 0.5
"""Hours of a clear sky's curve at a level below which it is no site's that is merely low (judgement)."""

FINEST_STEP_WH, WHOLE_WITHIN, DIFFERENT_VALUES = 1e-5, 0.01, 4
"""Finest step of a counter that is looked for, how near a value must be to a whole number of it, in steps, and how many
different values show a step: that four are whole multiples of 3.6 in tenths is chance once in 36^3 times."""

FEW_STEPS, SAME_VALUE = 5, 1e-6
"""Values up to so many steps are flat, and alike on all units, by the register's doing: on SERF East's snowiest day, 3
to 5 Wh a unit in up to 4 steps, 7 of 24 trials seemed hundredths (`tests/bench/roofs`, 2013-03-23). What differs by
less of the highest value is the same one, but for rounding."""

MOST_STEPS = 2.0**53
"""Whole numbers up to which a value of 64 bits is exact."""

BY_ODD_STEP = 0.02
"""What is left of a factor by which values would be counted in odd steps, where another makes them round: 3.6 and 7.2
are kilojoules of whole Wh, and no mean powers of 0.9 and 1.8 (judgement)."""

RIGHT = 20.0
"""How much more usual right values are than any mistake: a dark cover, too, may be flat for an hour (judgement)."""


def candidates(interval_min: int) -> dict[float, tuple[float, Quantity]]:
    """Return {factor sent over true: (prior weight, what was mistaken for Wh)}."""
    per_hour = 60 / interval_min
    found = {
        1e-3: (1.0, term("kWh sent as Wh")),
        1e3: (1.0, term("mWh, or Wh times 1000, sent as Wh")),
        3600.0: (0.5, term("joules sent as Wh")),
        1 / 3600: (0.1, term("values divided by 3600")),
        3.6: (0.1, term("kilojoules sent as Wh")),
        10.0: (0.3, term("a register with one decimal sent without its point")),
        0.1: (0.3, term("a register counted in tens of Wh")),
        100.0: (0.3, term("a register with two decimals sent without its point")),
        0.01: (0.3, term("a register counted in hundreds of Wh")),
        1e-6: (0.3, term("MWh sent as Wh")),
    }
    if per_hour > 1:
        found[per_hour] = (1.0, term("mean power in W sent as energy in Wh"))
        found[1 / per_hour] = (1.0, term("energy in Wh sent as mean power in W"))
        found[per_hour / 1000] = (0.6, term("mean power in kW sent as energy in Wh"))
    return found


def scale_factor(
    energy_wh: FloatArray,
    clear_wh: FloatArray,
    *,
    cover_wh: FloatArray,
    rated_wh: FloatArray,
    groups: Sequence[Sequence[int]],
    positions: IntArray,
    interval_min: int,
) -> float:
    """Return by what the values are off (sent over true), 1.0 where nothing says so.

    `energy_wh` (U, D) as sent, `clear_wh` (U, D) expected under a clear sky, `cover_wh` (U, D) under an even cloud
    cover, `rated_wh` (U,) the inverters' limit in an interval, all Wh; `groups` the rows of like units, `positions`
    (D,) the intervals' numbers on the whole grid.
    The brightest tenth of the window, all live units together, is compared with what any sky allows; of the factors
    that bring it and the inverters' limit into range the likeliest is taken, by the level of the clear hours where
    there are any, and by the steps in which the values are counted. Values too low are those of snow and dark cloud
    unless neither makes them so, and always if they are but a few steps of a register, unless no inverter gives so
    little; values too high for the sky alone are those of a plane that faces the sun, unless they keep one level.
    """
    brightness = site_brightness(energy_wh, clear_wh, rated_wh)
    if np.isfinite(brightness).sum() < LEAST_INTERVALS and _mostly_over_rating(energy_wh, rated_wh):
        brightness = site_brightness(energy_wh, clear_wh, rated_wh, least=FAINT_LIGHT)
    use = np.isfinite(brightness)
    if use.sum() < LEAST_INTERVALS:
        return 1.0
    top = float(np.quantile(brightness[use], 0.9))
    over_rating = _over_rating(energy_wh, rated_wh)
    clear = _clear_level(brightness, positions, interval_min)
    smooth = use.sum() * interval_min >= SMOOTH_MINUTES and _is_smooth(brightness[use], top)
    level = clear or (top if smooth else None)
    if over_rating > RATING_HEADROOM or (top > BRIGHT_LIMIT and level is not None):
        return _likeliest(top, over_rating, clear, _weights(energy_wh, interval_min))
    if top >= DOUBTFUL_LIMIT:
        return 1.0
    found = _likeliest(top, over_rating, clear, _weights(energy_wh, interval_min))
    below_start = _is_below_start(energy_wh, clear_wh, rated_wh)
    if below_start or _most_steps(energy_wh) <= FEW_STEPS:
        return found if below_start else 1.0
    long = use.sum() * interval_min >= DAYS_OF_OVERCAST * BRIGHT_MINUTES_A_DAY
    even = _is_even(energy_wh, clear_wh, groups)
    if long and even:
        return found
    by_cover = site_brightness(energy_wh, cover_wh, rated_wh, least=0.0)
    usual = _is_usual(level, found) and _follows_the_sun(brightness, by_cover)
    no_cover = top < DARK_LIMIT or _jumps(brightness[use], interval_min)
    fits = usual or (even and no_cover and _plausible_brightness(top / found) == 1)
    return found if fits else 1.0


def _jumps(brightness: FloatArray, interval_min: int) -> bool:
    """Return whether clouds pass, in intervals in which a closed cover stays as it is; snow on like units is uneven."""
    return interval_min <= LONGEST_INTERVAL_MIN and clouds_pass(np.log(brightness[brightness > 0]))


def _follows_the_sun(by_clear: FloatArray, by_cover: FloatArray) -> bool:
    """Return whether a site keeps to what a clear sky gives (D,) far better than to what an even cover does, (D,).

    Or whether clouds pass: no even cover jumps.
    """
    use = (by_clear > 0) & (by_cover > 0)
    if not use.any():
        return False
    clear, cover = (np.log(share[use]) for share in (by_clear, by_cover))
    return bool(clear.std() <= FAR_BETTER * cover.std()) or clouds_pass(clear)


def factor_of_share(share: FloatArray, surely: BoolArray, positions: IntArray, interval_min: int) -> float:
    """Return the factor that puts a site's `share` of a clear sky's light (D,) where it is usual, 1.0 for none.

    `surely` (D,) are the intervals whose planes share light as only the sun's is shared: a wrong unit of measure holds
    them at one share, on several days and whatever the power, and nothing passes it by much.
    """
    told = surely & np.isfinite(share)
    days = np.unique(positions[told] * interval_min // DAY_MIN)
    if told.sum() < LEAST_OF_SHARE or len(days) < LEAST_DAYS_OF_SHARE:
        return 1.0
    level = float(np.median(share[told]))
    scatter = robust_sd(np.log(share[told] / level))
    if scatter > ONE_SHARE or np.nanquantile(share, 0.98) > MOST_OVER_SHARE * level:
        return 1.0
    return _usual_factor(level, interval_min)


def _usual_factor(level: float, interval_min: int) -> float:
    """Return the likeliest factor that puts a level where a clear sky puts it, 1.0 for none."""
    usual = {f: prior * _plausible_clear(level / f) for f, (prior, _) in candidates(interval_min).items()}
    best = max(usual, key=lambda f: usual[f])
    return best if _is_usual(level, best) else 1.0


def factor_of_clear_hours(share: FloatArray, positions: IntArray, interval_min: int) -> float:
    """Return the factor that puts a site's clear hours where they are usual, if they lie below half, else 1.0.

    `share` (D,) of a clear sky's light. No cloud or snow follows the clear sky's curve at one low level for hours on
    several days.
    """
    found = low_clear_hours(share, positions, interval_min)
    return _usual_factor(found.level, interval_min) if found and found.days >= LEAST_DAYS_OF_SHARE else 1.0


def low_clear_hours(share: FloatArray, positions: IntArray, interval_min: int) -> ClearLevel | None:
    """Return a site's clear hours if there are enough, and below half of a clear sky's light, arguments as above."""
    with np.errstate(divide="ignore"):
        found = flat_level(np.log(share), positions, interval_min)
    return found if found and found.hours >= HOURS_OF_LOW_LEVEL and found.level < LOW_LEVEL else None


def is_too_bright(energy_wh: FloatArray, clear_wh: FloatArray, rated_wh: FloatArray) -> bool:
    """Return whether the brightest tenth of a window, (U, D) and (U,) as above, is brighter than any sky makes it."""
    return _brightest_tenth(energy_wh, clear_wh, rated_wh) > BRIGHT_LIMIT


def is_dim(energy_wh: FloatArray, clear_wh: FloatArray, rated_wh: FloatArray) -> bool:
    """Return whether it is darker than usual skies make it."""
    return _brightest_tenth(energy_wh, clear_wh, rated_wh) < DOUBTFUL_LIMIT


def _brightest_tenth(energy_wh: FloatArray, clear_wh: FloatArray, rated_wh: FloatArray) -> float:
    """Return from which clear-sky index on the brightest tenth of a window lies, NaN where too little is read."""
    brightness = site_brightness(energy_wh, clear_wh, rated_wh)
    bright = brightness[np.isfinite(brightness)]
    return float(np.quantile(bright, 0.9)) if len(bright) >= LEAST_INTERVALS else math.nan


def _is_usual(level: float | None, factor: float) -> bool:
    """Return whether values divided by `factor` lie where a clear sky puts a site's level, if one shows."""
    return level is not None and abs(np.log(level / factor / USUAL_CLEAR)) <= FAR_FROM_USUAL * CLEAR_SPREAD


def _clear_level(brightness: FloatArray, positions: IntArray, interval_min: int) -> float | None:
    """Return the site's level in its clear hours, None where too few are flat."""
    with np.errstate(divide="ignore"):
        found = flat_level(np.log(brightness), positions, interval_min)
    return found.level if found and found.hours >= CLEAR_HOURS else None


def _is_even(energy_wh: FloatArray, clear_wh: FloatArray, groups: Sequence[Sequence[int]]) -> bool:
    """Return whether most like units are equally dim, on each plane that has enough of them: snow lies unevenly."""
    spreads = []
    for rows in (list(group) for group in groups):
        heard = np.isfinite(energy_wh[rows])
        made = np.where(heard, energy_wh[rows], 0.0).sum(axis=1)
        due = np.where(heard, clear_wh[rows], 0.0).sum(axis=1)
        share = made[made > 0] / np.maximum(due[made > 0], 1e-9)
        if len(share) >= EVEN_UNITS:
            spreads.append(robust_sd(share / np.median(share) - 1))
    return bool(spreads) and max(spreads) <= EVEN


def _is_below_start(energy_wh: FloatArray, clear_wh: FloatArray, rated_wh: FloatArray) -> bool:
    """Return whether the live units work all the time at powers at which none would have started."""
    live = np.nan_to_num(energy_wh).max(axis=1, initial=0.0) > 0
    share = energy_wh[live] / rated_wh[live, None]
    strong = np.isfinite(share) & (clear_wh[live] >= STRONG_LIGHT * rated_wh[live, None])
    return bool(
        strong.any() and share[strong].max() < LEAST_START and (share[strong] > 0).mean() >= NEARLY_ALWAYS
    )


def site_brightness(
    energy_wh: FloatArray, clear_wh: FloatArray, rated_wh: FloatArray, least: float = STRONG_LIGHT
) -> FloatArray:
    """Return the live units' energy over what a clear sky would give them, (D,), NaN in weak light.

    In strong light a clear sky gives at `least` so much of the ratings. All planes together: one turned from the sun
    gets more light from a bright cloud than from a clear sky.
    """
    live = np.isfinite(energy_wh) & (energy_wh > 0)
    clear = np.where(live, clear_wh, 0.0).sum(axis=0)
    strong = clear >= least * np.where(live, rated_wh[:, None], 0.0).sum(axis=0)
    strong &= clear >= 0.3 * clear.max(initial=0.0)
    made = np.where(live, energy_wh, 0.0).sum(axis=0)
    return np.asarray(np.divide(made, clear, out=np.full(clear.shape, np.nan), where=strong & (clear > 0)))


def _is_smooth(brightness: FloatArray, top: float) -> bool:
    """Return whether much of the window lies at one level, as a clear sky does and an overcast one does not."""
    return float(np.mean(np.abs(brightness / top - 1) < 0.06)) >= SMOOTH_SHARE and len(brightness) >= 6


def _over_rating(energy_wh: FloatArray, rated_wh: FloatArray) -> float:
    """Return the highest value over the inverter's limit, the single highest per cent aside."""
    share = energy_wh / rated_wh[:, None]
    return float(np.nanquantile(share, 0.995))


def _mostly_over_rating(energy_wh: FloatArray, rated_wh: FloatArray) -> bool:
    """Return whether more than half of the values above zero are beyond the inverters' limit."""
    share = (energy_wh / rated_wh[:, None])[energy_wh > 0]
    return bool((share > RATING_HEADROOM).sum() > len(share) / 2)


def _likeliest(top: float, over_rating: float, clear: float | None, weights: dict[float, float]) -> float:
    """Return the likeliest of the factors with their prior `weights`, 1.0 if right values are."""
    best, best_score = 1.0, 0.0
    if clear is not None and over_rating <= RATING_HEADROOM:
        best_score = RIGHT * _plausible_clear(clear)
    for factor, prior in weights.items():
        usual = _plausible_brightness(top / factor) if clear is None else _plausible_clear(clear / factor)
        score = prior * usual * (over_rating / factor <= RATING_HEADROOM)
        if score > best_score:
            best, best_score = factor, score
    return best


def _weights(energy_wh: FloatArray, interval_min: int) -> dict[float, float]:
    """Return the candidates' prior weights, less where the steps in which values (U, D) are counted speak for others.

    A counter counts in round steps, a tenth, one or ten Wh. What comes in odd ones has been multiplied: by a factor
    that makes them round again. Values that come in round steps, or in none, say nothing.
    """
    weights = {factor: prior for factor, (prior, _) in candidates(interval_min).items()}
    different = _different(energy_wh)
    if len(different) < DIFFERENT_VALUES or _is_counted(different):
        return weights
    round_by = {factor for factor in weights if _is_counted(different / factor)}
    return {f: w * (BY_ODD_STEP if round_by and f not in round_by else 1.0) for f, w in weights.items()}


def _different(energy_wh: FloatArray) -> FloatArray:
    """Return the different values above zero, (N,)."""
    return np.unique(energy_wh[np.isfinite(energy_wh) & (energy_wh > 0)])


def _most_steps(energy_wh: FloatArray) -> float:
    """Return the highest value over the least that values differ by from one another and from zero."""
    values = np.append(0.0, _different(energy_wh))
    least = SAME_VALUE * float(values[-1])
    steps = np.diff(values)
    return float(values[-1] / steps[steps > least].min(initial=np.inf))


def _is_counted(values_wh: FloatArray) -> bool:
    """Return whether the largest step of which all values (N,) are whole multiples is a power of ten."""
    steps = values_wh / FINEST_STEP_WH
    whole = np.round(steps)
    if (np.abs(steps - whole) > WHOLE_WITHIN).any() or whole.min() < 1 or whole.max() > MOST_STEPS:
        return False
    return math.log10(np.gcd.reduce(whole.astype(np.int64))).is_integer()


def _plausible_clear(level: float) -> float:
    """Return how usual this level is for a site's clear hours."""
    near = float(np.exp(-0.5 * (np.log(level / USUAL_CLEAR) / CLEAR_SPREAD) ** 2))
    return max(near, ODD_CLEAR * _plausible_brightness(level))


def _plausible_brightness(top: float) -> float:
    """Return how usual this clear-sky index is for a window's brightest tenth."""
    for lowest, highest, weight in USUAL_BRIGHTNESS:
        if lowest <= top < highest:
            return weight
    return 0.0
