"""The weights of signs: a fit finds those that made the truth, and no site is judged by a fit to itself."""

from __future__ import annotations

import numpy as np
import pytest

from service.verify.shade_odds import WEIGHTS
from tests.bench.weigh import limits, shade, turns
from tests.bench.weigh.fit import fit, of_others
from tests.bench.weigh.sites import RANGES, SITES

NO_SUN = 2
"""Seed of a low site on a day without sun."""

HELD, HARDLY_HELD = 60, 49
"""Seeds of days at a limit that takes 7 % of the energy, and at one that takes nearly nothing."""

HIDDEN, HARDLY_HIDDEN, COVERED = 42039, 1614, 18072
"""Seeds of weeks behind a hill that falls short of bounds, behind one that the plane has its back to, and under covers
that darken most of two days alike."""

APART = range(3000, 3240)
"""Seeds of the fleet that nothing is tuned on."""

TRUE_WEIGHTS = np.array([1.5, -0.7, 0.0])


def drawn(count: int, seed: int = 3) -> tuple[np.ndarray, np.ndarray]:
    """Return measures (N, 3) on unlike scales and truths (N,) with the log odds that the weights give."""
    rng = np.random.default_rng(seed)
    measures = rng.normal([0.0, 5.0, 1.0], [1.0, 2.0, 0.1], (count, 3))
    odds = -2.0 + measures @ TRUE_WEIGHTS + 3.5
    return measures, rng.random(count) < 1 / (1 + np.exp(-odds))


def test_a_fit_finds_the_weights_that_made_the_truth() -> None:
    found = fit(*drawn(40000))
    assert found.weights[:2] == pytest.approx(TRUE_WEIGHTS[:2], abs=0.05)
    assert found.constant + found.weights[2] == pytest.approx(1.5, abs=0.2)


def test_log_odds_are_as_likely_as_they_say() -> None:
    measures, truth = drawn(20000)
    odds = of_others(measures, truth)
    near = np.abs(odds) < 0.3
    assert near.sum() > 1000
    assert truth[near].mean() == pytest.approx((1 / (1 + np.exp(-odds[near]))).mean(), abs=0.04)


def test_no_site_is_judged_by_a_fit_to_itself() -> None:
    """Where truth is chance alone, a fit to the sites themselves seems to part them, and one to others does not."""
    rng = np.random.default_rng(5)
    measures, truth = rng.normal(size=(60, 20)), rng.random(60) < 0.5
    own, others = fit(measures, truth).log_odds(measures), of_others(measures, truth)
    assert ((own > 0) == truth).mean() > 0.65
    assert ((others > 0) == truth).mean() < 0.55


def test_a_plane_whose_site_has_a_fault_that_does_not_count_is_not_weighed() -> None:
    assert turns.row(("fleet", NO_SUN, "1d")) is None


def test_a_limit_that_takes_too_little_to_count_is_not_weighed() -> None:
    held = limits.row(("fleet", HELD, "1d"))
    assert held is not None
    assert held.is_true
    assert limits.row(("fleet", HARDLY_HELD, "1d")) is None


def test_a_plane_behind_a_hill_and_one_under_covers_are_weighed() -> None:
    (hidden,) = shade.rows(("fleet", HIDDEN, "7d"))
    assert (hidden.is_true, hidden.said) == (True, False)
    assert set(hidden.measures) == set(WEIGHTS) - {""}
    covered = shade.rows(("fleet", COVERED, "7d"))
    assert [one.is_true for one in covered] == [False]


def test_a_plane_that_shows_next_to_nothing_is_not_weighed() -> None:
    assert shade.rows(("fleet", HARDLY_HIDDEN, "7d")) == []


@pytest.mark.parametrize("first", RANGES)
def test_no_seed_kept_apart_is_weighed(first: int) -> None:
    assert not set(range(first, first + SITES)) & set(APART)
