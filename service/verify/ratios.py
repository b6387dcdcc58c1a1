"""The ratios of IEC 61724-1 and IEC 61724-3 as plain formulas over arrays.

Not here: which intervals belong in the sums (`case.py`) and how sure a ratio is (`levels.py`).
"""

from __future__ import annotations

import numpy as np

from service.verify.inputs import FloatArray


def performance_ratio(
    energy_wh: FloatArray, reference_yield_h: FloatArray, *, dc_rated_w: FloatArray | float
) -> FloatArray:
    """Return PR = Y_f / Y_r (IEC 61836, 3.4.66; IEC 61724-1), dimensionless, (...).

    Y_f = sum(energy_wh) / dc_rated_w and Y_r = sum(reference_yield_h), both in h; `energy_wh` [Wh] and
    `reference_yield_h` [h, plane-of-array Wh/m2 over 1000 W/m2] have the same shape, (..., D), `dc_rated_w` [W] (...).
    Intervals in which either is NaN count in neither sum. NaN where nothing is left or there was no light.
    """
    return _ratio_of_sums(energy_wh, reference_yield_h) / dc_rated_w


def performance_ratio_25c(
    energy_wh: FloatArray, corrected_yield_h: FloatArray, *, dc_rated_w: FloatArray | float
) -> FloatArray:
    """Return the PR referred to 25 degC (IEC 61724-1 'STC performance ratio'), dimensionless, (...).

    As `performance_ratio`, the reference yield of every interval multiplied by
    C_k = 1 + gamma (T_cell - 25 degC) before it is summed: `corrected_yield_h` [h].
    """
    return _ratio_of_sums(energy_wh, corrected_yield_h) / dc_rated_w


def performance_index(measured_wh: FloatArray, expected_wh: FloatArray) -> FloatArray:
    """Return measured over expected energy (IEC TS 61724-3), dimensionless, (...); NaN where nothing was expected.

    Both in Wh and of one shape, (..., D); an interval that is NaN in one is left out of both.
    """
    return _ratio_of_sums(measured_wh, expected_wh)


def _ratio_of_sums(above: FloatArray, below: FloatArray) -> FloatArray:
    both = np.isfinite(above) & np.isfinite(below)
    total, divisor = (np.where(both, x, 0.0).sum(axis=-1) for x in (above, below))
    return np.asarray(np.divide(total, divisor, out=np.full(np.shape(divisor), np.nan), where=divisor > 0))
