"""At what level each unit works, in DC terms, against those that should do the same; and how sure that is.

A level of 1 is what the peers make. Which fault explains a low level is the causes' business.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from service.expect.energy import UnitGroup
from service.expect.inverter import dc_power_from_ac
from service.verify.consensus import AGREEMENT, consensus, median, robust_sd, weighted_median
from service.verify.day import Daylight
from service.verify.inputs import FloatArray

AT_LIMIT = 0.94
"""Share of the inverter's rating from which the DC side can no longer be read from the AC side: a real inverter may
reach its limit a few per cent before the modelled one."""

GRAINS_PER_BLOCK = 16
"""Least steps of a coarse register that a level is read from: single intervals are put together until there are."""

STRONG_LIGHT = 0.08
FAINT_LIGHT = 0.015
"""Least expected AC output over rating at which a level is read: in strong light, or in any where there are fewer than
ENOUGH_STRONG intervals of it. Below a per cent and a half an inverter may not have started (from memory)."""

ENOUGH_STRONG = 12
LEAST_READ = 2

READING_SPREAD = 0.03
"""Spread of single readings of like units, where there are too few to show it: noise, and clouds that pass at different
moments (from memory)."""

LEAST_BLOCKS = 4
"""Least number of separate readings that show their own scatter."""

USUAL_SPREAD = 0.012
"""Spread of healthy like units (standard deviation), before this roof has shown its own; IEC 62446-1 habit of 5 %
for identical strings is about four of these."""

SPREAD_FLOOR = 0.005
BETWEEN_PLANES = 0.035
"""How well one plane's level is known from another's through the model (standard deviation)."""

ALONE = 0.10
"""How well the clear-sky model knows a lone unit's level (facts of monthly turbidity, temperature, mounting)."""

LEAST_VISIBLE = 0.035
SIGMAS = 4.0
PAIR, PEERS_FOR_COMPARISON = 2, 3

LEAST_WHOLE, MOST_LEFT, BELOW_WHOLE, ABOVE_WHOLE, STEADY_SHARE = 2, 0.7, 0.02, 0.045, 0.75
"""So many of like units, at a level over most of them as whole modules have over ones of which so much or less is left
without a substring, tell that it is most of them that lack it: within what like units differ by, and what a conducting
diode takes of a substring's voltage (`causes/substring_out.py`), for such a share of the energy."""

LEAST_ELSEWHERE = 2
"""Units on other planes that, where they make as much of what is due as the only whole one, tell that it is whole."""

NEAR = 0.08
"""Distance from the median within which an interval has a say in the level, beside two steps of the register."""

FINEST_STEP_WH, WHOLE_WITHIN = 0.01, 1e-6
"""Finest step of a register that is looked for: what is counted more finely is as good as exact."""

VALUES_FOR_ODD_STEP, DECIMAL_STEPS = 8, (1, 10, 100, 1000)
"""Different values that show a step that is no hundredth, tenth, whole or ten Wh."""


@dataclass(frozen=True)
class Levels:
    """Levels of U units in D daylight intervals.

    `series` (U, D): DC output over that of the peers (over the sky's own expectation where a unit has fewer than
    two), NaN where not read; `weight` (U, D): expected DC energy there, Wh; `grain` (U, D): what one step of
    the register is worth in it; `level` (U,): their weighted mean, outliers aside;
    `reference` (U,): what it should be; `sd` (U,): standard uncertainty of level / reference - 1; `visible` (U,):
    the smallest steady loss that stands out, as a fraction; `statistical` (U,): the part of `sd` that
    comes from the scatter of the readings; `spread`: that of healthy like units.
    """

    series: FloatArray
    weight: FloatArray
    grain: FloatArray
    level: FloatArray
    reference: FloatArray
    sd: FloatArray
    visible: FloatArray
    statistical: FloatArray
    spread: float

    def with_rows(self, other: Levels, rows: Sequence[int]) -> Levels:
        """Return the levels with those of some units from `other`."""
        mine = {f.name: getattr(self, f.name).copy() for f in fields(self) if f.name != "spread"}
        for name, values in mine.items():
            values[list(rows)] = getattr(other, name)[list(rows)]
        return replace(self, **mine)

    def relative_series(self, unit: int) -> FloatArray:
        """Return one unit's series over its reference, (D,)."""
        return np.asarray(self.series[unit] / self.reference[unit])

    @property
    def relative(self) -> FloatArray:
        """Return level over reference, (U,)."""
        return self.level / self.reference


