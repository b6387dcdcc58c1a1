"""Which units' curves are those of another plane than their own, recorded or not: for `swapped` and `wrong_plane`.

Two curves are compared by the share of one's energy that would have to move in time to make the other (the total
variation distance of the curves, each scaled to the same sum), so that a level says nothing here. What a plane should
give is the model's; where enough of its units tell what it gave, clouds and the model's errors fall out, and less is
asked, or the level beside the curve. And faults take energy and never add it: a unit far brighter than its plane's
others, with another's curve and level, is there.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass, replace
from itertools import permutations

import numpy as np

from service.expect.energy import UnitGroup
from service.verify.angles import LIKE_ANOTHER_DEG, apart_deg, azimuths_apart_deg
from service.verify.case import GIVES_NOTHING, Case, once
from service.verify.consensus import median
from service.verify.divided import Stray, apart, divided, middle
from service.verify.inputs import FloatArray
from service.verify.least_sky import giving, least_beside, mostly_of_fewer, voices_of
from service.verify.plane_beam import TELLING_BEAM
from service.verify.sky import sky_at
from service.verify.unit_curves import by_rating, misfits_to

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
FITS_SURELY, LEVEL_IF_SURE = 0.25, (0.6, 1.2 / 0.65)
"""Misfit over the recorded plane's from which a curve is the other plane's even above the light that it shows: those
that tell it may all lack a substring and give 0.65 of it."""

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
SURE_SUN = 0.6
LEAST_LIKE = 3
"""Direct sun, and like units without another fault, of which the others tell the sky, from which a free orientation is
looked for. To a unit without like ones the sun surely shines where others leave it such a share of the clear sky's: of
such units of another engine six that lay elsewhere had it for 3.5 hours or more, four under covers for 1.5 at most."""

ODD = 2.0
"""How many times as badly as its like ones, in the middle, a unit that faces another way fits their plane: their light
is what the model errs on alike (our choice)."""

AS_ITS_PLANE, MOST_AS_ITS_PLANE = 0.02, 0.25
"""How near to its like ones a unit is, in the sun, for how much of its energy on end, that does not lie elsewhere: two
curves cross, and do not run together. What it lacks at other times is a shadow's. Of 31 single units of days that lay
elsewhere (`tests/bench`) one did so for half of its energy, the others for 0.18 at most."""

BRIGHTER_THERE, LEAST_GAIN, GAINED = 1.04, 0.002, 1 / 3
"""From how much more light another orientation has at times, for how much more of the energy in all, it must show there
in so much of that over its like ones: a shadow only takes. Six units in deep shade that seemed to face elsewhere gained
nothing (400 weeks of `tests/bench/stranger`); all that do face elsewhere and were told there are told as before."""

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


@once
def misplaced_units(case: Case) -> list[Misplaced]:
    """Return the units that fit another recorded plane clearly better than their own."""
    if case.of_all is not None:
        return [_seen_anew(case, m) for m in misplaced_units(case.of_all)]
    if len(case.day.groups) < 2 or case.source == "clear_sky":
        return []
    misfits = _misfits(case)
    own = {i: g for g, group in enumerate(case.day.groups) for i in group.members}
    by_record = np.array([misfits[i, own[i]] for i in range(len(case.serials))])
    likeliest = [_likeliest(case, i, own[i], misfits[i], by_record) for i in range(len(case.serials))]
    told = divided(case)
    likeliest = [m if m and m.unit not in told.in_place else None for m in likeliest]
    found = [m for s in told.strays if (m := _on_another(case, s)) is not None]
    # shade may turn a stray one's light away from the plane that its curve fits
    known = told.in_place | {m.unit for m in found}
    by_curve = (m for m in likeliest if m and m.unit not in known)
    found += [m for m in by_curve if _is_bright(case, m, by_record) or _is_better(case, m, by_record)]
    found += _like_others(case, misfits, known | {m.unit for m in found})
    exchanged, there = {(m.fits, m.recorded) for m in found}, {m.unit for m in found}
    mates = (m for m in likeliest if m and m.unit not in there and (m.recorded, m.fits) in exchanged)
    return sorted([*found, *(m for m in mates if _is_dark(case, m, by_record))], key=lambda m: m.unit)


def _on_another(case: Case, stray: Stray) -> Misplaced | None:
    """Return a stray unit as misplaced on the plane that faces as it does, None where none does."""
    own = next(g for g in case.day.groups if stray.unit in g.members)
    others = [p for p in case.alignment.site.planes if p.name != own.plane.name]
    best = min(others, key=lambda p: apart_deg(p, stray), default=None)
    if best is None or apart_deg(best, stray) > LIKE_ANOTHER_DEG:
        return None
    recorded, fits = _misfits_of(case, stray.unit, own, best.tilt_deg, best.azimuth_deg)
    return Misplaced(stray.unit, own.plane.name, best.name, recorded, fits, 1.0)


def _misfits_of(case: Case, unit: int, own: UnitGroup, tilt: float, azimuth: float) -> tuple[float, float]:
    """Return a unit's misfits to its own plane and to another orientation."""
    curve = _curves(case)[unit]
    return apart(curve, case.peers.dc_wh[unit]), apart(curve, _due(case, own, tilt, azimuth))


