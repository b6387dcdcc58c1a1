"""Units' curves: the DC energies by their ratings, and how far one is from another or from what was due."""

from __future__ import annotations

import numpy as np

from service.expect.energy import UnitGroup
from service.expect.inverter import dc_power_from_ac
from service.verify.case import Case
from service.verify.consensus import shapes_apart
from service.verify.inputs import FloatArray
from service.verify.levels import AT_LIMIT

LEAST_LIT = 12


def by_rating(case: Case, group: UnitGroup, ac_wh: FloatArray) -> FloatArray:
    """Return the DC energies over their rating, h, of which a group's inverters made these, (..., D), NaN at limits."""
    hours = case.day.interval_hours
    dc_w = dc_power_from_ac(ac_wh / hours, inverter=group.inverter)
    below = ac_wh < AT_LIMIT * group.inverter.ac_rated_w * hours
    return np.where(below, dc_w * hours / (group.module.pmax_w * group.module_count), np.nan)


def misfits_to(curves: FloatArray, due: FloatArray) -> FloatArray:
    """Return the shares of curves' energy (n, D) at the wrong time for what is `due`, and their levels over it, (n, 2).

    NaN where too little is read.
    """
    use = np.isfinite(curves) & np.isfinite(due)
    made, expected = np.where(use, curves, 0.0), np.where(use, due, 0.0)
    total, total_due = made.sum(axis=1), expected.sum(axis=1)
    read = (use.sum(axis=1) >= LEAST_LIT) & (total > 0) & (total_due > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        each = np.stack([shapes_apart(made, expected), total / total_due], axis=1)
    return np.where(read[:, None], each, np.nan)
