"""What the air temperature, as far as it is not known, leaves open of a unit's expected energy. No physics of its own.

Held against like units it cancels: they are as warm. It counts where energy is held against light that others measured
or a model made, and in a performance ratio under light that was read from the units through their temperature.
"""

from __future__ import annotations

import numpy as np

from service.expect.weather import TYPICAL_AIR_SD_K
from service.verify.case import Case
from service.verify.inputs import FloatArray

BY_LIGHT_TOO = 1.25
"""Light that is read from the units is wrong by so much more than energy: more light would have warmed them more (for
a cell at 50 to 60 degC in full sun, 1 / (1 - 0.0035 (30 + 30)), computed)."""


def temperature_sd(case: Case, unit: int) -> float:
    """Return the standard uncertainty of a unit's expected energy by its temperature alone, a share.

    |gamma| times the air's, weighted by what was expected while the unit was heard; its errors are taken to go one
    way all the window, as those of a climatology and of a badly placed sensor do.
    """
    return _share_per_k(case, unit) * _air_sd_k(case, case.heard[unit], case.stated.energy_wh[unit])


def usual_temperature_sd(case: Case, unit: int) -> float:
    """Return the same for the usual temperature of place and season."""
    return _share_per_k(case, unit) * TYPICAL_AIR_SD_K


def site_air_sd_k(case: Case) -> float | None:
    """Return the air temperature's standard uncertainty over the site's expected energy, K; None without any light."""
    expected = np.nansum(np.where(case.heard, case.stated.energy_wh, 0.0), axis=0)
    return _air_sd_k(case, expected > 0, expected) if (expected > 0).any() else None


def site_temperature_sd(case: Case) -> float | None:
    """Return the standard uncertainty by temperature of the unit that feels it most.

    Of its performance ratio where the light is read from the units, else of its performance index.
    """
    air = site_air_sd_k(case)
    steepest = max((_share_per_k(case, i) for i in range(len(case.serials))), default=0.0)
    if air is None:
        return None
    return air * steepest * (BY_LIGHT_TOO if case.source == "array" else 1.0)


def _share_per_k(case: Case, unit: int) -> float:
    site = case.day.site
    return abs(site.module_type(site.units[unit].module_type).gamma_pmax_per_c)


def _air_sd_k(case: Case, where: FloatArray, expected_wh: FloatArray) -> float:
    weight = np.where(where & np.isfinite(expected_wh), expected_wh, 0.0)
    if weight.sum() <= 0:
        return TYPICAL_AIR_SD_K
    sd = case.day.air_temp_sd_k.reshape(-1, case.day.steps).mean(axis=1)
    return float(np.average(sd, weights=weight))