def _seen_anew(case: Case, m: Misplaced) -> Misplaced:
    """Return a stray unit with its misfits under the sky that is read without such units."""
    strays = divided(case.of_all).strays if case.of_all else ()
    stray = next((s for s in strays if s.unit == m.unit), None)
    return m if stray is None else _on_another(case, stray) or m


def _like_others(case: Case, misfits: FloatArray, found: Collection[int]) -> list[Misplaced]:
    """Return the units, but those `found`, that give what another plane's others do and their own's do not.

    By their `misfits` (U, G, 2) the model must agree, or one of the other plane be found the other way round: most of a
    plane may stand in shade, and one in the sun.
    """
    curves, heard = _curves(case), np.asarray(case.heard.any(axis=1))
    groups = [
        _Given.of(case, g, group)
        for g, group in enumerate(case.day.groups)
        if len(group.members) >= LEAST_OTHERS
    ]
    told = [
        (m, bool(misfits[i, there.at, 0] < misfits[i, own.at, 0]))
        for own, there in permutations(groups, 2)
        if own.group.plane != there.group.plane
        and misfits_to(there.agreed[None], own.agreed)[0, 0] >= LEAST_DISTANCE
        for i, here, away in zip(
            own.rows, own.misfits, misfits_to(curves[own.rows], there.agreed), strict=True
        )
        if i not in found and heard[own.rows].sum() - heard[i] >= LEAST_LIKE_IT
        if (m := _as_there(i, here.tolist(), away.tolist(), own, there)) is not None
    ]
    both = {(m.fits, m.recorded) for m, _ in told}
    sure = [m for m, nearer in told if nearer or (m.recorded, m.fits) in both]
    nearest = sorted(sure, key=lambda m: m.misfit_fits, reverse=True)
    return list({m.unit: m for m in nearest}.values())


@dataclass(frozen=True)
class _Given:
    """What most units of group `at` gave by the rating, (D,), and the misfit that a further one would have to it.

    `rows` (n,) are its units and those of other types on its plane that are too few to tell what their like give;
    `misfits` (n, 2) are theirs and their levels over it, `scatter` is that of its own.
    """

    at: int
    group: UnitGroup
    agreed: FloatArray
    rows: list[int]
    misfits: FloatArray
    scatter: float

    @classmethod
    def of(cls, case: Case, at: int, group: UnitGroup) -> _Given:
        """Return what a group gave."""
        made = by_rating(case, group, case.agreed_wh[at])
        rows = [*group.members, *_of_rare_types(case, group)]
        misfits = misfits_to(_curves(case)[rows], made)
        own = misfits[: len(group.members), 0]
        heard = own[np.isfinite(own)]
        # each has its own share in what they agree on
        unlike = math.sqrt((len(heard) + 1) / max(len(heard) - 1, 1))
        return cls(at, group, made, rows, misfits, unlike * median(heard))


def _of_rare_types(case: Case, group: UnitGroup) -> list[int]:
    """Return the units beside a group whose like are too few on the plane, if this is its largest group."""
    beside = [g for g in case.day.groups if g.plane == group.plane]
    if group is not max(beside, key=lambda g: len(g.members)):
        return []
    return [i for g in beside if len(g.members) < LEAST_OTHERS for i in g.members]


def _as_there(i: int, here: list[float], away: list[float], own: _Given, there: _Given) -> Misplaced | None:
    """Return the unit as misplaced if it has the curve and level of another plane's units, unlike those of its own.

    `here` and `away` are its misfit to what either gave and its level over that.
    """
    if not here[0] >= LEAST_DISTANCE:
        return None
    misfit, level = away
    if not misfit <= max(AS_USUAL * there.scatter, NOISE_OF_OTHERS):
        return None
    shape = here[0] >= max(LEAST_MISFIT_OF_OTHERS, misfit / BETTER_OF_OTHERS)
    another = abs(here[1] - 1) >= ANOTHER_LEVEL and here[0] >= UNUSUAL * own.scatter
    if not abs(level - 1) <= (NEAR_LEVEL if shape else SAME_LEVEL if another else 0.0):
        return None
    return Misplaced(i, own.group.plane.name, there.group.plane.name, here[0], misfit, level)


