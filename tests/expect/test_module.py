from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pvlib.pvsystem import pvwatts_dc

from service.expect.module import dc_power, low_light_loss
from service.expect.site import Losses, ModuleType

MODULE = ModuleType("module", pmax_w=400, gamma_pmax_per_c=-0.0035)
NO_LOSS = Losses(0, 0, 0, 0)


def test_at_standard_test_conditions_the_module_gives_its_rating() -> None:
    assert dc_power(1000, 25, module=MODULE, module_count=1, losses=NO_LOSS) == pytest.approx(400)


def test_power_scales_with_modules_and_losses() -> None:
    one = dc_power(800, 40, module=MODULE, module_count=1, losses=NO_LOSS)
    four = dc_power(800, 40, module=MODULE, module_count=4, losses=Losses())
    assert four == pytest.approx(4 * one * Losses().factor)


@given(
    light=st.floats(0, 1400), cell=st.floats(-30, 90), k=st.floats(0, 0.05), gamma=st.floats(-0.006, -0.001)
)
def test_power_is_the_librarys(light: float, cell: float, k: float, gamma: float) -> None:
    module = replace(MODULE, gamma_pmax_per_c=gamma, low_light_k=k)
    ours = dc_power(light, cell, module=module, module_count=1, losses=NO_LOSS)
    assert ours == pytest.approx(pvwatts_dc(light, cell, 400, gamma, k=k), abs=1e-9)


def test_low_light_loss_at_200_is_k_and_the_curve_has_no_step() -> None:
    light = np.array([0.0, 200.0, 200.0 + 1e-9, 1000.0])
    np.testing.assert_allclose(low_light_loss(light, k=0.01), [0, 0.01, 0.01, 0], atol=1e-9)


def test_power_is_never_negative_and_unknown_stays_unknown() -> None:
    light = np.array([0.0, -5.0, 3.0, np.nan, 500.0])
    cell = np.array([20.0, 20.0, 20.0, 20.0, np.nan])
    power = dc_power(light, cell, module=MODULE, module_count=1, losses=Losses())
    np.testing.assert_array_equal(np.isnan(power), [False, False, False, True, True])
    assert (power[:3] >= 0).all()
    assert power[0] == power[1] == 0


def test_shapes_broadcast() -> None:
    power = dc_power(np.ones((3, 1)) * 500, np.ones(4) * 30, module=MODULE, module_count=1, losses=Losses())
    assert power.shape == (3, 4)
