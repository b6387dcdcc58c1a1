"""Which units' curves are those of another recorded plane than their own: shared by `swapped` and `wrong_plane`.

Two curves are compared by the share of one's energy that would have to move in time to make the other (the total
variation distance of the curves, each scaled to the same sum), so that a level says nothing here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.expect.inverter import dc_power_from_ac
from service.verify.case import BoolArray, Case
from service.verify.inputs import FloatArray
from service.verify.levels import AT_LIMIT, rated_wh

LEAST_MISFIT = 0.045
"""Share of the energy that must lie at the wrong time for the recorded plane to be doubted."""

BETTER = 0.5
"""The other plane's misfit must be below this share of the recorded one's."""

WITHIN_NOISE = 1.6
"""And below this multiple of what the units of that plane have themselves, at least LEAST_NOISE."""

LEAST_NOISE = 0.02
PLAUSIBLE_LEVEL = (0.6, 1.2)
LEAST_LIT = 12


@dataclass(frozen=True)
class Misplaced:
    """A unit with the curve of another recorded plane; misfits as shares of its energy, `level` over `fits`."""

    unit: int
    recorded: str
    fits: str
    misfit_recorded: float
    misfit_fits: float
    level: float


def misplaced_units(case: Case) -> list[Misplaced]:
    """Return the units that fit another recorded plane clearly better than their own."""
    if len(case.day.groups) < 2 or case.source == "clear_sky":
        return []
    own = {i: g for g, group in enumerate(case.day.groups) for i in group.members}
    misfits = np.stack([_misfits(case, i) for i in range(len(case.serials))])
    usual = _usual_misfit(case, misfits[:, :, 0])
    found = (_judged(case, i, own[i], misfits[i], usual) for i in range(len(case.serials)))
    return [m for m in found if m is not None]


def _misfits(case: Case, i: int) -> FloatArray:
    """Return unit `i`'s misfit against each group and its level over it, (G, 2), NaN where it cannot be read."""
    inverter = case.day.site.inverter_type(case.day.site.units[i].inverter_type)
    dc_wh = (
        dc_power_from_ac(case.measured_wh[i] / case.day.interval_hours, inverter=inverter)
        * case.day.interval_hours
    )
    below = case.measured_wh[i] < AT_LIMIT * rated_wh(case.day)[i]
    rated_dc = case.day.site.dc_rated_w(case.day.site.units[i])
    out = np.full((len(case.day.groups), 2), np.nan)
    for g, group in enumerate(case.day.groups):
        due = case.peers.dc_wh[group.members[0]] * rated_dc / (group.module.pmax_w * group.module_count)
        use = np.isfinite(dc_wh) & below & case.array_sky.known & (case.clear_wh.max(axis=0) > 0)
        if use.sum() >= LEAST_LIT and dc_wh[use].sum() > 0 and due[use].sum() > 0:
            out[g] = _distance(dc_wh, due, use), dc_wh[use].sum() / due[use].sum()
    return out


def _distance(made: FloatArray, due: FloatArray, use: BoolArray) -> float:
    return float(np.abs(made[use] / made[use].sum() - due[use] / due[use].sum()).sum() / 2)


def _usual_misfit(case: Case, misfits: FloatArray) -> FloatArray:
    """Return what the units of each group usually miss their own plane by, (G,)."""
    usual = [misfits[list(group.members), g] for g, group in enumerate(case.day.groups)]
    return np.array(
        [max(LEAST_NOISE, float(np.nanmedian(u))) if np.isfinite(u).any() else np.inf for u in usual]
    )


def _judged(case: Case, i: int, own: int, misfits: FloatArray, usual: FloatArray) -> Misplaced | None:
    recorded = misfits[own, 0]
    elsewhere = [g for g, group in enumerate(case.day.groups) if group.plane != case.day.groups[own].plane]
    candidates = [g for g in elsewhere if np.isfinite(misfits[g, 0])]
    if not candidates or not np.isfinite(recorded):
        return None
    best = min(candidates, key=lambda g: float(misfits[g, 0]))
    misfit, level = float(misfits[best, 0]), float(misfits[best, 1])
    fits = misfit < min(BETTER * recorded, WITHIN_NOISE * usual[best])
    if recorded < max(LEAST_MISFIT, 2 * usual[own]) or not fits:
        return None
    if not PLAUSIBLE_LEVEL[0] < level < PLAUSIBLE_LEVEL[1]:
        return None
    names = case.day.groups[own].plane.name, case.day.groups[best].plane.name
    return Misplaced(i, *names, float(recorded), misfit, level)


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
