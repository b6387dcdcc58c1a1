"""The ratios of IEC 61724-1 and -3 against worked numbers of open tools."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from service.expect.energy import expected_energy
from service.expect.grid import Grid
from service.expect.site import InverterType, ModuleType, Plane, Site, Unit
from service.verify.ratios import performance_index, performance_ratio, performance_ratio_25c

ENERGY_WH = np.array([80e3, 90e3, 95e3])
YIELD_H = np.array([0.85, 0.90, 1.00])
RATED_W = 120e3


def test_performance_ratio_of_three_hours() -> None:
    """80, 90, 95 kWh of 120 kW under 0.85, 0.90, 1.00 kWh/m2: 0.8030; pvcaptest tests/test_prtest.py."""
    assert performance_ratio(ENERGY_WH, YIELD_H, dc_rated_w=RATED_W) == pytest.approx(0.8030, abs=5e-5)


def test_performance_ratio_at_25_degrees() -> None:
    """The same energy, modules at 30, 32, 34 degC, -0.37 %/degC, cell = module + 3 G/1000: 0.833474 (computed).

    With 25 degC as reference it must differ from the raw ratio.
    """
    cell = np.array([30.0, 32.0, 34.0]) + 3 * YIELD_H
    corrected = YIELD_H * (1 - 0.0037 * (cell - 25))
    ratio = performance_ratio_25c(ENERGY_WH, corrected, dc_rated_w=RATED_W)
    assert ratio == pytest.approx(0.833474, abs=5e-7)
    assert ratio != pytest.approx(performance_ratio(ENERGY_WH, YIELD_H, dc_rated_w=RATED_W), abs=0.02)


def test_correcting_interval_by_interval_is_correcting_at_the_weighted_temperature() -> None:
    """A property asserted by pvcaptest's tests; the irradiance-weighted cell temperature is 34.8718 degC."""
    cell = np.array([30.0, 32.0, 34.0]) + 3 * YIELD_H
    weighted = float((cell * YIELD_H).sum() / YIELD_H.sum())
    assert weighted == pytest.approx(34.8718, abs=5e-5)
    by_interval = performance_ratio_25c(ENERGY_WH, YIELD_H * (1 - 0.0037 * (cell - 25)), dc_rated_w=RATED_W)
    at_once = performance_ratio(ENERGY_WH, YIELD_H, dc_rated_w=RATED_W) / (1 - 0.0037 * (weighted - 25))
    assert by_interval == pytest.approx(at_once, rel=1e-12)


def test_a_gap_on_one_side_leaves_both_sums() -> None:
    """Our rule: measured and expected are summed over the same times only."""
    measured = np.array([80e3, np.nan, 95e3])
    assert performance_ratio(measured, YIELD_H, dc_rated_w=RATED_W) == pytest.approx(175 / 120 / 1.85)
    assert performance_index(measured, np.array([100e3, 50e3, np.nan])) == pytest.approx(0.8)


def test_the_corrected_yield_is_that_of_the_standard() -> None:
    """C_k = 1 + gamma (T_cell - 25 degC), IEC 61724-1 (as summarised; the standard's text was not read).

    Where the glass, the losses, low light and the inverter take nothing, DC energy over rating is the corrected
    yield; with an ideal inverter only the incidence-angle loss stays between the two.
    """
    module = ModuleType("m", pmax_w=100, gamma_pmax_per_c=-0.004, low_light_k=0)
    site = Site(
        name="a",
        latitude=10,
        longitude=0,
        timezone="UTC",
        planes=(Plane("p", 10, 180),),
        module_types=(module,),
        inverter_types=(InverterType("i", 1000, 0.96),),
        units=(Unit("1", "p", "m", "i"),),
        air_temp_c=30,
    )
    noon = expected_energy(site, Grid(datetime(2026, 3, 20, 11, 30, tzinfo=UTC), 60, 1))
    raw, corrected = noon.reference_yield_h[0, 0], noon.corrected_yield_h[0, 0]
    cell = 30 + raw * 1000 * (np.exp(-2.98 - 0.0471) + 0.001)
    assert corrected / raw == pytest.approx(1 - 0.004 * (cell - 25), abs=1e-3)
