"""The formulas, on their own. Published worked values are in tests/reference."""

import math

import numpy as np
import pytest

from service.verify.ratios import performance_index, performance_ratio, performance_ratio_25c


def test_gaps_count_on_neither_side():
    energy = np.array([10.0, np.nan, 30.0])
    yields = np.array([0.1, 0.2, np.nan])
    assert performance_ratio(energy, yields, dc_rated_w=100) == pytest.approx(1.0)
    assert performance_index(energy, np.array([20.0, 5.0, np.nan])) == pytest.approx(0.5)


def test_no_light_is_no_ratio_and_no_error():
    nothing = np.zeros(3)
    assert math.isnan(performance_ratio(nothing, nothing, dc_rated_w=400))
    assert math.isnan(performance_index(np.full(3, np.nan), np.ones(3)))


def test_the_25_degree_form_differs_from_the_plain_one_on_a_warm_day():
    energy, yields = np.array([280.0, 300.0]), np.array([0.9, 1.0])
    corrected = yields * (1 - 0.0035 * np.array([20.0, 30.0]))
    plain = performance_ratio(energy, yields, dc_rated_w=400)
    assert performance_ratio_25c(energy, corrected, dc_rated_w=400) > plain * 1.07
