"""A unit that is short of energy against its like is named, however its level moves."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from service.verify.run import verify
from tests.verify.conftest import Roof

BELOW_USUAL = 0.9


@pytest.mark.parametrize(("interval_min", "days"), [(60, 1), (15, 1), (60, 3)])
def test_no_index_below_what_is_usual_goes_without_a_word(
    roof: Callable[..., Roof], interval_min: int, days: int
) -> None:
    r = roof(interval_min=interval_min, days=days)
    r.energy_wh[4] *= np.random.default_rng(5).uniform(0.0, 1.1, r.grid.count)
    units = {u.serial: u for u in verify(r.site, r.readings()).units}
    high = units["700004"].performance_index_high
    assert high is not None
    assert high < BELOW_USUAL
    assert [s for s, u in units.items() if u.causes] == ["700004"]


@pytest.mark.parametrize("seed", range(4))
def test_few_steps_of_a_register_at_dawn_accuse_nobody(roof: Callable[..., Roof], seed: int) -> None:
    """Half an hour of faint light in whole Wh: a step more or less is a quarter of it."""
    r = roof(index=0.2, interval_min=15, seed=seed)
    at = slice(r.interval(5), r.interval(6))
    r.energy_wh[:, : at.start] = np.nan
    r.energy_wh[:, at.stop :] = np.nan
    r.energy_wh[:, at] = np.floor(r.energy_wh[:, at] + np.random.default_rng(seed).uniform(0, 1, (12, 4)))
    assert [f.cause for f in verify(r.site, r.readings()).findings if f.serials] == []