def _misfits(case: Case) -> FloatArray:
    """Return the units' misfits against each group and their levels over it, (U, G, 2), NaN where not to be read."""
    curves = np.where(case.clear_wh.max(axis=0) > 0, _curves(case), np.nan)
    due = (case.peers.dc_wh[g.members[0]] / (g.module.pmax_w * g.module_count) for g in case.day.groups)
    return np.stack([misfits_to(curves, d) for d in due], axis=1)


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
    surely = misfit < FITS_SURELY * misfits[own, 0]
    least, most = LEVEL_IF_SURE if surely else PLAUSIBLE_LEVEL
    if misfit >= WITHIN_NOISE * usual or not least < level < most:
        return None
    names = groups[own].plane.name, groups[best].plane.name
    return Misplaced(i, *names, float(misfits[own, 0]), misfit, level)


def _is_better(case: Case, m: Misplaced, by_record: FloatArray) -> bool:
    """Return whether the other plane's curve fits far better than the unit's own, which those beside it fit.

    Under a closed cover all planes have the same light, which on an only unit's plane is another's as well.
    """
    few = _beside_fewer(case, m.unit, LEAST_LIKE)
    if few and min(_sun_h(case), _sure_sun_h(case, m.unit)) < LEAST_SUN_H:
        return False
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
    """Return the rows of those like the unit, or of all other units if it has no like, that give anything."""
    others = [k for k in np.flatnonzero(case.given > GIVES_NOTHING) if k != m.unit]
    return by_record[[k for k in others if k in case.like(m.unit)] or others]


def turned_units(case: Case, left: Collection[int]) -> list[Turned]:
    """Return which of the units in `left` fit another orientation, that no plane has, clearly better than their own.

    What all like units fit better is no unit's place, but their plane's description or the clock.
    """
    strays = _strays(case, left)
    left = set(left) - {t.unit for t in strays} - divided(case.of_all or case).in_place
    return [*strays, *_turned_units(case.of_all or case, left)]


def _strays(case: Case, left: Collection[int]) -> list[Turned]:
    """Return those of the units in `left` that the light on divided planes shows to face as no plane does."""
    own, strays = {i: g for g in case.day.groups for i in g.members}, divided(case.of_all or case).strays
    found = [
        Turned(s.unit, own[s.unit].plane.name, s.azimuth_deg, s.tilt_deg, *misfits)
        for s in strays
        if s.unit in left and _on_another(case, s) is None
        for misfits in [_misfits_of(case, s.unit, own[s.unit], s.tilt_deg, s.azimuth_deg)]
    ]
    return [t for t in found if _gains(case, t, own[t.unit], {s.unit for s in strays})]


def _turned_units(case: Case, left: Collection[int]) -> list[Turned]:
    """Return which of the units in `left` fit another orientation than their own far better by their curve alone."""
    if case.source == "clear_sky" or _sun_h(case) < LEAST_SUN_H:
        return []
    curves = _curves(case)
    misfits = misfits_to(curves, case.peers.dc_wh)[:, 0]
    least = max(LEAST_MISFIT_OF_TURNED, 3 * float(np.nanmedian([*misfits, 1.0])))
    sound = ((g, [i for i in g.members if i in left]) for g in case.day.groups)
    own = {i: g for g, members in sound for i in members if len(members) >= LEAST_LIKE}
    odd = (i for i, group in own.items() if misfits[i] >= least and _is_odd(misfits, i, group))
    doubted = [i for i in odd if not _runs_with_its_plane(case, i)]
    found = [t for i in doubted if (t := _turned(case, i, own[i], curves[i], float(misfits[i]))) is not None]
    units = {t.unit for t in found}
    beside = [t for t in found if any(own[k] is own[t.unit] and k not in units for k in own)]
    return [t for t in beside if _gains(case, t, own[t.unit], units)]


