"""A shadow on some units of a plane: in long intervals, until evening; and a coarse register, which is none."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from service.verify.run import verify
from tests.verify.conftest import Roof

SOME = [2, 3, 8]


def causes(roof: Roof) -> dict[str, set[str]]:
    """Return by serial what is said of the units."""
    out: dict[str, set[str]] = {}
    for finding in (f for f in verify(roof.site, roof.readings()).findings if f.is_fault):
        for serial in finding.serials:
            out.setdefault(serial, set()).add(finding.cause)
    return out


def serials(roof: Roof, rows: list[int]) -> set[str]:
    return {roof.site.units[i].serial for i in rows}


def test_two_hours_of_hourly_readings_show_a_shadow(roof: Callable[..., Roof]) -> None:
    r = roof(index=0.97, interval_min=60)
    r.energy_wh[np.ix_(SOME, [r.interval(9), r.interval(10)])] *= 0.4
    assert causes(r) == {s: {"shaded"} for s in serials(r, SOME)}


def test_a_single_short_hour_is_no_shadow(roof: Callable[..., Roof]) -> None:
    r = roof(index=0.97, interval_min=60)
    r.energy_wh[SOME, r.interval(9)] *= 0.6
    assert causes(r) == {}


def test_units_that_fall_at_the_same_moment_and_stay_low_stand_in_one_shadow(
    roof: Callable[..., Roof],
) -> None:
    r = roof(index=0.97)
    for i, hour in zip(SOME, (13.0, 13.25, 13.5), strict=True):
        r.energy_wh[i, r.interval(hour) :] *= 0.2
    assert causes(r) == {s: {"shaded"} for s in serials(r, SOME)}


@pytest.mark.parametrize("hours", [(10.0,), (10.0, 12.0)])
def test_units_that_fall_each_at_its_own_moment_are_low_themselves(
    roof: Callable[..., Roof], hours: tuple[float, ...]
) -> None:
    r = roof(index=0.97)
    for i, hour in zip(SOME, hours, strict=False):
        r.energy_wh[i, r.interval(hour) :] *= 0.8
    assert causes(r) == {s: {"low_output"} for s in serials(r, SOME[: len(hours)])}


def test_a_register_that_counts_few_steps_casts_no_shadow(roof: Callable[..., Roof]) -> None:
    r = roof(index=0.12, interval_min=15)
    begun = np.random.default_rng(5).uniform(0, 5, (len(r.energy_wh), 1))
    r.energy_wh[:] = np.diff(np.floor((begun + np.cumsum(r.energy_wh, axis=1)) / 5) * 5, axis=1, prepend=0.0)
    assert causes(r) == {}


def test_a_whole_unit_is_in_no_shadow_beside_two_low_ones_and_one_that_faces_elsewhere(
    roof: Callable[..., Roof],
) -> None:
    r = roof(planes=2, index=0.97, days=5)
    few, elsewhere = [1, 3, 5, 7], [3, 9, 11]
    units = (replace(u, plane="west" if i in few else "south") for i, u in enumerate(r.site.units))
    r = replace(r, site=replace(r.site, units=tuple(units)))
    r.energy_wh[elsewhere] = r.energy_wh[[0, 2, 4]]
    r.energy_wh[[1, 5]] *= np.array([[0.54], [0.65]])
    assert r.site.units[7].serial not in causes(r)


@pytest.mark.parametrize(("returns", "said"), [(True, ["shaded"]), (False, [])])
def test_a_small_loss_is_a_shadow_if_it_comes_back_with_the_sun(
    roof: Callable[..., Roof], returns: bool, said: list[str]
) -> None:
    bare = roof(units=12, days=5)
    for day in range(5):
        hour = 11.0 if returns else 8.0 + 1.7 * day
        bare.energy_wh[3, bare.interval(hour, day) : bare.interval(hour + 0.42, day)] *= 0.6
    assert [f.cause for f in verify(bare.site, bare.readings()).findings if f.is_fault] == said


@pytest.mark.parametrize("alive", [True, False])
def test_a_loss_that_does_not_return_needs_like_units_that_work(
    roof: Callable[..., Roof], alive: bool
) -> None:
    r = roof(units=8, planes=2, index=1.0, days=5)
    for day, hour in enumerate((8.0, 10.0, 12.5, 14.5, 9.0)):
        r.energy_wh[6, r.interval(hour, day) : r.interval(hour + 1.5, day)] *= 0.3
    if not alive:
        r.energy_wh[[0, 2, 4], r.interval(8.0) :] = 0.0
    assert ("shaded" in causes(r).get(r.site.units[6].serial, set())) is alive


@pytest.mark.parametrize(
    ("mates", "hour", "said"),
    [([1, 2], 11.0, True), ([1], 11.0, False), ([], 11.0, False), ([1, 2], 14.0, False)],
    ids=["beside two", "beside one", "alone", "at another hour"],
)
def test_a_loss_of_less_than_a_hundredth_is_a_shadow_where_two_like_units_stand_in_one(
    roof: Callable[..., Roof], mates: list[int], hour: float, said: bool
) -> None:
    r = roof(units=12, days=5, index=1.0)
    for day in range(5):
        r.energy_wh[mates, r.interval(10.5, day) : r.interval(12.5, day)] *= 0.3
        r.energy_wh[5, r.interval(hour, day) : r.interval(hour + 1 / 3, day)] *= 0.8
    found = {s for s, said in causes(r).items() if said == {"shaded"}}
    assert found == serials(r, [*mates, 5] if said else mates)
    assert set(causes(r)) == found
