"""Where a whole site falls to one share of a bright sky's light on planes that face differently. Names no cause.

Reasoning: a cloud takes the beam and leaves light from all of the sky, which planes share evenly whatever way they
face; so under clouds planes come near each other, the more the darker it is. What takes the same share of every plane's
output and leaves them as far apart as the sun puts them is no sky's doing: an interval of which the units were off for
a part, or a limit.
"""

from __future__ import annotations

import numpy as np

from service.verify.case import BoolArray, Case
from service.verify.inputs import FloatArray
from service.verify.sky import INDEX_LEVELS

BRIGHT = 0.8
"""Clear-sky index from which a sky is bright: mostly beam (our choice)."""

DARK = 0.3
"""Clear-sky index below which a cover is closed, and its light the sky's alone: no beam is left to part it otherwise
(the diffuse share of Erbs et al. 1982, doi:10.1016/0038-092X(82)90302-4, is 0.95 and more below such a clearness)."""

NO_SKY, ALIKE = 0.15, 0.04
"""How far the planes must be from what every sky gives (logarithm), and how near to one share of a bright one's."""

DEEP = 0.5
"""Share of a bright sky's light below which a site surely fell."""

LEAST_GROUPS, STEPS = 2, 5
"""Steps of the register from which an energy tells a share."""


def fallen(case: Case) -> tuple[BoolArray, BoolArray]:
    """Return where a site fell to one share of a bright sky's light as no sky makes it, and where as low, (D,)."""
    return fallen_by(case.agreed_wh, case.skies_wh, case.resolution_wh)


def fallen_by(agreed_wh: FloatArray, skies_wh: FloatArray, quantum_wh: float) -> tuple[BoolArray, BoolArray]:
    """Return the same by what the like units of each group agree on (G, D), Wh.

    `skies_wh` (G, S, K, D) is what a family of skies lets expect, `quantum_wh` the register's step.
    """
    agreed = np.where(agreed_wh > STEPS * quantum_wh, agreed_wh, np.nan)
    # most intervals are not deep under the brightest sky, either
    with np.errstate(divide="ignore", invalid="ignore"):
        may_be_deep = np.log(agreed / skies_wh[:, :, -1].max(axis=1)).mean(axis=0) < np.log(DEEP)
    told = may_be_deep & np.asarray((np.isfinite(agreed) & (skies_wh[:, :, 0].min(axis=1) > 0)).all(axis=0))
    told[told] = (skies_wh[..., told] > 0).all(axis=(0, 1, 2))
    surely, low = np.zeros(len(told), dtype=bool), np.zeros(len(told), dtype=bool)
    if len(agreed) < LEAST_GROUPS or not told.any():
        return surely, low
    shares = np.log(agreed[:, None, None, told] / skies_wh[..., told])
    bright = shares[:, :, INDEX_LEVELS >= BRIGHT]
    middle = bright.mean(axis=0)
    deep = middle < np.log(DEEP)
    alike = deep & (np.abs(bright - middle).max(axis=0) <= ALIKE)
    low[told] = deep.all(axis=(0, 1))
    surely[told] = alike.any(axis=(0, 1)) & (_off_every_sky(shares) >= NO_SKY)
    return surely, low


def _off_every_sky(shares: FloatArray) -> FloatArray:
    """Return how far the furthest plane is from the nearest sky, (D,), by log shares (G, S, K, D)."""
    off = np.abs(shares).max(axis=0)
    dark, others = off[:1, INDEX_LEVELS < DARK], off[:, INDEX_LEVELS >= DARK]
    return np.asarray(np.minimum(dark.min(axis=(0, 1)), others.min(axis=(0, 1))))
