"""DC power of the modules of one unit. No inverter, no surroundings."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from service.expect.grid import FloatArray, floats
from service.expect.site import Losses, ModuleType

STC_IRRADIANCE_W_M2 = 1000.0
STC_CELL_TEMP_C = 25.0


def dc_power(
    effective_w_m2: ArrayLike,
    cell_temp_c: ArrayLike,
    *,
    module: ModuleType,
    module_count: int,
    losses: Losses,
) -> FloatArray:
    """Return the unit's DC power, W, broadcast (..., N), never negative; NaN stays NaN.

        P = n P0 [ G/1000 (1 + gamma (T - 25)) - err(G) ] * losses
        err = k (1 - (1 - G/200)^4) up to 200 W/m2, k (1000 - G)/800 above

    PVWatts v5 (Dobos 2014, NREL/TP-6A20-62641, doi:10.2172/1158421) with the low-light loss of Marion 2008
    (NREL/CP-520-42511, doi:10.1109/PVSC.2008.4922586). G is the irradiance after the incidence-angle loss,
    W/m2; gamma in 1/degC; k is the loss of power at 200 W/m2 as a share of P0. Negative irradiance counts as
    none.
    """
    light = np.maximum(floats(effective_w_m2), 0.0)
    warmth = 1 + module.gamma_pmax_per_c * (floats(cell_temp_c) - STC_CELL_TEMP_C)
    relative = light / STC_IRRADIANCE_W_M2 * warmth - low_light_loss(light, k=module.low_light_k)
    return floats(np.maximum(relative, 0.0)) * (module_count * module.pmax_w * losses.factor)


def low_light_loss(effective_w_m2: FloatArray, *, k: float) -> FloatArray:
    """Return err(G) of Marion 2008 as a share of rated power, same shape; see `dc_power`."""
    light = floats(effective_w_m2)
    low = np.minimum(light, 200.0)
    above = light - low
    low /= 200.0  # in place: many skies at once
    low -= 1.0
    low *= low
    low *= low
    low -= 1.0
    above /= 800.0
    low += above
    low *= -k
    return low
