"""AC power of one inverter from its DC power, and back. Nothing about the grid."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from service.expect.grid import FloatArray, floats
from service.expect.site import InverterType

REFERENCE_EFFICIENCY = 0.9637
PART_LOAD = (-0.0162, 0.9858, -0.0059)
"""Coefficients of z, 1 and 1/z in the efficiency curve; PVWatts v5 (NREL/TP-6A20-62641), eq. 11."""


def dc_limit_w(inverter: InverterType) -> float:
    """Return the DC power at which the inverter reaches its AC rating, W: P_ac0 / eta_nom."""
    return inverter.ac_rated_w / inverter.efficiency


def ac_power(dc_w: ArrayLike, *, inverter: InverterType) -> FloatArray:
    """Return AC power, W, same shape, between 0 and the AC rating; NaN stays NaN.

        eta = eta_nom / 0.9637 * (-0.0162 z - 0.0059 / z + 0.9858),  z = P_dc / (P_ac0 / eta_nom)

    PVWatts v5 (Dobos 2014, NREL/TP-6A20-62641, doi:10.2172/1158421). Below z = 0.006 the curve is negative:
    0.
    """
    load = floats(dc_w) / dc_limit_w(inverter)
    square, linear, constant = PART_LOAD
    relative = ((square * load + linear) * load + constant) / REFERENCE_EFFICIENCY
    return np.clip(relative, 0.0, 1.0) * inverter.ac_rated_w


def dc_power_from_ac(ac_w: ArrayLike, *, inverter: InverterType) -> FloatArray:
    """Return the DC power behind an AC power, W, same shape: the inverse of `ac_power` below the limit.

    Solves the curve's quadratic for z. At 0 (where any DC up to 0.6 % of the limit gives nothing) it returns
    0; at and above the rating the DC power at the limit, which is then a lower bound. NaN stays NaN.
    """
    relative = np.clip(floats(ac_w) / inverter.ac_rated_w, 0.0, 1.0)
    square, linear, constant = PART_LOAD
    rest = constant - relative * REFERENCE_EFFICIENCY
    # This form of the root loses no digits for a small square coefficient.
    load = -2 * rest / (linear + np.sqrt(linear * linear - 4 * square * rest))
    return np.where(relative > 0, load, relative) * dc_limit_w(inverter)
