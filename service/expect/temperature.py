"""Cell temperature from light, air and wind. Nothing about power."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from service.expect.grid import FloatArray, floats

SAPM_SETS: dict[str, tuple[float, float, float]] = {
    "close_roof": (-2.98, -0.0471, 1.0),
    "insulated_back": (-2.81, -0.0455, 0.0),
    "open_rack": (-3.47, -0.0594, 3.0),
}
"""(a, b in s/m, dT in K) by mounting; King, Boyson & Kratochvil 2004 (SAND2004-3535), table 1.

close_roof and open_rack are the glass/glass sets, insulated_back the glass/polymer set.
"""


def cell_temperature(
    poa_w_m2: ArrayLike, *, air_temp_c: ArrayLike, wind_m_s: ArrayLike, mounting: str
) -> FloatArray:
    """Return the cell temperature, degC, broadcast (..., N).

        T_module = T_air + G exp(a + b v);  T_cell = T_module + dT * G / 1000

    King, Boyson & Kratochvil 2004 (SAND2004-3535, doi:10.2172/919131). G is the plane-of-array irradiance
    without incidence-angle loss, W/m2; v the wind at 10 m, m/s. Raises ValueError for a mounting not in
    SAPM_SETS.
    """
    if mounting not in SAPM_SETS:
        raise ValueError(f"mounting {mounting!r} is not known; use one of {', '.join(SAPM_SETS)}.")
    a, b, cell_over_module_k = SAPM_SETS[mounting]
    rise_per_w_m2 = np.exp(a + b * floats(wind_m_s)) + cell_over_module_k / 1000
    return floats(air_temp_c) + floats(poa_w_m2) * rise_per_w_m2
