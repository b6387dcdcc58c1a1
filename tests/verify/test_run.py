"""The verification as a whole: ranking, bands, sky, light, edge cases."""

import json
from datetime import UTC, datetime

import numpy as np
import pytest

from service.expect.weather import Weather
from service.verify.inputs import Readings
from service.verify.run import build_case, verify


def test_the_inferred_sky_gives_back_the_clouds_that_were_put_in(roof):
    r = roof(index=0.6)
    sky = build_case(r.site, r.readings()).array_sky
    middle = slice(len(sky.index) // 4, 3 * len(sky.index) // 4)
    assert np.median(sky.index[middle]) == pytest.approx(0.6, abs=0.02)


def test_a_third_of_faulty_units_bends_nothing(roof):
    r = roof(units=12, planes=2)
    r.energy_wh[[0, 1]] *= 0.66
    r.energy_wh[[5, 8]] = 0.0
    healthy = [u for u in verify(r.site, r.readings()).units if not u.causes]
    assert len(healthy) == 8
    assert np.mean([u.performance_index for u in healthy]) == pytest.approx(1.0, abs=0.012)


def test_rank_one_is_the_lowest_performance_ratio(roof):
    r = roof()
    r.energy_wh[9] *= 0.8
    units = verify(r.site, r.readings()).units
    ratios = [u.performance_ratio for u in units]
    assert units[0].serial == "700009"
    assert ratios == sorted(ratios)
    assert [u.rank for u in units] == list(range(1, 13))


def test_measured_and_expected_are_summed_over_the_same_intervals(roof):
    r = roof(index=1.0)
    r.energy_wh[3, : r.interval(12)] = np.nan
    whole = {u.serial: u for u in verify(r.site, r.readings()).units}
    assert whole["700003"].expected_wh < 0.7 * whole["700004"].expected_wh
    assert whole["700003"].performance_index == pytest.approx(1.0, abs=0.04)


def test_bands_hold_the_truth_for_nearly_all_healthy_units(roof):
    inside = total = 0
    for seed in range(8):
        r = roof(units=20, seed=seed)
        for u in verify(r.site, r.readings()).units:
            assert u.performance_index_low < u.performance_index < u.performance_index_high
            inside += u.performance_index_low <= 1.0 <= u.performance_index_high
            total += 1
    assert inside / total >= 0.93


def test_a_lone_unit_falls_back_to_the_clear_sky_and_says_so(roof):
    r = roof(units=1, index=0.9)
    result = verify(r.site, r.readings())
    assert result.sky.source == "clear_sky"
    assert result.units[0].smallest_visible_loss_pct == 100
    assert result.units[0].performance_index == pytest.approx(0.9, abs=0.03)


def test_measured_irradiance_is_used_and_compared(roof):
    r = roof(index=0.8)
    case = build_case(r.site, r.readings())
    ghi = np.zeros(r.grid.count)
    ghi[case.day.positions] = 0.8 * case.day.clear.ghi * case.day.sun.up_share
    result = verify(r.site, r.readings(), Weather(r.grid.start, 5, ghi_w_m2=ghi))
    assert result.sky.source == "measured"
    assert result.sky.measured_over_array == pytest.approx(1.0, abs=0.02)
    assert np.mean([u.performance_index for u in result.units]) == pytest.approx(1.0, abs=0.02)


def test_a_lone_unit_under_unknown_clouds_is_not_accused(roof):
    r = roof(units=1, index=0.5)
    result = verify(r.site, r.readings())
    assert result.findings == ()
    assert result.units[0].performance_index == pytest.approx(0.5, abs=0.08)


def test_a_lone_unit_is_judged_by_measured_irradiance_where_there_is_any(roof):
    r = roof(units=1, index=0.6)
    case = build_case(r.site, r.readings())
    ghi = np.zeros(r.grid.count)
    ghi[case.day.positions] = 0.6 * case.day.clear.ghi * case.day.sun.up_share
    weather = Weather(r.grid.start, 5, ghi_w_m2=ghi)
    assert verify(r.site, r.readings(), weather).verdict == "verified"
    r.energy_wh *= 0.45
    result = verify(r.site, r.readings(), weather)
    assert result.verdict == "attention"
    assert result.units[0].causes != ()


def test_low_measured_irradiance_moves_the_index_and_accuses_nobody(roof):
    r = roof(index=0.8)
    case = build_case(r.site, r.readings())
    ghi = np.zeros(r.grid.count)
    ghi[case.day.positions] = 0.9 * case.day.clear.ghi * case.day.sun.up_share
    result = verify(r.site, r.readings(), Weather(r.grid.start, 5, ghi_w_m2=ghi))
    assert result.sky.measured_over_array > 1.05
    assert all(u.causes == () for u in result.units)


def test_a_night_says_too_little_light(roof):
    r = roof()
    night = Readings(datetime(2026, 5, 4, 23, tzinfo=UTC), 5, np.zeros((12, 30)))
    result = verify(r.site, night)
    assert result.verdict == "too_little_light"
    assert result.sky.light == "none"
    assert result.findings == ()


def test_all_units_dead_on_a_bright_day_is_seen(roof):
    r = roof()
    r.energy_wh[:] = 0.0
    result = verify(r.site, r.readings())
    assert result.verdict == "attention"
    assert {f.cause for f in result.findings} == {"no_output"}


@pytest.mark.parametrize("interval_min", [5, 10, 15, 30, 60])
def test_every_interval_length(roof, interval_min):
    r = roof(interval_min=interval_min, units=9)
    r.energy_wh[2] *= 0.66
    r.energy_wh[4] = 0.0
    result = verify(r.site, r.readings())
    assert {u.serial: u.causes for u in result.units if u.causes} == {
        "700002": ("substring_out",),
        "700004": ("no_output",),
    }


def test_the_southern_hemisphere_and_a_polar_night(roof, changed):
    r = roof()
    polar = changed(r, site=type(r.site)(**{**vars(r.site), "latitude": -78.0}))
    result = verify(polar.site, Readings(datetime(2026, 6, 20, tzinfo=UTC), 5, np.zeros((12, 288))))
    assert result.sky.light == "none"


def test_the_contract_form_is_json_with_every_field(roof):
    r = roof()
    r.energy_wh[4] = np.nan
    form = json.loads(json.dumps(verify(r.site, r.readings()).as_contract("site-1"), allow_nan=False))
    assert set(form) == {"site_id", "start", "end", "sky", "verdict", "units", "findings", "not_yet"}
    assert form["findings"][0]["cause"] == "not_reporting"
    assert form["start"].endswith("+00:00")


def test_rows_must_match_the_units(roof):
    r = roof()
    with pytest.raises(ValueError, match="give a row a unit"):
        verify(r.site, Readings(r.grid.start, 5, np.zeros((3, 288))))
