"""Agreement among values of which some are wrong."""

import numpy as np
import pytest

from service.verify.consensus import consensus, robust_sd, weighted_median


def agreed(*column, **kwargs):
    return float(consensus(np.array(column)[:, None], width=0.08, **kwargs)[0])


def test_a_third_of_faulty_values_does_not_move_it():
    assert agreed(100.0, 101.0, 99.0, 66.0) == pytest.approx(100.0, rel=0.005)


def test_of_two_equal_groups_the_brighter_is_believed():
    assert agreed(66.0, 66.5, 100.0, 101.0) == pytest.approx(100.5, rel=0.005)


def test_a_larger_group_beats_one_bright_value():
    assert agreed(80.0, 80.5, 79.5, 81.0, 100.0) == pytest.approx(80.2, rel=0.01)


def test_votes_weigh():
    votes = np.array([0.1, 0.1, 0.1, 1.0])
    assert agreed(70.0, 70.5, 71.0, 100.0, weights=votes) == pytest.approx(100.0, rel=0.005)


def test_missing_values_have_no_say_and_an_empty_column_gives_none():
    found = consensus(np.array([[np.nan, np.nan], [50.0, np.nan]]), width=0.08)
    assert found[0] == pytest.approx(50.0)
    assert np.isnan(found[1])


def test_weighted_median_and_spread():
    assert weighted_median(np.array([1.0, 2.0, 9.0]), np.array([1.0, 1.0, 5.0])) == 9.0
    assert np.isnan(weighted_median(np.array([np.nan]), np.array([1.0])))
    normal = np.random.default_rng(3).standard_normal(4000)
    assert robust_sd(normal) == pytest.approx(1.0, abs=0.05)


def test_three_in_the_sun_outvote_seven_in_the_shade():
    values = np.array([[100.0]] * 3 + [[30.0]] * 7)
    assert consensus(values, width=0.08)[0] == pytest.approx(100)


def test_two_in_the_sun_do_not():
    values = np.array([[100.0]] * 2 + [[30.0]] * 7)
    assert consensus(values, width=0.08)[0] == pytest.approx(30)


def test_a_slightly_brighter_few_do_not_outvote_the_many():
    values = np.array([[110.0]] * 3 + [[100.0]] * 7)
    assert consensus(values, width=0.08)[0] == pytest.approx(100)
