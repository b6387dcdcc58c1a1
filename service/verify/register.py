"""Which kind of register counted the readings: one that counts on, or one that begins anew and cuts each value.

What is below a step is not lost to a register that counts on: it comes in a later value. So values of like units, whose
light is the same, go up and down by a step at unlike times. Cut ones are alike but where the light crosses a step.
"""

from __future__ import annotations

import numpy as np

from service.verify.day import Daylight
from service.verify.inputs import FloatArray

FEW_STEPS = 3
"""Up to so many steps a value tells the kind; above, a unit's own level moves cut values, too."""

LEAST_PAIRS, COUNTS_ON = 20, 0.11
"""How many values must follow one another, and the share that goes up or down beside the like units' from which they
are counted on: 44 simulated days of cut values had 0.08 at most (`tests/bench/stranger`), 51 of values counted on had
0.14 at least (`tests/bench/fleet`)."""


def counts_on(measured_wh: FloatArray, day: Daylight, resolution_wh: float) -> bool:
    """Return whether values (U, D) of whole steps are surely a register's that counts on; False where too few tell it.

    `resolution_wh` is the step, not 0. Values of nothing do not count: a unit that stops tells nothing of its register.
    """
    pairs = changed = 0
    follows = np.diff(day.positions) == 1
    for rows in (list(g.members) for g in day.groups if len(g.members) > 2):
        steps = np.round(measured_wh[rows] / resolution_wh)
        steps = np.where(steps > 0, steps, np.nan)
        heard = np.isfinite(steps).any(axis=0)
        middle = np.full(steps.shape[1], np.nan)
        middle[heard] = np.nanmedian(steps[:, heard], axis=0)
        few = middle <= FEW_STEPS
        beside = np.abs(np.diff(steps - middle, axis=1))
        counted = np.isfinite(beside) & few[1:] & few[:-1] & follows
        pairs += int(counted.sum())
        changed += int((beside[counted] >= 1).sum())
    return pairs >= LEAST_PAIRS and changed >= COUNTS_ON * pairs
