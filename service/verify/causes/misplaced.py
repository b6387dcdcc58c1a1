"""Which units' curves are those of another plane than their own, recorded or not: for `swapped` and `wrong_plane`.

Two curves are compared by the share of one's energy that would have to move in time to make the other (the total
variation distance of the curves, each scaled to the same sum), so that a level says nothing here. What a plane should
give is the model's; where enough of its units tell what it gave, clouds and the model's errors fall out, and less is
asked, or the level beside the curve. And faults take energy and never add it: a unit far brighter than its plane's
others, with another's curve and level, is there.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import permutations

import numpy as np

from service.expect.energy import UnitGroup
from service.expect.inverter import dc_power_from_ac
from service.expect.site import Unit
from service.verify.case import BoolArray, Case
from service.verify.consensus import median
from service.verify.inputs import FloatArray
from service.verify.levels import AT_LIMIT
from service.verify.sky import sky_at

LEAST_MISFIT = 0.045
"""Share of the energy that must lie at the wrong time for the recorded plane to be doubted."""

BETTER = 0.5
"""The other plane's misfit must be below this share of the recorded one's."""

WITHIN_NOISE = 1.6
"""And below this multiple of what the units of that plane have themselves, at least LEAST_NOISE."""

BRIGHTER = 1.5
"""Level over its plane's light, and over its plane's others, from which no unit is there, whatever its curve: clouds
and model err by less."""

LEAST_NOISE = 0.02
PLAUSIBLE_LEVEL = (0.6, 1.2)
LEAST_LIT = 12

LEAST_OTHERS, LEAST_LIKE_IT, LEAST_DISTANCE = 3, 2, 0.02
"""So many units of another plane, and so many others of a unit's own, tell what those really gave, clouds and the
model's errors included, if so much of the energy comes at another time on the one than on the other."""

AS_USUAL, NOISE_OF_OTHERS, UNUSUAL = 1.4, 0.01, 1.7
"""Misfit over what the units of a plane usually have to what most of them give: of one of them at most, be it more than
a share that readings scatter by, and of another's."""

LEAST_MISFIT_OF_OTHERS, BETTER_OF_OTHERS = 0.03, 1 / 3
ANOTHER_LEVEL, SAME_LEVEL, NEAR_LEVEL = 0.08, 0.03, 0.1
"""What the shape alone must then show, or less of it the level beside it: like units differ by a few per cent."""

LEAST_MISFIT_OF_TURNED = 0.11
"""The same where the other orientation is free: it always fits somewhat better."""

BETTER_TURNED, MOST_MISFIT_OF_TURNED = 0.45, 0.18
"""Misfit of a free orientation over the recorded one's, and at most: like units on one plane leave the sky's split into
beam and diffuse light unsure, which another orientation sees otherwise."""

LEVEL_OF_TURNED = (0.8, 1.2)
"""Level over the orientation that is found: a shadow takes light from the recorded one, and would leave less."""

LEAST_SUN_H = 3.0
CLEAR_INDEX = 0.7
LEAST_LIKE = 3
"""Direct sun, and like units without another fault, of which the others tell the sky, from which a free orientation is
looked for."""

COARSE_TURN_DEG, FINE_TURNS_DEG = 20.0, (7.0, 2.5)
TILTS_BESIDE_DEG = (10.0, 35.0, 60.0)
LEAST_TURN_DEG = 30.0


@dataclass(frozen=True)
class Turned:
    """A unit with the curve of an orientation that no recorded plane has; misfits as shares of its energy."""

    unit: int
    recorded: str
    azimuth_deg: float
    tilt_deg: float
    misfit_recorded: float
    misfit_fits: float


@dataclass(frozen=True)
class Misplaced:
    """A unit with the curve of another recorded plane; misfits as shares of its energy, `level` over `fits`."""

    unit: int
    recorded: str
    fits: str
    misfit_recorded: float
    misfit_fits: float
    level: float


