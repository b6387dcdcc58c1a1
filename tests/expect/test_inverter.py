from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pvlib.inverter import pvwatts

from service.expect.inverter import ac_power, dc_limit_w, dc_power_from_ac
from service.expect.site import InverterType

INVERTER = InverterType("inverter", ac_rated_w=350, efficiency=0.965)


@given(dc=st.just(0.0) | st.floats(1e-3, 2000), efficiency=st.floats(0.5, 1))
def test_power_is_the_librarys(dc: float, efficiency: float) -> None:
    inverter = InverterType("i", 350, efficiency)
    theirs = pvwatts(dc, 350 / efficiency, eta_inv_nom=efficiency)
    assert ac_power(dc, inverter=inverter) == pytest.approx(theirs, abs=1e-9)


def test_the_rating_is_reached_at_the_dc_limit_and_never_passed() -> None:
    limit = dc_limit_w(INVERTER)
    power = ac_power([limit * 0.999, limit, limit * 1.5], inverter=INVERTER)
    assert power[0] < 350
    np.testing.assert_allclose(power[1:], 350, rtol=1e-12)


def test_too_little_or_negative_dc_gives_nothing() -> None:
    np.testing.assert_array_equal(ac_power([-20.0, 0.0, 1.0], inverter=INVERTER), 0)


@given(dc=st.floats(3.0, 362.0))
def test_dc_comes_back_from_ac_below_the_limit(dc: float) -> None:
    assert dc_power_from_ac(ac_power(dc, inverter=INVERTER), inverter=INVERTER) == pytest.approx(dc, rel=1e-9)


@given(st.lists(st.floats(0, 350), min_size=2, max_size=2))
def test_the_inverse_never_falls(ac: list[float]) -> None:
    low, high = dc_power_from_ac(sorted(ac), inverter=INVERTER)
    assert low <= high


def test_at_the_limit_the_inverse_is_the_limit_and_at_zero_nothing() -> None:
    back = dc_power_from_ac([0.0, 350.0, 400.0, -3.0], inverter=INVERTER)
    np.testing.assert_allclose(back, [0, dc_limit_w(INVERTER), dc_limit_w(INVERTER), 0])


def test_unknown_stays_unknown_both_ways() -> None:
    values = np.array([[100.0, np.nan]])
    for convert in (ac_power, dc_power_from_ac):
        converted = convert(values, inverter=INVERTER)
        assert converted.shape == (1, 2)
        np.testing.assert_array_equal(np.isnan(converted), [[False, True]])
