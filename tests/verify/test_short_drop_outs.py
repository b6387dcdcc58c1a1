"""A unit that is off for less than an interval, again and again: told by falls while its light stays, and no shadow."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from service.verify.causes.intermittent import _counted_by_others, _neighbours
from service.verify.run import build_case
from tests.verify.conftest import Roof, causes

UNIT = 3
HOURS = (8.4, 9.6, 11.2, 12.5, 13.9, 15.1)


def off(roof: Roof, hours: tuple[float, ...], day: int = 0, left: float = 0.45, intervals: int = 1) -> None:
    for hour in hours:
        at = roof.interval(hour, day)
        roof.energy_wh[UNIT, at : at + intervals] *= left


@pytest.mark.parametrize("interval_min", [5, 10])
def test_falls_at_other_times_day_by_day_are_drop_outs(roof: Callable[..., Roof], interval_min: int) -> None:
    r = roof(index=0.97, days=5, interval_min=interval_min)
    for day in range(5):
        off(r, tuple(np.array(HOURS[day % 2 :: 2]) + 0.35 * day), day, intervals=2)
    assert causes(r) == {r.site.units[UNIT].serial: "intermittent"}


@pytest.mark.parametrize("interval_min", [30, 60])
@pytest.mark.parametrize(("later_h", "cause"), [(1.0, "intermittent"), (0.0, "shaded")])
def test_falls_in_hours_come_again_with_the_sun_or_drop_out(
    roof: Callable[..., Roof], interval_min: int, later_h: float, cause: str
) -> None:
    r = roof(index=0.97, days=6, interval_min=interval_min)
    for day in range(6):
        off(r, tuple(9.0 + (4 * k + 3 * later_h * day) % 7 for k in range(2)), day, left=0.5)
    assert causes(r) == {r.site.units[UNIT].serial: cause}


def test_several_falls_on_one_day_are_drop_outs_and_two_are_none(roof: Callable[..., Roof]) -> None:
    often, twice = roof(index=0.97), roof(index=0.97)
    off(often, HOURS[:4], intervals=2)
    off(twice, HOURS[:2])
    assert causes(often) == {often.site.units[UNIT].serial: "intermittent"}
    assert causes(twice) == {}


def test_falls_that_come_again_with_the_sun_are_shadows_of_posts(roof: Callable[..., Roof]) -> None:
    r = roof(index=0.97, days=5)
    for day in range(5):
        off(r, HOURS[:4], day, intervals=3)
    assert causes(r).get(r.site.units[UNIT].serial) != "intermittent"


def test_falls_beside_a_long_shadow_are_its_edges(roof: Callable[..., Roof]) -> None:
    r = roof(index=0.97)
    off(r, HOURS[:3])
    r.energy_wh[UNIT, r.interval(13.5) : r.interval(17)] *= 0.3
    assert causes(r) == {r.site.units[UNIT].serial: "shaded"}


@pytest.mark.parametrize(("off_min", "counted"), [(0, False), (60, True)])
def test_neighbours_that_make_a_step_of_their_register_show_a_long_drop_out_only(
    roof: Callable[..., Roof], off_min: int, counted: bool
) -> None:
    """A bright sky that another plane tells must not make of a plane's ones and noughts units that work and do not."""
    r = roof(index=0.97)
    begun = np.random.default_rng(5).uniform(0, 1, (len(r.energy_wh), 1))
    counters = np.floor(begun + np.cumsum(0.04 * r.energy_wh, axis=1))
    r.energy_wh[:] = np.diff(counters, axis=1, prepend=0.0)
    r.energy_wh[UNIT, r.interval(12) : r.interval(12) + off_min // r.grid.interval_min] = 0.0
    case = build_case(r.site, r.readings())
    silent = case.measured_wh[UNIT] <= 0
    silent &= (case.day.positions >= r.interval(10)) & (case.day.positions < r.interval(14))
    case = replace(case, resolution_wh=1.0)
    assert _counted_by_others(case, _neighbours(case, UNIT, case.heard), silent).any() == counted
