"""Nobody stands accused of what befalls others: weeks of the demo's engine in which units die or are mended."""

from __future__ import annotations

import numpy as np
import pytest

from service.verify.run import verify
from tests.bench.life.__main__ import accused, looked_at
from tests.bench.life.plan import NORTHERN_WINTER, life


@pytest.mark.parametrize("seed", [1, 46, 98])
def test_planes_with_their_backs_to_a_winter_s_sun_accuse_nobody(seed: int) -> None:
    """By them a branch in the sun seemed to trip, and under covers half of one seemed to face the sun."""
    assert accused(life(seed, NORTHERN_WINTER)) == []


def test_what_befalls_a_unit_is_said_of_it() -> None:
    of = next(one for one in map(life, range(100)) if one.event == "dies" and one.hours == 168)
    site, readings = looked_at(of)
    said = {serial for finding in verify(site, readings).findings for serial in finding.serials}
    assert {site.units[unit].serial for unit in of.struck} <= said


def test_only_the_hours_asked_for_are_looked_at() -> None:
    of = life(7)
    site, readings = looked_at(of)
    assert readings.energy_wh.shape == (len(site.units), of.hours * 60 // of.site.interval_min)
    assert np.isfinite(readings.energy_wh).mean() > 0.9