@lru_cache(maxsize=1)
def misplaced_units(case: Case) -> list[Misplaced]:
    """Return the units that fit another recorded plane clearly better than their own."""
    if len(case.day.groups) < 2 or case.source == "clear_sky":
        return []
    misfits = np.stack([_misfits(case, i) for i in range(len(case.serials))])
    own = {i: g for g, group in enumerate(case.day.groups) for i in group.members}
    by_record = np.array([misfits[i, own[i]] for i in range(len(case.serials))])
    likeliest = [_likeliest(case, i, own[i], misfits[i], by_record) for i in range(len(case.serials))]
    found = [m for m in likeliest if m and (_is_bright(case, m, by_record) or _is_better(case, m, by_record))]
    found += _like_others(case, misfits, {m.unit for m in found})
    exchanged, there = {(m.fits, m.recorded) for m in found}, {m.unit for m in found}
    mates = (m for m in likeliest if m and m.unit not in there and (m.recorded, m.fits) in exchanged)
    return sorted([*found, *(m for m in mates if _is_dark(case, m, by_record))], key=lambda m: m.unit)


def _like_others(case: Case, misfits: FloatArray, found: Collection[int]) -> list[Misplaced]:
    """Return the units, but those `found`, that give what another plane's others do and their own's do not.

    By their `misfits` (U, G, 2) the model must agree, or one of the other plane be found the other way round: most of a
    plane may stand in shade, and one in the sun.
    """
    curves = [_curve(case, i) / case.day.site.dc_rated_w(u) for i, u in enumerate(case.day.site.units)]
    groups = [_Given.of(case, g, curves) for g in case.day.groups if len(g.members) >= LEAST_OTHERS]
    told = [
        (m, bool(misfits[i, there.at, 0] < misfits[i, own.at, 0]))
        for own, there in permutations(groups, 2)
        if own.group.plane != there.group.plane and _misfit(there.agreed, own.agreed)[0] >= LEAST_DISTANCE
        for i in own.group.members
        if i not in found and own.others(case, i) >= LEAST_LIKE_IT
        if (m := _as_there(i, curves[i], own, there)) is not None
    ]
    both = {(m.fits, m.recorded) for m, _ in told}
    sure = [m for m, nearer in told if nearer or (m.recorded, m.fits) in both]
    nearest = sorted(sure, key=lambda m: m.misfit_fits, reverse=True)
    return list({m.unit: m for m in nearest}.values())


@dataclass(frozen=True)
class _Given:
    """What most units of group `at` gave by the rating, (D,), and the misfit that a further one would have to it."""

    at: int
    group: UnitGroup
    agreed: FloatArray
    scatter: float

    @classmethod
    def of(cls, case: Case, group: UnitGroup, curves: Sequence[FloatArray]) -> _Given:
        """Return what a group gave, by the `curves` of all units over their ratings."""
        first, at = group.members[0], case.day.groups.index(group)
        unit, agreed = case.day.site.units[first], case.agreed_wh[at]
        below = agreed < AT_LIMIT * case.day.rated_wh[first]
        made = np.where(below, _dc_of(case, agreed, unit) / case.day.site.dc_rated_w(unit), np.nan)
        misfits = np.array([_misfit(curves[k], made)[0] for k in group.members])
        heard = misfits[np.isfinite(misfits)]
        # each has its own share in what they agree on
        unlike = math.sqrt((len(heard) + 1) / max(len(heard) - 1, 1))
        return cls(at, group, made, unlike * median(heard))

    def others(self, case: Case, i: int) -> int:
        """Return how many units but unit `i` were heard."""
        return sum(k != i and bool(case.heard[k].any()) for k in self.group.members)


def _as_there(i: int, curve: FloatArray, own: _Given, there: _Given) -> Misplaced | None:
    """Return the unit as misplaced if it has the curve and level of another plane's units, unlike those of its own."""
    here = _misfit(curve, own.agreed)
    if not here[0] >= LEAST_DISTANCE:
        return None
    misfit, level = _misfit(curve, there.agreed)
    if not misfit <= max(AS_USUAL * there.scatter, NOISE_OF_OTHERS):
        return None
    shape = here[0] >= max(LEAST_MISFIT_OF_OTHERS, misfit / BETTER_OF_OTHERS)
    another = abs(here[1] - 1) >= ANOTHER_LEVEL and here[0] >= UNUSUAL * own.scatter
    if not abs(level - 1) <= (NEAR_LEVEL if shape else SAME_LEVEL if another else 0.0):
        return None
    return Misplaced(i, own.group.plane.name, there.group.plane.name, here[0], misfit, level)


