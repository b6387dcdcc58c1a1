"""The weights of a limit's signs: a fit finds those that made the truth, and what does not count is not weighed."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.weigh_limits import RANGES, SITES, fit, of_others, row

APART = range(3000, 3240)
"""Seeds of the fleet that nothing is tuned on."""

HELD, HARDLY_HELD = 60, 49
"""Seeds of days at a limit that takes 7 % of the energy, and at one that takes nearly nothing."""

TRUE_WEIGHTS = np.array([1.5, -0.7])


def test_a_fit_finds_the_weights_that_made_the_truth() -> None:
    rng = np.random.default_rng(3)
    measures = rng.normal([0.0, 5.0], [1.0, 2.0], (40000, 2))
    truth = rng.random(40000) < 1 / (1 + np.exp(-(1.5 + measures @ TRUE_WEIGHTS)))
    assert fit(measures, truth) == pytest.approx([1.5, *TRUE_WEIGHTS], abs=0.08)


def test_no_site_is_weighed_by_a_fit_to_itself() -> None:
    """Where truth is chance alone, a fit to the sites themselves seems to part them, and one to others does not."""
    rng = np.random.default_rng(5)
    measures, truth = rng.normal(size=(60, 20)), rng.random(60) < 0.5
    weights = fit(measures, truth)
    assert ((weights[0] + measures @ weights[1:] > 0) == truth).mean() > 0.65
    assert ((of_others(measures, truth) > 0) == truth).mean() < 0.55


def test_a_limit_that_takes_too_little_to_count_is_not_weighed() -> None:
    held = row(("fleet", HELD, "1d"))
    assert held is not None
    assert held.is_true
    assert row(("fleet", HARDLY_HELD, "1d")) is None


@pytest.mark.parametrize("first", RANGES)
def test_no_seed_kept_apart_is_weighed(first: int) -> None:
    assert not set(range(first, first + SITES)) & set(APART)
