"""A unit that is short of energy against its like is named, however its level moves."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from service.expect.sky import cloudy_sky
from service.verify.case import expectation
from service.verify.causes import low_output
from service.verify.causes.site_low import best_hour_is_short
from service.verify.day import daylight
from service.verify.ranking import verdict
from service.verify.result import Verification
from service.verify.run import build_case, verify
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


@pytest.mark.parametrize(("steps", "short"), [(1, False), (10, True)])
def test_few_steps_of_a_register_in_a_whole_window_make_no_unit_short(
    roof: Callable[..., Roof], steps: int, short: bool
) -> None:
    """With its back to a winter's sun a plane gives a few Wh a day, of which one unit lacks one in five."""
    r = roof(planes=2, start=datetime(2026, 12, 20, tzinfo=UTC))
    planes = (r.site.planes[0], replace(r.site.planes[1], azimuth_deg=326.0, tilt_deg=43.0))
    r = replace(r, site=replace(r.site, planes=planes), energy_wh=np.floor(r.energy_wh))
    r.energy_wh[1::2] = 0
    for hour in (10.0, 11.0, 12.0, 12.5, 13.25):
        r.energy_wh[1::2, r.interval(hour)] = steps
    r.energy_wh[5, r.interval(13.25)] = 0
    assert np.isfinite(low_output._short(build_case(r.site, r.readings()))[5]) == short


def short_plane(roof: Callable[..., Roof], share: float) -> Verification:
    """Return the verdict on two planes under slow clouds, of which one gives less."""
    r = roof(planes=2)
    r.energy_wh[1::2] *= share
    return verify(r.site, r.readings())


def test_a_plane_that_lacks_together_is_no_proof_and_said_to_be_open(roof: Callable[..., Roof]) -> None:
    result = short_plane(roof, 0.7)
    assert not any(f.is_fault for f in result.findings)
    assert result.verdict == "attention"
    assert {u.cause for u in result.not_yet if u.planes == ("west",)} >= {"shaded", "plane_misdescribed"}


@pytest.mark.parametrize(("light_h", "said"), [(1.0, "attention"), (0.05, "too_little_light")])
def test_what_lacks_in_little_light_is_too_early_to_say(
    roof: Callable[..., Roof], light_h: float, said: str
) -> None:
    r = roof()
    sound = verify(r.site, r.readings())
    low = replace(sound.units[0], performance_index_high=0.8, reference_yield_h=light_h)
    assert verdict(sound.sky, (), sound.units) == "verified"
    assert verdict(sound.sky, (), (low, *sound.units[1:])) == said


def test_what_a_plane_lacks_within_the_model_s_error_is_within_the_band(roof: Callable[..., Roof]) -> None:
    """One plane's light is known from another's to 7 % (two standard uncertainties), however alike its units are."""
    result = short_plane(roof, 0.94)
    assert result.verdict == "verified"
    highest = [u.performance_index_high for u in result.units if u.plane == "west"]
    assert min(h for h in highest if h is not None) > BELOW_USUAL


@pytest.mark.parametrize(("share", "said"), [(0.65, "attention"), (1.0, "verified")])
def test_a_best_hour_a_tenth_below_the_model_s_band_is_no_proof_though_clouds_may_be_what_it_lacks(
    roof: Callable[..., Roof], share: float, said: str
) -> None:
    r = roof(planes=2, days=3, interval_min=30, ac_rated_w=1000)
    day = daylight(r.site, r.grid, None)
    clouds = np.random.default_rng(3).choice([0.35, 0.6, 1.0], len(day.positions), p=[0.3, 0.2, 0.5])
    sky = cloudy_sky(day.sun, day.clear, index=day.on_steps(clouds))
    r.energy_wh[:, day.positions] = share * expectation(day, sky).energy_wh
    result = verify(r.site, r.readings())
    assert (result.findings, result.verdict) == ((), said)


@pytest.mark.parametrize(("days", "proven"), [(1, True), (3, False)])
def test_hours_at_one_power_far_below_the_clear_sky_s_are_no_proof(
    roof: Callable[..., Roof], days: int, proven: bool
) -> None:
    r = roof(planes=2, days=days, interval_min=30, index=0.97, ac_rated_w=1000)
    held = r.energy_wh.sum(axis=0)
    r.energy_wh *= np.minimum(0.5 * held.max() / np.maximum(held, 1e-9), 1.0)
    assert best_hour_is_short(build_case(r.site, r.readings())) is not proven