def _misfits(case: Case, i: int) -> FloatArray:
    """Return unit `i`'s misfit against each group and its level over it, (G, 2), NaN where it cannot be read."""
    curve = np.where(case.clear_wh.max(axis=0) > 0, _curve(case, i), np.nan)
    rated_dc = case.day.site.dc_rated_w(case.day.site.units[i])
    per_rated = [g.module.pmax_w * g.module_count for g in case.day.groups]
    due = (
        case.peers.dc_wh[g.members[0]] * rated_dc / r for g, r in zip(case.day.groups, per_rated, strict=True)
    )
    return np.array([_misfit(curve, d) for d in due])


def _distance(made: FloatArray, due: FloatArray, use: BoolArray) -> float:
    return float(np.abs(made[use] / made[use].sum() - due[use] / due[use].sum()).sum() / 2)


def _usual(misfits: FloatArray) -> float:
    """Return what units (N,) usually miss their own plane by, the better of two where they are even; inf unknown."""
    read = np.sort(misfits[np.isfinite(misfits)])
    return max(LEAST_NOISE, float(read[(len(read) - 1) // 2])) if len(read) else np.inf


def _likeliest(case: Case, i: int, own: int, misfits: FloatArray, by_record: FloatArray) -> Misplaced | None:
    """Return on which other plane unit `i` may be by its `misfits` (G, 2), if it is as that plane's units are.

    `by_record` (U, 2) has all units' on their own.
    """
    groups = case.day.groups
    elsewhere = [g for g, group in enumerate(groups) if group.plane != groups[own].plane]
    candidates = [g for g in elsewhere if np.isfinite(misfits[g, 0])]
    if not candidates or not np.isfinite(misfits[own, 0]):
        return None
    best = min(candidates, key=lambda g: float(misfits[g, 0]))
    misfit, level = float(misfits[best, 0]), float(misfits[best, 1])
    usual = _usual(by_record[list(groups[best].members), 0])
    if misfit >= WITHIN_NOISE * usual or not PLAUSIBLE_LEVEL[0] < level < PLAUSIBLE_LEVEL[1]:
        return None
    names = groups[own].plane.name, groups[best].plane.name
    return Misplaced(i, *names, float(misfits[own, 0]), misfit, level)


def _is_better(case: Case, m: Misplaced, by_record: FloatArray) -> bool:
    """Return whether the other plane's curve fits far better than the unit's own, which those beside it fit."""
    least = max(LEAST_MISFIT, 2 * _usual(_beside(case, m, by_record)[:, 0]))
    return m.misfit_recorded >= least and m.misfit_fits < BETTER * m.misfit_recorded


def _is_bright(case: Case, m: Misplaced, by_record: FloatArray) -> bool:
    """Return whether the unit makes far more than its plane gives and its others do: faults never add energy."""
    others = _level(_beside(case, m, by_record))
    return by_record[m.unit, 1] > BRIGHTER * max(others, 1.0) and m.misfit_fits < m.misfit_recorded


def _is_dark(case: Case, m: Misplaced, by_record: FloatArray) -> bool:
    """Return whether the unit makes far less than either, as one that another stands for."""
    others = _level(_beside(case, m, by_record))
    return by_record[m.unit, 1] < min(others, 1.0) / BRIGHTER and m.misfit_fits < m.misfit_recorded


def _level(beside: FloatArray) -> float:
    """Return the usual level of units (N, 2), 1 where there is none."""
    levels = beside[:, 1][np.isfinite(beside[:, 1])]
    return float(np.median(levels)) if len(levels) else 1.0


def _beside(case: Case, m: Misplaced, by_record: FloatArray) -> FloatArray:
    """Return the rows of those like the unit, or of all other units if it has no like."""
    like = [k for k in case.like(m.unit) if k != m.unit]
    return by_record[like] if like else np.delete(by_record, m.unit, axis=0)


def turned_units(case: Case, left: Collection[int]) -> list[Turned]:
    """Return which of the units in `left` fit another orientation, that no plane has, clearly better than their own."""
    if case.source == "clear_sky" or _sun_h(case) < LEAST_SUN_H:
        return []
    curves = [_curve(case, i) for i in range(len(case.serials))]
    misfits = [_misfit(curve, due)[0] for curve, due in zip(curves, case.peers.dc_wh, strict=True)]
    least = max(LEAST_MISFIT_OF_TURNED, 3 * float(np.nanmedian([*misfits, 1.0])))
    sound = ((g, [i for i in g.members if i in left]) for g in case.day.groups)
    own = {i: g for g, members in sound for i in members if len(members) >= LEAST_LIKE}
    doubted = [i for i in own if misfits[i] >= least]
    found = (_turned(case, i, own[i], curves[i], misfits[i]) for i in doubted)
    return [t for t in found if t is not None]


def _sun_h(case: Case) -> float:
    return (
        float((case.array_sky.known & (case.array_sky.index >= CLEAR_INDEX)).sum()) * case.day.interval_hours
    )


def _turned(case: Case, i: int, own: UnitGroup, curve: FloatArray, recorded: float) -> Turned | None:
    tilt, azimuth = _best_orientation(case, curve, own)
    misfit, level = _misfit(curve, _dc_wh(case, own, tilt, azimuth))
    fits = misfit < min(BETTER_TURNED * recorded, MOST_MISFIT_OF_TURNED)
    turn = abs((azimuth - own.plane.azimuth_deg + 180) % 360 - 180)
    if not fits or turn < LEAST_TURN_DEG or not LEVEL_OF_TURNED[0] < level < LEVEL_OF_TURNED[1]:
        return None
    return Turned(i, own.plane.name, azimuth, tilt, recorded, misfit)


def _best_orientation(case: Case, curve: FloatArray, own: UnitGroup) -> tuple[float, float]:
    """Return tilt and azimuth with the least misfit, coarsely, then in smaller turns at the best tilt."""
    around = np.arange(0.0, 360.0, COARSE_TURN_DEG)
    tried = [(own.plane.tilt_deg, float((own.plane.azimuth_deg + a) % 360)) for a in around]
    best = min(tried, key=lambda t: _misfit_at(case, curve, own, t))
    tried = [best, *((tilt, best[1]) for tilt in TILTS_BESIDE_DEG)]
    tilt, azimuth = min(tried, key=lambda t: _misfit_at(case, curve, own, t))
    for step in FINE_TURNS_DEG:
        tried = [(tilt, (azimuth + turn) % 360) for turn in (0.0, -step, step)]
        azimuth = min(tried, key=lambda t: _misfit_at(case, curve, own, t))[1]
    return tilt, azimuth


def _misfit_at(case: Case, curve: FloatArray, own: UnitGroup, at: tuple[float, float]) -> float:
    return _misfit(curve, _dc_wh(case, own, *at))[0]


def _dc_wh(case: Case, own: UnitGroup, tilt: float, azimuth: float) -> FloatArray:
    """Return the DC energies of a unit like those of `own` but for its orientation, Wh, (D,)."""
    turned = replace(own, plane=replace(own.plane, tilt_deg=tilt, azimuth_deg=azimuth))
    return case.day.gather(case.day.power(turned, sky_at(case.day, case.array_sky)).dc_w)


def _curve(case: Case, i: int) -> FloatArray:
    """Return the unit's DC energies, Wh, (D,), NaN where they cannot be read or the sky is not known."""
    dc_wh = _dc_of(case, case.measured_wh[i], case.day.site.units[i])
    read = (case.measured_wh[i] < AT_LIMIT * case.day.rated_wh[i]) & case.array_sky.known
    return np.where(read, dc_wh, np.nan)


def _dc_of(case: Case, ac_wh: FloatArray, unit: Unit) -> FloatArray:
    """Return the DC energies, Wh, of which a unit's inverter made these, (D,)."""
    hours = case.day.interval_hours
    inverter = case.day.site.inverter_type(unit.inverter_type)
    return np.asarray(dc_power_from_ac(ac_wh / hours, inverter=inverter) * hours)


def _misfit(curve: FloatArray, due: FloatArray) -> tuple[float, float]:
    """Return the share of the curve's energy at the wrong time for `due`, and its level over it; NaN if not read."""
    use = np.isfinite(curve) & np.isfinite(due)
    made, expected = float(curve[use].sum()), float(due[use].sum())
    if use.sum() < LEAST_LIT or made <= 0 or expected <= 0:
        return float("nan"), float("nan")
    return _distance(curve, due, use), made / expected


def exchanged_pairs(found: list[Misplaced]) -> list[tuple[Misplaced, Misplaced]]:
    """Return the units that stand for each other: one recorded where the other fits, and the other way round."""
    pairs: list[tuple[Misplaced, Misplaced]] = []
    left = list(found)
    for first in found:
        mates = [m for m in left if (m.recorded, m.fits) == (first.fits, first.recorded)]
        if first in left and mates:
            pairs.append((first, mates[0]))
            left = [m for m in left if m not in (first, mates[0])]
    return pairs
