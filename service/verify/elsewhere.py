"""What the units elsewhere let expect of some: the like ones, or else all others by the skies that explain them.

Like units see the same sky, so that no error of the inferred one can look like a fault. Units on other planes see it
otherwise, but no cloud passes over one plane of a roof alone for minutes: what is due is the least that any sky gives
under which those others make what they do. Where they hardly see the sun that is next to nothing, and says nothing. A
unit that lies on another plane than recorded speaks for neither.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.verify.case import BoolArray, Case, once
from service.verify.causes.misplaced import misplaced_units
from service.verify.inputs import FloatArray
from service.verify.least_sky import (
    STEPS_TO_COMPARE,
    agreed_beside,
    giving,
    least_beside,
    least_by_sky,
    mostly_of_fewer,
    own_levels,
    voices_of,
)
from service.verify.levels import PEERS_FOR_COMPARISON


@dataclass(frozen=True)
class Due:
    """What rows should have made by units elsewhere, Wh, (R, D), NaN where nothing tells, and by like ones, (R,)."""

    energy_wh: FloatArray
    by_like: BoolArray


def due(case: Case, rows: list[int]) -> Due:
    """Return what units that are not among `rows` let expect of these, their own levels kept."""
    own = own_levels(case)
    agreed = agreed_beside(case, voices(case), rows)
    alike = [next(g for g, group in enumerate(case.day.groups) if i in group.members) for i in rows]
    by_like = np.asarray(np.isfinite(agreed[alike]).any(axis=1))
    expected = agreed[alike]
    if not by_like.all():
        expected[~by_like] = least_by_sky(case, agreed)[alike][~by_like]
    expected *= own[rows, None]
    return Due(np.where(expected > STEPS_TO_COMPARE * case.resolution_wh, expected, np.nan), by_like)


def may_be_the_sky(case: Case, unit: int, where: BoolArray) -> bool:
    """Return whether what a unit lacks in `where` (D,) may be the sky's by all that others show.

    Asked where it mostly works beside fewer like ones than tell their plane's light, as where others have died. A veil
    takes the sun from the plane that faces it and leaves another, with its back to the sun, as bright. Where the others
    show nothing any sky may be.
    """
    if case.source != "array" or not _is_told_elsewhere(case, unit, where):
        return False
    said, like = voices(case).copy(), list(case.like(unit))
    said[like] *= own_levels(case)[like, None]  # theirs are doubted with its own
    least_wh = least_beside(case, unit, said)
    told = where & np.isfinite(least_wh) & case.heard[unit]
    least, made = (float(wh[told].sum()) for wh in (least_wh, case.measured_wh[unit]))
    return not told.any() or made >= least * (1 - min(float(case.levels.visible[unit]), 1.0))


def _is_told_elsewhere(case: Case, unit: int, where: BoolArray) -> bool:
    """Return whether most of what a unit should have made in `where` (D,) is told by units unlike it."""
    gives = giving(case).copy()
    gives[[m.unit for m in misplaced_units(case)]] = False
    return mostly_of_fewer(case, unit, PEERS_FOR_COMPARISON, gives, where)


@once
def voices(case: Case) -> FloatArray:
    """Return what each unit says of its plane's light, (U, D), NaN where it lies on another plane or says nothing."""
    said = voices_of(case)
    said[[m.unit for m in misplaced_units(case)]] = np.nan
    return said