@dataclass(frozen=True)
class DcSeries:
    """DC output over the sky's expectation (U, D), NaN where not read, its weight [Wh] and the register's grain.

    `quantum_wh` is the register's step; `block` (U,) the number of intervals that were put together; `working` the
    number of units that gave anything.
    """

    ratio: FloatArray
    weight: FloatArray
    grain: FloatArray
    quantum_wh: float
    block: NDArray[np.intp]
    working: int


def untold(found: Levels) -> Levels:
    """Return levels that name nobody: the clouds are unknown, so that any loss may be theirs."""
    blank = np.full(found.series.shape, np.nan)
    count = len(found.level)
    return replace(found, series=blank, level=np.full(count, np.nan), visible=np.ones(count))


def dc_series(
    day: Daylight,
    energy_wh: FloatArray,
    expected_wh: FloatArray,
    expected_dc_wh: FloatArray,
    *,
    quantum_wh: float,
) -> DcSeries:
    """Return the units' DC output over that expected; `quantum_wh` is the register's step, 0 where there is none."""
    dc_wh = np.full(energy_wh.shape, np.nan)
    for group in day.groups:
        rows = list(group.members)
        dc_w = dc_power_from_ac(energy_wh[rows] / day.interval_hours, inverter=group.inverter)
        dc_wh[rows] = dc_w * day.interval_hours
    rated = day.rated_wh[:, None]
    readable = _readable(day, energy_wh, expected_wh)
    use = readable & _enough_light(expected_wh / rated, readable)
    block = _block_lengths(day, np.where(use, expected_wh, np.nan), quantum_wh)
    made = _in_blocks(np.where(use, dc_wh, 0.0), use, block)
    due = _in_blocks(np.where(use, expected_dc_wh, 0.0), use, block)
    working = int((np.nansum(energy_wh, axis=1) > 0).sum())
    ratio = np.divide(made, due, out=np.full(made.shape, np.nan), where=use & (due > 0))
    grain = np.divide(quantum_wh, due, out=np.zeros(due.shape), where=use & (due > 0))
    return DcSeries(ratio, np.where(use, expected_dc_wh, 0.0), grain, quantum_wh, block, working)


def _readable(day: Daylight, energy_wh: FloatArray, expected_wh: FloatArray) -> NDArray[np.bool_]:
    """Return where DC can be read from AC: neither the unit nor most of its like at their limit, (U, D).

    A unit that stays below while its like are at their limit nearly all the time is held against the model: the limit
    hides how much brighter they could be, not that the unit is darker.
    """
    share = energy_wh / day.rated_wh[:, None]
    heard, at_limit = np.isfinite(share), np.nan_to_num(share) >= AT_LIMIT
    hidden = expected_wh >= AT_LIMIT * day.rated_wh[:, None]
    for group in day.groups:
        rows = list(group.members)
        hidden[rows] |= at_limit[rows].sum(axis=0) > 0.3 * heard[rows].sum(axis=0)
    below = heard & ~at_limit
    starved = (below & ~hidden).sum(axis=1, keepdims=True) < LEAST_READ
    return np.asarray(below & (starved | ~hidden))


def _block_lengths(day: Daylight, expected_wh: FloatArray, quantum_wh: float) -> NDArray[np.intp]:
    """Return how many intervals make a block that holds enough steps of the register, (U,), the same for like units."""
    out = np.ones(len(expected_wh), dtype=np.intp)
    for group in day.groups if quantum_wh > 0 else ():
        expected = expected_wh[list(group.members)]
        if np.isfinite(expected).any():
            usual = max(float(np.nanmedian(expected)), 1e-9)
            out[list(group.members)] = max(1, math.ceil(GRAINS_PER_BLOCK * quantum_wh / usual))
    return out


