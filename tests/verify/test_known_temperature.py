"""What a known air temperature and a service's light change: bands that rest on the model, and nothing else."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from service.expect.weather import SENSOR_AIR_SD_K, TYPICAL_AIR_SD_K, Weather, air_temperature
from service.verify.inputs import FromService, Readings
from service.verify.ranking import SENSOR
from service.verify.result import UnitResult, Verification
from service.verify.run import verify
from service.verify.temperature import BY_LIGHT_TOO
from tests.verify.conftest import Roof
from tests.verify.test_measured_sky import sensor, under

GAMMA = 0.0035
"""Per K, of the roof's modules."""

ASKED = datetime(2026, 5, 12, 6, tzinfo=UTC)


def air(roof: Roof, warmer_k: float, sd_k: float | None = None) -> Weather:
    """Return hourly temperatures that lie so far from the usual ones."""
    usual = roof.grid.to_intervals(air_temperature(None, roof.grid, site=roof.site), "mean")
    hourly = usual.reshape(-1, 60 // roof.grid.interval_min).mean(axis=1) + warmer_k
    sd = None if sd_k is None else np.full(hourly.shape, sd_k)
    return Weather(roof.grid.start, 60, air_temp_c=hourly, air_temp_sd_k=sd)


def judged(roof: Roof, weather: Weather | None = None, service: FromService | None = None) -> Verification:
    return verify(roof.site, roof.readings(), weather, service)


def half_band(unit: UnitResult) -> float:
    """Return half the band over the index."""
    assert unit.performance_index
    assert unit.performance_index_high
    return (unit.performance_index_high - unit.performance_index) / unit.performance_index


def with_faults(roof: Roof) -> Roof:
    roof.energy_wh[2] *= 0.66
    roof.energy_wh[5] *= 0.88
    roof.energy_wh[7, roof.interval(12.0) :] = 0.0
    return roof


def named(found: Verification) -> list[tuple[str, tuple[str, ...]]]:
    return [(f.cause, f.serials) for f in found.findings]


@pytest.mark.parametrize("warmer_k", [-7.0, 7.0])
def test_against_like_units_an_unknown_temperature_changes_nothing(
    roof: Callable[..., Roof], warmer_k: float
) -> None:
    """Peers have the same air: verdict, causes, indices and bands stay, by more than the band of any."""
    roofs = with_faults(roof(days=2))
    without, told = judged(roofs), judged(roofs, air(roofs, warmer_k, 2.5))
    assert named(told) == named(without)
    assert len(named(without)) == 3
    assert told.verdict == without.verdict
    for a, b in zip(without.units, told.units, strict=True):
        assert (a.serial, a.rank) == (b.serial, b.rank)
        assert b.performance_index == pytest.approx(a.performance_index, abs=0.004)
        assert half_band(b) == pytest.approx(half_band(a), rel=0.05)


def test_the_performance_ratio_moves_with_the_temperature_as_far_as_is_said(
    roof: Callable[..., Roof],
) -> None:
    """IEC 61724-1's ratio is under light that the units tell through their temperature: it does hang on it."""
    clear = roof(days=2, index=1.0)
    usual, warm = judged(clear), judged(clear, air(clear, TYPICAL_AIR_SD_K, 2.5))
    moved = [
        b.performance_ratio / a.performance_ratio - 1
        for a, b in zip(usual.units, warm.units, strict=True)
        if a.performance_ratio and b.performance_ratio
    ]
    assert usual.sky.temperature_sd == pytest.approx(BY_LIGHT_TOO * GAMMA * TYPICAL_AIR_SD_K, rel=1e-3)
    assert np.abs(moved).mean() == pytest.approx(usual.sky.temperature_sd, rel=0.15)
    assert warm.sky.temperature_sd == pytest.approx(BY_LIGHT_TOO * GAMMA * 2.5, rel=1e-3)


def test_under_a_measured_sky_the_band_holds_the_temperature_and_shrinks_when_it_is_known(
    roof: Callable[..., Roof],
) -> None:
    clear = under(roof(days=2), np.full(2 * 288, 0.9))
    light = sensor(clear, 0.9)
    fine = np.repeat(air(clear, 0.0).air_temp_c, 12)  # type: ignore[arg-type]
    both = replace(light, air_temp_c=fine)
    widths = [half_band(judged(clear, w).units[0]) / 2 for w in (light, both)]
    own = half_band(judged(clear).units[0]) / 2
    for width, sd_k in zip(widths, (TYPICAL_AIR_SD_K, SENSOR_AIR_SD_K), strict=True):
        assert width == pytest.approx(math.hypot(own, SENSOR, GAMMA * sd_k), rel=0.01)
    assert widths[1] < widths[0]


def test_the_true_index_lies_in_the_band_though_the_air_is_a_climatology_s_error_away(
    roof: Callable[..., Roof],
) -> None:
    """Energies made in air that is two standard uncertainties off: one is what the unit should make."""
    clear = under(roof(days=2), np.full(2 * 288, 0.9))
    light = sensor(clear, 0.9)
    warm = replace(clear, site=replace(clear.site, air_temp_c=None))
    actual = replace(clear, energy_wh=clear.energy_wh * (1 - 2 * TYPICAL_AIR_SD_K * GAMMA))
    for unit in judged(replace(warm, energy_wh=actual.energy_wh), light).units:
        assert unit.performance_index_high is not None
        assert unit.performance_index_high > 1.0


def test_a_lone_unit_s_band_shrinks_by_what_the_usual_temperature_took_of_it(
    roof: Callable[..., Roof],
) -> None:
    lone = roof(units=1, days=2, index=1.0)
    usual, told = judged(lone), judged(lone, air(lone, 0.0, 2.5))
    assert usual.sky.source == told.sky.source == "clear_sky"
    wide, narrow = (half_band(v.units[0]) / 2 for v in (usual, told))
    less = (GAMMA * TYPICAL_AIR_SD_K) ** 2 - (GAMMA * 2.5) ** 2
    assert narrow == pytest.approx(math.sqrt(wide**2 - less), rel=1e-3)


def service_light(roof: Roof, factor: float) -> FromService:
    """Return a service whose hourly light is so many times that of the roof's sky."""
    ghi = sensor(roof, 0.9).ghi_w_m2
    assert ghi is not None
    hourly = factor * ghi.reshape(-1, 60 // roof.grid.interval_min).mean(axis=1)
    light = Weather(roof.grid.start, 60, ghi_w_m2=hourly)
    return FromService("era5", ASKED, air_temp=False, light=light, light_sd=0.06, light_day_sd=0.2)


@pytest.mark.parametrize("factor", [0.3, 1.0, 2.0])
def test_a_service_s_light_stands_beside_and_moves_nothing_however_wrong_it_is(
    roof: Callable[..., Roof], factor: float
) -> None:
    spoilt = with_faults(under(roof(days=2), np.full(2 * 288, 0.9)))
    without, told = judged(spoilt), judged(spoilt, None, service_light(spoilt, factor))
    assert told.units == without.units
    assert told.findings == without.findings
    assert told.not_yet == without.not_yet
    assert replace(told.sky, service=None) == without.sky
    opinion = told.sky.service
    assert opinion is not None
    assert opinion.light_over_array == pytest.approx(factor, rel=0.06)
    half = 2 * math.hypot(0.06, 0.2 / math.sqrt(2), 0.05)
    assert opinion.high == pytest.approx(opinion.light_over_array * (1 + half), rel=0.01)


def test_a_service_without_light_says_only_that_it_was_asked(roof: Callable[..., Roof]) -> None:
    one = roof(days=1)
    found = judged(one, None, FromService("era5", ASKED, air_temp=True))
    assert found.sky.service is not None
    assert found.sky.service.light_over_array is None
    assert found.as_contract("s")["sky"]["service"]["fetched_at"] == "2026-05-12T06:00:00+00:00"


def test_readings_of_a_night_have_no_temperature_that_counts(roof: Callable[..., Roof]) -> None:
    one = roof(days=1)
    night = Readings(one.grid.start, one.grid.interval_min, one.energy_wh[:, :24])
    assert verify(one.site, night).sky.air_temp_sd_k is None