def _gains(case: Case, found: Turned, own: UnitGroup, elsewhere: Collection[int]) -> bool:
    """Return whether a unit gives more than its like ones where the light on its orientation lets expect that.

    Of those that lie `elsewhere` none tells what they give.
    """
    giving = [k for k in own.members if k not in elsewhere and case.given[k] > GIVES_NOTHING]
    if not giving:
        return True
    curve, others = _curves(case)[found.unit], middle([_curves(case)[k] for k in giving])
    recorded_h = _due(case, own, own.plane.tilt_deg, own.plane.azimuth_deg)
    there_h = _due(case, own, found.tilt_deg, found.azimuth_deg)
    read = np.isfinite(curve) & np.isfinite(others) & (recorded_h > 0)
    brighter = read & (there_h > BRIGHTER_THERE * recorded_h)
    due = (others * (there_h / np.where(read, recorded_h, 1.0) - 1))[brighter].sum()
    if due < LEAST_GAIN * others[read].sum():
        return True
    return bool((curve - others)[brighter].sum() >= GAINED * due)


def _is_odd(misfits: FloatArray, i: int, group: UnitGroup) -> bool:
    """Return whether a unit misses its plane far more than its like ones do: under covers all of a plane may."""
    others = [misfits[k] for k in group.members if k != i and np.isfinite(misfits[k])]
    return bool(misfits[i] >= ODD * float(np.median(others or [0.0])))


def _runs_with_its_plane(case: Case, i: int) -> bool:
    """Return whether a unit gives what its like ones do for long while the sun shines on their plane."""
    level, weight = case.levels.relative_series(i), case.levels.weight[i]
    read = np.isfinite(level) & (weight > 0)
    if not read.any():
        return False
    sun = case.sunward_shares[case.day.site.units[i].plane] > TELLING_BEAM
    # a single reading's noise is no crossing
    smooth = np.convolve(np.pad(level[read], 1, mode="edge"), np.ones(3) / 3, mode="valid")
    near = sun[read] & (np.abs(smooth - 1) <= AS_ITS_PLANE) & (case.levels.grain[i, read] <= AS_ITS_PLANE / 2)
    most = np.bincount(np.cumsum(~near)[near], weights=weight[read][near], minlength=1).max()
    return bool(most >= MOST_AS_ITS_PLANE * weight[read].sum())


def _sun_h(case: Case) -> float:
    return (
        float((case.array_sky.known & (case.array_sky.index >= CLEAR_INDEX)).sum()) * case.day.interval_hours
    )


def _sure_sun_h(case: Case, unit: int) -> float:
    """Return for how long the sun surely shone on a unit's plane by all that others show, h.

    If these have their backs to it a cover may be what looks like it; a unit beside like ones has these to tell.
    """
    if not _beside_fewer(case, unit, 2) or case.source != "array":
        return math.inf
    least_wh = least_beside(case, unit, voices_of(case))
    return float((least_wh >= SURE_SUN * case.clear_wh[unit]).sum()) * case.day.interval_hours


def _beside_fewer(case: Case, unit: int, count: int) -> bool:
    """Return whether a unit mostly works beside fewer like ones, itself among them."""
    return mostly_of_fewer(case, unit, count, giving(case), case.heard[unit])


def _turned(case: Case, i: int, own: UnitGroup, curve: FloatArray, recorded: float) -> Turned | None:
    tilt, azimuth = _best_orientation(case, curve, own)
    misfit, level = misfits_to(curve[None], _due(case, own, tilt, azimuth))[0].tolist()
    fits = misfit < min(BETTER_TURNED * recorded, MOST_MISFIT_OF_TURNED)
    turn = azimuths_apart_deg(azimuth, own.plane.azimuth_deg)
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
    return float(misfits_to(curve[None], _due(case, own, *at))[0, 0])


def _due(case: Case, own: UnitGroup, tilt: float, azimuth: float) -> FloatArray:
    """Return the DC energies, over the rating, of a unit like those of `own` but for its orientation, h, (D,)."""
    turned = replace(own, plane=replace(own.plane, tilt_deg=tilt, azimuth_deg=azimuth))
    dc_wh = case.day.gather(case.day.power(turned, sky_at(case.day, case.array_sky)).dc_w)
    return dc_wh / (own.module.pmax_w * own.module_count)


@once
def _curves(case: Case) -> FloatArray:
    """Return the units' DC energies over their ratings, h, (U, D), NaN where not to be read or under no known sky."""
    out = np.full(case.measured_wh.shape, np.nan)
    for group in case.day.groups:
        rows = list(group.members)
        out[rows] = by_rating(case, group, case.measured_wh[rows])
    return np.where(case.array_sky.known, out, np.nan)


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
