"""Values that are all far too low: of another unit of measure where clouds pass, and open under a cover."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from service.verify.result import Verification
from service.verify.run import verify
from tests.verify.conftest import Roof
from tests.verify.test_sun_level import passing_clouds, under

TWELFTH = 1 / 12
"""Energy in Wh of five minutes, taken for mean power in W."""


def judged(bare: Roof, index: np.ndarray, share: np.ndarray | float) -> Verification:
    clouded = under(bare, index)
    sent = replace(clouded, energy_wh=share * clouded.energy_wh)
    return verify(sent.site, sent.readings())


def test_another_unit_of_measure_shows_between_passing_clouds(roof: Callable[..., Roof]) -> None:
    bare = roof(units=6)
    result = judged(bare, passing_clouds(bare), TWELFTH)
    (found,) = [f for f in result.findings if f.is_fault]
    assert found.cause == "unit_scale"
    assert found.details["factor"] == TWELFTH


def test_snow_that_lies_unevenly_is_no_unit_of_measure(roof: Callable[..., Roof]) -> None:
    bare = roof(units=6)
    snow = TWELFTH * np.array([0.6, 0.8, 1.0, 1.2, 1.4, 1.6])[:, None]
    assert "unit_scale" not in [f.cause for f in judged(bare, passing_clouds(bare), snow).findings]


def test_a_dark_cover_is_no_unit_of_measure_and_proves_nothing(roof: Callable[..., Roof]) -> None:
    bare = roof(units=6)
    chance = np.random.default_rng(3)
    cover = np.convolve(chance.uniform(0.06, 0.12, bare.grid.count + 11), np.full(12, 1 / 12), "valid")
    result = judged(bare, cover, 1.0)
    assert [f.cause for f in result.findings if f.is_fault] == []
    assert "unit_scale" in [u.cause for u in result.not_yet]
    assert result.verdict == "too_little_light"