def _in_blocks(values: FloatArray, use: NDArray[np.bool_], length: NDArray[np.intp]) -> FloatArray:
    """Return each unit's values summed over blocks of `length` (U,) used intervals, repeated onto all of a block's."""
    out = values.copy()
    for row in np.flatnonzero(length > 1):
        block = (np.cumsum(use[row]) - 1) // length[row]
        block = np.clip(block, 0, max(int(use[row].sum()) // int(length[row]) - 1, 0))
        out[row] = np.bincount(block, weights=values[row])[block]
    return out


def resolution_wh(measured: FloatArray) -> float:
    """Return the step of the register that the values come from, Wh; 0 where they are not on one.

    The largest step of FINEST_STEP_WH or more of which all values are whole multiples; one value alone tells no step,
    and few may be multiples of a larger one by chance.
    """
    values = measured[np.isfinite(measured) & (measured >= 0)] / FINEST_STEP_WH
    whole = np.round(values)
    if (np.abs(values - whole) > WHOLE_WITHIN * np.maximum(values, 1.0)).any():
        return 0.0
    different = np.unique(whole.astype(np.int64))
    if len(different) < 2:
        return 0.0
    steps = int(np.gcd.reduce(different))
    if len(different) < VALUES_FOR_ODD_STEP:
        steps = max(s for s in DECIMAL_STEPS if steps % s == 0)
    return steps * FINEST_STEP_WH


def _enough_light(load: FloatArray, readable: NDArray[np.bool_]) -> NDArray[np.bool_]:
    strong = ((load >= STRONG_LIGHT) & readable).sum(axis=1, keepdims=True)
    return np.asarray(load >= np.where(strong >= ENOUGH_STRONG, STRONG_LIGHT, FAINT_LIGHT))


def levels(day: Daylight, series: DcSeries) -> Levels:
    """Return the units' levels from their DC series."""
    weight = series.weight
    against_peers = _against_peers(day, series)
    used = np.isfinite(against_peers) & (weight > 0)
    rows = zip(used, against_peers, weight, series.grain, strict=True)
    read = [(s[use], w[use], g[use]) for use, s, w, g in rows]
    level = np.array([_level(*each) for each in read])
    by_scatter = np.array(
        [_standard_error(s, w, int(b)) for (s, w, _), b in zip(read, series.block, strict=True)]
    )
    statistical = np.hypot(by_scatter, _register_errors(weight, series.quantum_wh))
    spread = _healthy_spread(day, level)
    reference, reference_sd = _references(day, level, np.hypot(spread, statistical), series.working)
    sd = np.sqrt(spread**2 + reference_sd**2 + statistical**2)
    visible = np.where(np.isfinite(level), np.maximum(LEAST_VISIBLE, SIGMAS * sd), 1.0)
    return Levels(against_peers, weight, series.grain, level, reference, sd, visible, statistical, spread)


def _level(series: FloatArray, weight: FloatArray, grain: FloatArray) -> float:
    """Return the weighted mean of what lies near the weighted median: the median alone snaps to a register's steps.

    Of what was read, (N,) each; NaN of none.
    """
    middle = weighted_median(series, weight)
    near = np.where(np.abs(series - middle) <= NEAR * max(middle, 0.5) + 2 * grain, weight, 0.0)
    return float((near * series).sum() / near.sum()) if len(series) else middle


def _against_peers(day: Daylight, series: DcSeries) -> FloatArray:
    """Return the ratio over what most of three or more like units agree on; of two the darker's by the brighter's."""
    out = series.ratio.copy()
    by_sky = _by_sky(series)
    for group in day.groups:
        rows = list(group.members)
        heard = [row for row in rows if np.isfinite(series.ratio[row]).any()]
        if len(heard) == PAIR:
            out[heard] = _of_pair(heard, by_sky, series)
        elif len(rows) >= PEERS_FOR_COMPARISON:
            as_elsewhere = _as_elsewhere(by_sky[rows], np.delete(by_sky, rows))
            out[rows] = _of_several(group, series, as_elsewhere)
    return out


def _of_several(group: UnitGroup, series: DcSeries, as_elsewhere: NDArray[np.bool_]) -> FloatArray:
    """Return the ratios of a group over what most of it agree on, (n, D), or over what its whole units make."""
    rows = list(group.members)
    ratio, weight, grain = series.ratio[rows], series.weight[rows], series.grain[rows]
    step = 2 * float(np.median(grain[weight > 0])) if (weight > 0).any() else 0.0
    agreed = consensus(np.where(ratio > 0.02, ratio, np.nan), width=AGREEMENT, floor=step)
    enough = (np.isfinite(ratio)).sum(axis=0) >= PEERS_FOR_COMPARISON
    # where all like units are silent together it is not one of them that is low: nothing is read there
    against_most = ratio / np.where(enough, agreed, _usual(agreed, enough, weight))
    # where most lack a substring and three do not, now these and now those are agreed on, but the middle stays
    in_middle = _middle(ratio)
    middle = ratio / np.where(enough, in_middle, _usual(in_middle, enough, weight))
    for against in (middle, against_most):
        whole = _whole_over_most(group, against, weight, grain, as_elsewhere)
        if whole > 1:
            return against / whole
    return against_most


def _by_sky(series: DcSeries) -> FloatArray:
    """Return what units mostly make of what the sky lets expect, (U,), 0 of those that give or tell nothing."""
    told = np.isfinite(series.ratio) & (series.weight > 0)
    rows = zip(told, series.ratio, series.weight, strict=True)
    return np.array([weighted_median(r[use], w[use]) if use.any() else 0.0 for use, r, w in rows])


def _as_elsewhere(own: FloatArray, others: FloatArray) -> NDArray[np.bool_]:
    """Return which units, that make so much of what is due, do as well as enough `others` on other planes."""
    near = np.abs(own[:, None] / others[others > 0] - 1) <= 2 * BETWEEN_PLANES
    return np.asarray(near.sum(axis=1) >= LEAST_ELSEWHERE)


def _of_pair(rows: list[int], by_sky: FloatArray, series: DcSeries) -> FloatArray:
    """Return the ratios of two like units, (2, D), that of the darker one by the brighter's where it keeps to a share.

    What the inferred sky errs by is theirs alike.
    """
    ratio = series.ratio[rows]
    dark, bright = np.argsort(by_sky[rows], kind="stable")
    with np.errstate(divide="ignore", invalid="ignore"):
        beside = ratio[dark] / ratio[bright] * by_sky[rows[bright]]
    weight, grain = series.weight[rows[dark]], series.grain[rows[dark]]
    told = np.isfinite(beside) & (weight > 0)
    if told.any() and _is_steady(beside[told], weight[told], grain[told]):
        ratio[dark] = beside
    return ratio


def _usual(agreed: FloatArray, enough: NDArray[np.bool_], weight: FloatArray) -> float:
    """Return over what is expected what like units (n, D) mostly agree on: where too few of them are heard as well.

    Their plane's light may be off the model's by more than their levels are told apart; 1 where never enough are heard.
    """
    told = enough & np.isfinite(agreed)
    return weighted_median(agreed[told], weight[:, told].sum(axis=0)) if told.any() else 1.0


def _middle(ratio: FloatArray) -> FloatArray:
    """Return the median of the units that give anything, (D,), 1 where none does."""
    giving = np.sort(np.where(ratio > 0.02, ratio, np.inf), axis=0)
    count, at = np.isfinite(giving).sum(axis=0), np.arange(ratio.shape[1])
    return np.where(count > 0, (giving[(count - 1) // 2, at] + giving[count // 2, at]) / 2, 1.0)


def _whole_over_most(
    group: UnitGroup,
    against: FloatArray,
    weight: FloatArray,
    grain: FloatArray,
    as_elsewhere: NDArray[np.bool_],
) -> float:
    """Return the level of whole units over what most of these (n, D) agree on, 1 where most are whole.

    No module gives half as much again as its like, but two of three substrings give two thirds of all. One is enough
    that does as units on other planes do.
    """
    total = group.module.substrings * group.module_count
    left = [1 - lost / total for lost in range(1, group.module.substrings)]
    shares = [s for s in left if s <= MOST_LEFT]
    needed = 1 if as_elsewhere.any() else LEAST_WHOLE
    if not shares or not _may_be_whole(against, weight, grain, (1 - BELOW_WHOLE) / max(shares), needed):
        return 1.0
    rows = zip(np.isfinite(against) & (weight > 0), against, weight, grain, strict=True)
    read = [(a[use], w[use], g[use]) for use, a, w, g in rows]
    level = np.array([_level(*each) if _is_steady(*each) else np.nan for each in read])
    for share in shares:
        over = level * share - 1
        whole = (over >= -BELOW_WHOLE) & (over <= ABOVE_WHOLE)
        most = np.abs(level - 1) <= ABOVE_WHOLE
        enough = whole.sum() >= LEAST_WHOLE or (whole & as_elsewhere).any()
        if enough and whole.sum() < most.sum():
            return float(level[whole].mean())
    return 1.0


def _may_be_whole(
    against: FloatArray, weight: FloatArray, grain: FloatArray, least: float, enough: int
) -> bool:
    """Return whether the weighted medians of `enough` rows (n, D) lie so high that their levels may reach `least`."""
    used = np.where(np.isfinite(against), weight, 0.0)
    high = against >= least / (1 + NEAR) - 2 * grain
    return bool((2 * (used * high).sum(axis=1) >= used.sum(axis=1)).sum() >= enough)


def _is_steady(series: FloatArray, weight: FloatArray, grain: FloatArray) -> bool:
    """Return whether what was read, (N,) each, mostly lies at one level."""
    middle = weighted_median(series, weight)
    near = np.abs(series - middle) <= ABOVE_WHOLE * middle + 2 * grain
    return bool((near * weight).sum() >= STEADY_SHARE * weight.sum())


def _standard_error(series: FloatArray, weight: FloatArray, block: int, parts: int = 8) -> float:
    """Return the standard error of the level from the scatter of up to eight parts of equal energy.

    Of what was read, (N,) each, so many of which were put together in a block.
    """
    if len(series) < LEAST_BLOCKS * block:
        return READING_SPREAD / math.sqrt(max(len(series), 1))
    part = np.minimum((np.cumsum(weight) / weight.sum() * parts).astype(int), parts - 1)
    sums = np.bincount(part, weights=weight, minlength=parts)
    means = np.bincount(part, weights=weight * series, minlength=parts)[sums > 0] / sums[sums > 0]
    return float(robust_sd(means - median(means)) / np.sqrt(len(means)))


def _register_errors(weight: FloatArray, quantum_wh: float) -> FloatArray:
    """Return what a counter's step makes of levels, (U,): over a stretch it is off by the difference of two roundings.

    Each is uniform within a step, so that their difference has the variance of a sixth of the step squared.
    """
    begins = weight > 0
    begins[:, 1:] &= ~begins[:, :-1]
    return np.asarray(quantum_wh * np.sqrt(begins.sum(axis=1) / 6) / np.maximum(weight.sum(axis=1), 1e-9))


def _healthy_spread(day: Daylight, level: FloatArray) -> float:
    """Return the spread of like units, shrunk to the usual one where few can be compared."""
    deviations: list[float] = []
    for group in day.groups:
        members = level[list(group.members)]
        near = members[np.isfinite(members) & (np.abs(members - 1) < 0.08)]
        if len(near) >= PEERS_FOR_COMPARISON:
            deviations.extend(near - median(near))
    known, prior = len(deviations), 4
    seen = robust_sd(np.array(deviations)) if known else USUAL_SPREAD
    return max(SPREAD_FLOOR, float(np.sqrt((known * seen**2 + prior * USUAL_SPREAD**2) / (known + prior))))


def _references(
    day: Daylight, level: FloatArray, own_sd: FloatArray, working: int
) -> tuple[FloatArray, FloatArray]:
    """Return what each unit's level should be, and the standard uncertainty of that; `own_sd` (U,) is the levels'."""
    reference, sd = np.ones(len(level)), np.zeros(len(level))
    for group in day.groups:
        rows = [i for i in group.members if np.isfinite(level[i])]
        if len(rows) >= PEERS_FOR_COMPARISON:
            sd[rows] = np.median(own_sd[rows]) / np.sqrt(len(rows) - 1)
        elif len(rows) == 2:
            _refer_pair(rows, level, own_sd, working, reference, sd)
        else:
            sd[rows] = BETWEEN_PLANES if working > 1 else ALONE
    return reference, sd


def _refer_pair(
    rows: list[int],
    level: FloatArray,
    own_sd: FloatArray,
    working: int,
    reference: FloatArray,
    sd: FloatArray,
) -> None:
    """Refer two like units: the darker to the brighter, and that one, if they differ, to the other planes.

    What both lack alike is their plane's: its light, or its description.
    """
    bright, dark = sorted(rows, key=lambda i: -level[i])
    if level[bright] <= 0:
        return
    alike = level[bright] - level[dark] < SIGMAS * np.hypot(own_sd[bright], own_sd[dark])
    sd[bright] = BETWEEN_PLANES if working > 2 else own_sd[dark]
    sd[dark] = sd[bright] if alike else own_sd[bright]
    reference[bright] = level[bright] if alike or working <= 2 else 1.0
    reference[dark] = level[bright]
