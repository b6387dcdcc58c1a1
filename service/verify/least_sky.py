"""What units on other planes let expect of some at least: the darkest sky under which those make what they do.

No cloud passes over one plane of a roof alone for minutes, so that all planes see one sky; but planes with their backs
to the sun are as bright under a cover as in it, and leave open which of the two it was. Names no cause.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from service.verify.case import GIVES_NOTHING, BoolArray, Case, once
from service.verify.consensus import AGREEMENT, consensus
from service.verify.inputs import FloatArray
from service.verify.levels import AT_LIMIT, BETWEEN_PLANES
from service.verify.sky import sunward_shares, without_silent

SAME_SKY, WORST_FIT = 0.1, 0.2
"""How much worse than the best a sky may explain a unit, and how badly the best: the model's band (see `site_low`)
and twice it."""

LEAST_SUN_SHARE = 2 * SAME_SKY
"""Share of its light that the sun gives a plane under a clear sky from which it tells whether it shines: one with its
back to it is as bright under a cover, and what clouds beside the sun add to its light is no sun."""

STEPS_TO_COMPARE = 10
"""Steps of a coarse register from which a loss of a fifth is more than two of them; of n units together the root of
n-th part is as sure."""

MOSTLY = 0.5
"""Share of what is due to a unit from which it stands beside so few."""


def own_levels(case: Case) -> FloatArray:
    """Return the units' levels, 1 where none is known, (U,)."""
    return np.where(np.isfinite(case.levels.level) & (case.levels.level > 0.1), case.levels.level, 1.0)


def voices_of(case: Case) -> FloatArray:
    """Return what each unit says of its plane's light, its own level taken out, (U, D), NaN where it says nothing."""
    given = np.where(case.light, case.measured_wh, np.nan) / own_levels(case)[:, None]
    return without_silent(case.day, given)


def agreed_beside(case: Case, voices: FloatArray, rows: list[int]) -> FloatArray:
    """Return what most of the other units of each group made, Wh, (G, D), NaN where they tell nothing."""
    out = np.full((len(case.day.groups), voices.shape[1]), np.nan)
    for g, group in enumerate(case.day.groups):
        others = [i for i in group.members if i not in rows]
        if others:
            step = case.resolution_wh
            reference = consensus(voices[others], width=AGREEMENT, floor=2 * step)
            near = _near(voices[others], reference, 2 * step)
            enough = reference * np.sqrt(near.sum(axis=0)) > STEPS_TO_COMPARE * step
            most = near.sum(axis=0) > 0.5 * np.isfinite(voices[others]).sum(axis=0)
            out[g] = np.where(enough & most, reference, np.nan)
    return out


def _near(voices: FloatArray, reference: FloatArray, floor: float) -> BoolArray:
    """Return which voices (n, D) support the reference (D,): one on another plane does not."""
    with np.errstate(invalid="ignore"):
        return np.asarray(np.abs(voices - reference) <= AGREEMENT * reference + floor)


def least_by_sky(case: Case, agreed: FloatArray) -> FloatArray:
    """Return the least that each group makes under any sky that explains what the others agreed on, Wh, (G, D)."""
    worst = _misfit(case, agreed)
    best = worst.min(axis=(0, 1))
    explains = worst <= best + SAME_SKY
    least = np.where(explains, case.skies_wh, np.inf).min(axis=(1, 2))
    told = (np.isfinite(agreed) & (_sun_shares(case) > LEAST_SUN_SHARE)).any(axis=0) & (best <= WORST_FIT)
    return np.where(told, least, np.nan)


def likely_by_sky(case: Case, agreed: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return what each group makes by the skies that explain what the others agreed on, and its spread, Wh, (G, D).

    Each sky counts as likely as a plane's level is known from another's through the model. NaN where none explains.
    """
    worst = _misfit(case, agreed)
    best = worst.min(axis=(0, 1))
    likely = np.exp(-(worst**2 - best**2) / (2 * BETWEEN_PLANES**2))
    likely /= likely.sum(axis=(0, 1))
    mean = (likely * case.skies_wh).sum(axis=(1, 2))
    square = (likely * case.skies_wh**2).sum(axis=(1, 2))
    told = np.isfinite(agreed).any(axis=0) & (best <= SAME_SKY)
    spread = np.sqrt(np.maximum(square - mean**2, 0.0))
    return np.where(told, mean, np.nan), np.where(told, spread, np.nan)


def _misfit(case: Case, agreed: FloatArray) -> FloatArray:
    """Return by how much each sky is off the worst explained of what groups agreed on, (S, K, D), as a share of it."""
    worst = np.zeros(case.skies_wh.shape[1:])
    for group, made_wh, by_sky in zip(case.day.groups, agreed, case.skies_wh, strict=True):
        limit = AT_LIMIT * case.day.rated_wh[group.members[0]]
        made = np.minimum(made_wh, limit)
        away = np.abs(np.minimum(by_sky, limit) / made - 1)
        worst = np.maximum(worst, np.where(np.isfinite(made), away, 0.0))
    return worst


@once
def _sun_shares(case: Case) -> FloatArray:
    """Return the share of each group's light that a clear sky's sun gives it, open horizons taken, (G, D)."""
    planes = [replace(plane, horizon=()) for plane in case.day.site.planes]
    shares = sunward_shares(case.day, case.day.clear, planes)
    return np.stack([shares[group.plane.name] for group in case.day.groups])


def least_beside(case: Case, unit: int, voices: FloatArray) -> FloatArray:
    """Return the least that a unit makes by what all others say (U, D), Wh, (D,), NaN where they tell nothing."""
    own = next(g for g, group in enumerate(case.day.groups) if unit in group.members)
    return np.asarray(least_by_sky(case, agreed_beside(case, voices, [unit]))[own])


@once
def giving(case: Case) -> BoolArray:
    """Return where units give what their plane may, (U, D)."""
    return np.asarray(case.measured_wh > GIVES_NOTHING * np.nan_to_num(case.peers.energy_wh))


def mostly_of_fewer(case: Case, unit: int, count: int, gives: BoolArray, where: BoolArray) -> bool:
    """Return whether fewer than `count` like units give, itself among them, while most of a unit's energy is due.

    Asked of the intervals `where` (D,); `gives` is (U, D). Others may have died.
    """
    due = np.where(where & case.heard[unit], np.nan_to_num(case.peers.energy_wh[unit]), 0.0)
    few = gives[list(case.like(unit))].sum(axis=0) < count
    return bool(due[few].sum() > MOSTLY * due.sum())
