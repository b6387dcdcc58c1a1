"""A shadow on units of a plane on a single day: how it grows, passes and ends, where a fault of a module stays."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from service.verify.causes import misplaced, shaded
from service.verify.run import build_case
from tests.verify.conftest import Roof, _clouded
from tests.verify.test_shade_of_some import causes, serials


def test_a_loss_that_grows_in_stages_to_the_evening_is_no_lost_substring(roof: Callable[..., Roof]) -> None:
    r = roof(index=1.0)
    for hour, left in ((13.0, 0.66), (14.5, 0.35), (15.5, 0.04)):
        r.energy_wh[4, r.interval(hour) :] = left * r.energy_wh[3, r.interval(hour) :]
    assert causes(r) == {s: {"shaded"} for s in serials(r, [4])}


def test_a_third_lost_at_noon_that_is_back_in_the_evening_is_no_lost_substring(
    roof: Callable[..., Roof],
) -> None:
    r = roof(index=1.0)
    r.energy_wh[4, r.interval(12) : r.interval(16.25)] *= 0.66
    assert causes(r) == {s: {"shaded"} for s in serials(r, [4])}


@pytest.mark.parametrize(("level", "said"), [(0.66, "substring_out"), (0.8, "low_output")])
def test_a_loss_that_comes_at_once_and_stays_is_the_modules_own(
    roof: Callable[..., Roof], level: float, said: str
) -> None:
    r = roof(index=1.0)
    r.energy_wh[4, r.interval(12) :] *= level
    assert causes(r) == {s: {said} for s in serials(r, [4])}


def test_a_unit_that_is_whole_for_the_last_hour_only_was_in_shade(roof: Callable[..., Roof]) -> None:
    r = roof(index=1.0)
    whole = r.interval(16)
    r.energy_wh[4, : r.interval(9)] *= 0.64
    r.energy_wh[4, r.interval(9) : r.interval(14)] *= 0.53
    r.energy_wh[4, r.interval(14) : whole] *= 0.66
    assert 0.03 < r.energy_wh[4, whole:].sum() / r.energy_wh[3].sum() < 0.1
    assert causes(r) == {s: {"shaded"} for s in serials(r, [4])}


def test_a_weak_unit_that_wavers_and_is_never_whole_is_low(roof: Callable[..., Roof]) -> None:
    r = roof(index=1.0)
    r.energy_wh[4, : r.interval(9)] *= 0.64
    r.energy_wh[4, r.interval(9) : r.interval(14)] *= 0.53
    r.energy_wh[4, r.interval(14) :] *= 0.66
    assert causes(r) == {s: {"low_output"} for s in serials(r, [4])}


@pytest.mark.parametrize(("scatter", "named"), [(0.0, True), (0.06, False)])
def test_a_small_shadow_shows_on_a_unit_that_is_steady_otherwise(
    roof: Callable[..., Roof], scatter: float, named: bool
) -> None:
    r = roof(index=1.0)
    r.energy_wh[4] *= 1 + scatter * np.random.default_rng(4).standard_normal(r.energy_wh.shape[1])
    short = slice(r.interval(8), r.interval(8.334))
    r.energy_wh[4, short] *= 0.35
    assert 0.012 < 0.65 / 0.35 * r.energy_wh[4, short].sum() / r.energy_wh[3].sum() < 0.025
    assert (serials(r, [4]) <= set(causes(r))) == named


def test_a_morning_without_a_step_of_the_register_in_a_shadow_is_no_drop_out(
    roof: Callable[..., Roof],
) -> None:
    r = roof(index=1.0, interval_min=15)
    r.energy_wh[4, : r.interval(7)] = 0.0
    r.energy_wh[4, r.interval(7) : r.interval(8)] *= 0.35
    r.energy_wh[4, r.interval(8) : r.interval(9)] *= 0.66
    assert causes(r) == {s: {"shaded"} for s in serials(r, [4])}


def test_a_silence_between_whole_readings_is_a_drop_out(roof: Callable[..., Roof]) -> None:
    r = roof(index=1.0, interval_min=15)
    r.energy_wh[4, r.interval(7) : r.interval(8)] = 0.0
    assert causes(r) == {s: {"intermittent"} for s in serials(r, [4])}


def test_a_loss_that_grows_again_after_a_silence_is_no_shadow_that_passes(roof: Callable[..., Roof]) -> None:
    r = roof(index=1.0, interval_min=15)
    begin = r.interval(9)
    r.energy_wh[4, begin : begin + 6] *= (0.0, 0.0, 0.0, 0.8, 0.7, 0.3)
    assert causes(r) == {s: {"intermittent"} for s in serials(r, [4])}


def test_a_unit_that_runs_with_its_plane_until_noon_does_not_lie_elsewhere(
    roof: Callable[..., Roof], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever other orientation may fit what a shadow leaves; one whose curve only crosses its plane's may."""
    found = misplaced.Turned(0, "south", 90.0, 35.0, 0.3, 0.1)
    monkeypatch.setattr(misplaced, "_turned", lambda _, i, *__: replace(found, unit=i))
    r = roof(index=1.0)
    for hour, left in ((12.0, 0.66), (13.0, 0.5), (14.0, 0.25), (15.0, 0.1)):
        r.energy_wh[4, r.interval(hour) :] = left * r.energy_wh[3, r.interval(hour) :]
    east = replace(r.site, planes=(replace(r.site.planes[0], azimuth_deg=90.0),))
    r.energy_wh[7] = _clouded(east, r.grid, 1.0)[7]
    units = misplaced._turned_units(build_case(r.site, r.readings()), range(12))
    assert [t.unit for t in units] == [7]


