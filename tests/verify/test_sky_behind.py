"""What stands before a unit takes beam for a part of the day where there is sun, and light of the sky at all times."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from tests.verify.conftest import Roof, causes
from tests.verify.test_common_shade import shaded

UNIT, DAYS = 3, 7
CLEAR, DULL = 1.0, 0.5


def behind_object(
    roof: Callable[..., Roof], sunny_days: int, *, sky: float = 0.0, hours: tuple[float, float] = (10.0, 12.5)
) -> Roof:
    """Return a roof with a unit that loses its beam at those hours, and a share of the sky's light all day."""
    bare = roof(units=8, days=DAYS, ac_rated_w=1000)
    index = np.where(
        np.arange(bare.grid.count) * DAYS // bare.grid.count % (DAYS // sunny_days) == 0, CLEAR, DULL
    )
    open_sky, no_sun = (shaded(bare, "south", between, index) for between in ((0.0, 1.0), (0.0, 359.0)))
    made = open_sky.energy_wh.copy()
    made[UNIT] -= sky * no_sun.energy_wh[UNIT]
    for day in range(DAYS):
        at = slice(bare.interval(hours[0], day), bare.interval(hours[1], day))
        made[UNIT, at] = (1 - sky) * no_sun.energy_wh[UNIT, at]
    return replace(bare, energy_wh=made)


def test_a_shadow_comes_back_on_the_days_that_have_sun(roof: Callable[..., Roof]) -> None:
    r = behind_object(roof, sunny_days=2, hours=(10.0, 11.0))
    assert causes(r) == {r.site.units[UNIT].serial: "shaded"}


def test_a_shadow_that_another_day_as_sunny_does_not_have_is_none(roof: Callable[..., Roof]) -> None:
    r, well = behind_object(roof, sunny_days=3, hours=(10.0, 11.0)), behind_object(roof, 3, hours=(0.0, 0.0))
    first = r.interval(24)
    r.energy_wh[UNIT, first:] = well.energy_wh[UNIT, first:]
    assert causes(r) == {}


@pytest.mark.parametrize("sky", [0.1, 0.15])
def test_a_unit_that_lacks_light_of_the_sky_behind_what_shades_it_is_not_weak(
    roof: Callable[..., Roof], sky: float
) -> None:
    r = behind_object(roof, sunny_days=3, sky=sky)
    assert causes(r) == {r.site.units[UNIT].serial: "shaded"}


def test_a_weak_unit_in_a_shadow_is_weak_in_the_sun_as_well(roof: Callable[..., Roof]) -> None:
    r = behind_object(roof, sunny_days=3, hours=(10.0, 11.0))
    r.energy_wh[UNIT] *= 0.8
    assert causes(r)[r.site.units[UNIT].serial] == "low_output"


def test_days_of_sun_and_of_cloud_accuse_nobody(roof: Callable[..., Roof]) -> None:
    assert causes(behind_object(roof, 3, hours=(0.0, 0.0))) == {}
