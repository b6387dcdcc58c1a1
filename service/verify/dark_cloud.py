"""Whether a dark cloud may be all that stills a site's registers for a while, as if it were off. Names no cause."""

from __future__ import annotations

import numpy as np

from service.verify.case import BoolArray, Case
from service.verify.inputs import FloatArray
from service.verify.sky import INDEX_LEVELS

DARK_CLOUD = 0.1
"""Clear-sky index of a dark cloud (our choice). With the sun low it leaves whole watt-hours at zero as trips do, but
seldom comes again."""

SUN_BESIDE, SUN_BESIDE_MINUTES, DARK_IN_SUN = 0.8, 15, 0.12
"""Clear-sky index so shortly before and after a dip between which no cloud is as dark as the last: of 4000 means of
five minutes between such, on one level and three tilted planes at Payerne (29 days of June 2016), the darkest is
0.128."""

DARK_MEANS_MINUTES = (5, 10)
"""Means of which that is known: those of a minute are darker, and a longer one may hide what stands between."""


def would_show(case: Case, rows: list[int], dips: BoolArray) -> bool:
    """Return whether in some of the `dips` (D,) a dark cloud's light would have moved the register of some of the rows.

    Of what comes together in a dip between sun a register, which counts on, hides less than a step.
    """
    groups = [g for g, group in enumerate(case.day.groups) if not set(rows).isdisjoint(group.members)]
    dark, in_sun = np.searchsorted(INDEX_LEVELS, (DARK_CLOUD, DARK_IN_SUN))
    if (case.skies_wh[groups, 0, dark][:, dips] >= case.resolution_wh).any():
        return True
    together = _between_sun(case, dips, case.skies_wh[groups, 0, in_sun])
    return any(bool((wh >= case.resolution_wh).any()) for wh in together)


def darker_than_clouds(case: Case, rows: list[int], made_wh: FloatArray) -> BoolArray:
    """Return where rows that make this together, Wh, (D,), have less light than any cloud between sun leaves."""
    shortest, longest = DARK_MEANS_MINUTES
    if not shortest <= case.day.grid.interval_min <= longest:
        return np.zeros(len(made_wh), dtype=bool)
    sky, left_wh = np.searchsorted(INDEX_LEVELS, DARK_IN_SUN), np.zeros(len(made_wh))
    for wh, group in zip(case.skies_wh[:, 0, sky], case.day.groups, strict=True):
        left_wh += wh * case.heard[[i for i in group.members if i in rows]].sum(axis=0)
    before, after = _sun_beside(case)
    return np.asarray((made_wh < left_wh - case.resolution_wh * np.sqrt(len(rows))) & before & after)


def _sun_beside(case: Case) -> tuple[BoolArray, BoolArray]:
    """Return where the sun shone shortly before and shortly after, (D,) each."""
    reach = max(SUN_BESIDE_MINUTES // case.day.grid.interval_min, 1)
    sunny = np.asarray(case.array_sky.known & (case.array_sky.index >= SUN_BESIDE))
    return within_before(sunny, reach), within_before(sunny[::-1], reach)[::-1]


def _between_sun(case: Case, dips: BoolArray, light_wh: FloatArray) -> list[FloatArray]:
    """Return the sums of light (G, D), Wh, over each dip between sun, (G,) each."""
    before, after = _sun_beside(case)
    at = np.flatnonzero(dips)
    runs = [run for run in np.split(at, np.flatnonzero(np.diff(at) > 1) + 1) if len(run)]
    return [light_wh[:, run].sum(axis=1) for run in runs if before[run[0]] and after[run[-1]]]


def within_before(where: BoolArray, reach: int) -> BoolArray:
    """Return where one of the `reach` intervals before is true, (D,)."""
    counts = np.concatenate((np.zeros(reach + 1, dtype=int), np.cumsum(where)))
    return np.asarray(counts[reach:-1] > counts[:-reach][: len(where)])
