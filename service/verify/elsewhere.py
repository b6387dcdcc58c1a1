"""What the units elsewhere let expect of some: the like ones, or else all others by the skies that explain them.

Like units see the same sky, so that no error of the inferred one can look like a fault. Units on other planes see it
otherwise, but no cloud passes over one plane of a roof alone for minutes: what is due is the least that any sky gives
under which those others make what they do. Where they hardly see the sun that is next to nothing, and says nothing. A
unit that lies on another plane than recorded speaks for neither.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.verify.case import GIVES_NOTHING, BoolArray, Case, once
from service.verify.causes.misplaced import misplaced_units
from service.verify.consensus import AGREEMENT, consensus
from service.verify.inputs import FloatArray
from service.verify.levels import AT_LIMIT
from service.verify.sky import without_silent

SAME_SKY, WORST_FIT = 0.1, 0.2
"""How much worse than the best a sky may explain a unit, and how badly the best: the model's band (see `site_low`)
and twice it."""

STEPS_TO_COMPARE = 10
"""Steps of a coarse register from which a loss of a fifth is more than two of them; of n units together the root of
n-th part is as sure."""


@dataclass(frozen=True)
class Due:
    """What rows should have made by units elsewhere, Wh, (R, D), NaN where nothing tells, and by like ones, (R,)."""

    energy_wh: FloatArray
    by_like: BoolArray


def due(case: Case, rows: list[int]) -> Due:
    """Return what units that are not among `rows` let expect of these, their own levels kept."""
    own = _own_levels(case)
    agreed = _agreed(case, _voices(case), rows)
    alike = [next(g for g, group in enumerate(case.day.groups) if i in group.members) for i in rows]
    by_like = np.asarray(np.isfinite(agreed[alike]).any(axis=1))
    expected = agreed[alike]
    if not by_like.all():
        expected[~by_like] = _least(case, agreed)[alike][~by_like]
    expected *= own[rows, None]
    return Due(np.where(expected > STEPS_TO_COMPARE * case.resolution_wh, expected, np.nan), by_like)


def may_be_the_sky(case: Case, unit: int, where: BoolArray) -> bool:
    """Return whether what a unit without any like one lacks in `where` (D,) may be the sky's by all that others show.

    A veil takes the sun from the plane that faces it and leaves another, with its back to the sun, as bright. Where the
    others show nothing any sky may be.
    """
    least_wh = _least_of_lone(case).get(unit)
    if least_wh is None:
        return False
    told = where & np.isfinite(least_wh) & case.heard[unit]
    least, made = (float(wh[told].sum()) for wh in (least_wh, case.measured_wh[unit]))
    return not told.any() or made >= least * (1 - min(float(case.levels.visible[unit]), 1.0))


@once
def _least_of_lone(case: Case) -> dict[int, FloatArray]:
    """Return the least that others let expect of each unit that stands beside no like one, Wh, (D,)."""
    there = case.given > GIVES_NOTHING
    there[[m.unit for m in misplaced_units(case)]] = False
    live = ([i for i in group.members if there[i]] for group in case.day.groups)
    lone = {g: rows for g, rows in enumerate(live) if len(rows) == 1 and case.source == "array"}
    return {rows[0]: _least(case, _agreed(case, _voices(case), rows))[g] for g, rows in lone.items()}


def _own_levels(case: Case) -> FloatArray:
    """Return the units' levels, 1 where none is known, (U,)."""
    return np.where(np.isfinite(case.levels.level) & (case.levels.level > 0.1), case.levels.level, 1.0)


def _voices(case: Case) -> FloatArray:
    """Return what each unit says of its plane's light, its own level taken out, (U, D), NaN where it says nothing."""
    given = np.where(case.light, case.measured_wh, np.nan) / _own_levels(case)[:, None]
    voices = without_silent(case.day, given)
    voices[[m.unit for m in misplaced_units(case)]] = np.nan
    return voices


def _agreed(case: Case, voices: FloatArray, rows: list[int]) -> FloatArray:
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


def _least(case: Case, agreed: FloatArray) -> FloatArray:
    """Return the least that each group makes under any sky that explains what the others agreed on, Wh, (G, D)."""
    worst = np.zeros(case.skies_wh.shape[1:])
    for group, made_wh, by_sky in zip(case.day.groups, agreed, case.skies_wh, strict=True):
        limit = AT_LIMIT * case.day.rated_wh[group.members[0]]
        made = np.minimum(made_wh, limit)
        away = np.abs(np.minimum(by_sky, limit) / made - 1)
        worst = np.maximum(worst, np.where(np.isfinite(made), away, 0.0))
    best = worst.min(axis=(0, 1))
    explains = worst <= best + SAME_SKY
    least = np.where(explains, case.skies_wh, np.inf).min(axis=(1, 2))
    told = np.isfinite(agreed).any(axis=0) & (best <= WORST_FIT)
    return np.where(told, least, np.nan)