def test_a_unit_that_crosses_its_planes_curve_lies_elsewhere(roof: Callable[..., Roof]) -> None:
    r = roof(index=1.0)
    east = replace(r.site, planes=(replace(r.site.planes[0], azimuth_deg=90.0),))
    r.energy_wh[4] = _clouded(east, r.grid, 1.0)[4]
    assert causes(r) == {s: {"wrong_plane"} for s in serials(r, [4])}


def test_of_two_like_units_one_at_its_limit_is_whole_there(roof: Callable[..., Roof]) -> None:
    r = roof(units=2, index=1.0, ac_rated_w=200.0)
    r.energy_wh[1, r.interval(14) : r.interval(17)] *= 0.3
    assert causes(r) == {s: {"shaded"} for s in serials(r, [1])}


@pytest.mark.parametrize(("hours", "seen"), [(2.0, True), (0.75, False)])
def test_a_deep_shadow_is_seen_though_it_leaves_the_units_own_level_unsure(
    roof: Callable[..., Roof], hours: float, seen: bool
) -> None:
    r = roof(index=1.0)
    r.energy_wh[4] *= 1 + 0.04 * np.random.default_rng(4).standard_normal(r.energy_wh.shape[1])
    r.energy_wh[4, r.interval(9) : r.interval(9 + hours)] *= 0.4
    case = build_case(r.site, r.readings())
    unsure = replace(case, levels=replace(case.levels, visible=np.full(12, 0.6)))
    assert shaded._shortfall(case, 4) is not None
    assert (shaded._shortfall(unsure, 4) is not None) == seen


@pytest.mark.parametrize(
    ("mates", "hour", "named"), [([2, 6], 13.5, True), ([2], 13.5, False), ([2, 6], 9.0, False)]
)
def test_a_loss_that_seldom_comes_back_is_a_shadow_where_one_falls_on_others_of_its_plane(
    roof: Callable[..., Roof], mates: list[int], hour: float, named: bool
) -> None:
    r = roof(index=1.0, days=5)
    for day in range(5):
        r.energy_wh[mates, r.interval(13, day) : r.interval(16, day)] *= 0.3
    for day in (1, 3):
        r.energy_wh[4, r.interval(hour, day) : r.interval(hour + 1.5, day)] *= 0.5
    assert causes(r) == {s: {"shaded"} for s in serials(r, [*mates, *([4] if named else [])])}
