"""What a meter shows of inverters at rest, and when a whole site was at rest though there was light.

Reasoning: below 0.6 % of its rating an inverter gives nothing (`case.STARTS`), but its meter may read what it takes
for itself: a trace, or day by day one value however the sun moves, which no sky draws. Where even the darkest sky would
start it that is no output. A whole site may rest under snow and, for some hours, under a storm. Snow slides and thaws
off, so that output comes back faintly; what was switched off comes back at once. On seven real roofs (PVDAQ 4, 50, 1278
and 1403, NREL's S&TF, Bolzano and Nicosia) 57 silences took six hours of light and more. After eight of them the first
hour had a third of a clear sky's light, none of them snow (one a hurricane's day); after snow it had a fifth at most.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from service.expect.grid import BoolArray, IntArray
from service.verify.case import DARK_CLOUD_MINUTES, LIGHT_AT_CLEAR_SKY, STANDBY
from service.verify.consensus import robust_sd
from service.verify.inputs import FloatArray
from service.verify.levels import resolution_wh

FLAT, FLAT_BELOW, FLAT_HOURS, SUN_MOVES = 0.04, 0.05, 4.0, 2.0
"""A day's values that scatter so little (relative), at such a share of the rating at most, for so long while the clear
sky's light doubles, are a meter's own (our choice: dark cloud scatters far more, and a limit is higher)."""

STEPS_OF_FLAT = 1 / FLAT
"""Steps of a register from which it shows that scatter: a value of fewer stands still in weak light that changes."""

OUT_HOURS, BACK, BACK_MINUTES = 6.0, 0.3, 60
"""Hours of light that a site must rest, and share of a clear sky's energy in the first light after it."""


def without_standby(
    energy_wh: FloatArray, clear_wh: FloatArray, rated_wh: FloatArray, positions: IntArray, interval_min: int
) -> FloatArray:
    """Return energies (U, D) with what units at rest show as 0.

    `clear_wh` (U, D) is due under a clear sky, `rated_wh` (U,) the inverters' limit in an interval, all Wh;
    `positions` (D,) are the intervals' numbers on the whole grid.
    """
    light = clear_wh >= LIGHT_AT_CLEAR_SKY * rated_wh[:, None]
    least, fine_wh = max(DARK_CLOUD_MINUTES / interval_min, 1), STEPS_OF_FLAT * resolution_wh(energy_wh)
    out = energy_wh.copy()
    days = np.cumsum(np.diff(positions, prepend=positions[:1]) > 1)
    for i, row in enumerate(out):
        trace, lit = ~(row > STANDBY * rated_wh[i]), light[i] & np.isfinite(row)
        if np.count_nonzero(trace & lit) >= least:
            at_rest = _runs(trace, lit, least)
            at_rest &= np.isin(days, days[at_rest & lit])  # a dusk before it is still a dusk
            row[at_rest & (row > 0)] = 0.0
        low = ~(row > FLAT_BELOW * rated_wh[i])
        weak = np.bincount(days[light[i] & (row > 0) & low])
        for day in np.flatnonzero(weak * interval_min >= 60 * FLAT_HOURS):
            flat = _flat_line(row, low & (days == day), light[i], clear_wh[i], fine_wh)
            row[flat & (row > 0)] = 0.0
    return out


def _flat_line(
    row: FloatArray, low: BoolArray, light: BoolArray, clear_wh: FloatArray, fine_wh: float
) -> BoolArray:
    """Return when a unit's `row` stands at one value in changing light, among the `low` ones of a day, (D,).

    It must be `fine_wh` for the register to have shown a change.
    """
    seen = low & light & (row > 0)
    usual = float(np.median(row[seen]))
    moves = clear_wh[seen].max() >= SUN_MOVES * clear_wh[seen].min()
    if usual < fine_wh or not (moves and robust_sd(row[seen] / usual - 1) <= FLAT):
        return np.zeros_like(low)
    return _runs(low & ~(row > (1 + 3 * FLAT) * usual), seen, 1)


def outages(
    energy_wh: FloatArray, clear_wh: FloatArray, rated_wh: FloatArray, interval_min: int
) -> BoolArray:
    """Return when the whole site was at rest for hours of light and was back at once, (D,); arguments as above."""
    light = clear_wh >= LIGHT_AT_CLEAR_SKY * rated_wh[:, None]
    lit = np.asarray(light.any(axis=0) & np.isfinite(energy_wh).any(axis=0))
    made = np.nansum(energy_wh, axis=0)
    due = np.where(np.isfinite(energy_wh) & light, clear_wh, 0.0).sum(axis=0)
    out = _runs(np.asarray(made <= 0), lit, 60 * OUT_HOURS / interval_min)
    first = max(BACK_MINUTES // interval_min, 1)
    for end in np.flatnonzero(out & ~np.append(out[1:], False)):
        after = end + 1 + np.flatnonzero(lit[end + 1 :])[:first]
        if made[after].sum() <= BACK * due[after].sum():
            out[: end + 1] &= ~_run_to(out, int(end))
    return out


def _runs(where: BoolArray, counted: BoolArray, least: float) -> BoolArray:
    """Return the runs of `where` (D,) that hold at least so many `counted` intervals."""
    run = np.cumsum(~where)
    held = np.bincount(run, weights=where & counted, minlength=1)
    return np.asarray(where & (held[run] >= least))


def _run_to(where: BoolArray, end: int) -> NDArray[np.bool_]:
    """Return the run of `where` that ends at `end`, (end + 1,)."""
    before = np.flatnonzero(~where[: end + 1])
    return np.arange(end + 1) > (before[-1] if len(before) else -1)
