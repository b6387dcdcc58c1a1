"""When a unit gives nothing: what a counter's step can hide is no silence. Whose fault it is, the causes say."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from service.verify.inputs import FloatArray

Mask = NDArray[np.bool_]

SILENT = 0.02
"""Measured over expected below which a unit counts as giving nothing."""

SURE_STEPS, SURE_STEPS_OF_DARKEST = 3, 2
"""Steps of a coarse register that must have been due before its zero means that nothing was given, and by the darkest
other explanation, one more than a zero can hide: short trips in full sun had 2 to 3."""


def silences(
    measured_wh: FloatArray,
    due_wh: FloatArray,
    seen: Mask,
    quantum_wh: float,
    *,
    darkest_wh: FloatArray | None = None,
) -> Mask:
    """Return where a unit gave nothing among the `seen` intervals, for longer than its register's step can hide.

    All (U, D); energies in Wh, `quantum_wh` the register's step, 0 where there is none; `darkest_wh` what would be due
    by the darkest other explanation (`sky.without_sun`), `due_wh` itself where there is none.
    """
    with np.errstate(invalid="ignore"):
        nothing = seen & (due_wh > 0) & (measured_wh <= SILENT * due_wh)
    if quantum_wh == 0:
        return np.asarray(nothing)
    darkest = due_wh if darkest_wh is None else darkest_wh
    rows = zip(nothing, seen, due_wh, darkest, strict=True)
    least = SURE_STEPS * quantum_wh, SURE_STEPS_OF_DARKEST * quantum_wh
    return np.stack([_long_runs(n, s, due, least) for n, s, *due in rows])


def with_flanks(silent: Mask) -> Mask:
    """Return the silences (U, D) and the intervals beside them: a unit stops and comes back within an interval."""
    out = silent.copy()
    out[:, 1:] |= silent[:, :-1]
    out[:, :-1] |= silent[:, 1:]
    return out


def _long_runs(nothing: Mask, seen: Mask, due_wh: Sequence[FloatArray], least_wh: Sequence[float]) -> Mask:
    """Return the runs of `nothing` among the `seen` intervals in which of each due (D,) at least so much was, (D,)."""
    out = np.zeros(nothing.shape, dtype=bool)
    at = np.flatnonzero(seen)
    none = nothing[at]
    run = np.cumsum(~none)  # constant within a run, one more at each interval with output
    inside, sure = run[none], none.copy()
    for due, least in zip(due_wh, least_wh, strict=True):
        in_run = np.bincount(inside, weights=due[at[none]], minlength=run[-1] + 1 if len(run) else 0)
        sure &= in_run[run] >= least
    out[at] = sure
    return out
