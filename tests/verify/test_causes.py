"""Each cause on a roof with one known fault: named once, on the right unit, and on no other."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from service.expect.site import InverterType
from service.expect.sky import cloudy_sky
from service.verify.case import expectation
from service.verify.causes import curtailed, shaded
from service.verify.causes.not_on_record import resembles, slips
from service.verify.causes.substring_out import match_level
from service.verify.day import daylight
from service.verify.inputs import Readings
from service.verify.run import build_case, verify
from tests.verify.conftest import _clouded, in_air


def causes_by_serial(result):
    return {u.serial: u.causes for u in result.units if u.causes}


def the_finding(result, cause):
    found = [f for f in result.findings if f.cause == cause]
    assert len(found) == 1, [f"{f.cause} {f.serials}" for f in result.findings]
    return found[0]


@pytest.mark.parametrize("planes", [1, 2])
@pytest.mark.parametrize("days", [1, 7])
def test_a_healthy_roof_accuses_nobody(roof, planes, days):
    r = roof(planes=planes, days=days)
    result = verify(r.site, r.readings())
    assert result.findings == ()
    assert result.verdict == "verified"


def test_not_reporting(roof):
    r = roof()
    r.energy_wh[4] = np.nan
    result = verify(r.site, r.readings())
    assert causes_by_serial(result) == {"700004": ("not_reporting",)}
    assert result.units[0].serial == "700004"
    assert result.units[0].performance_ratio is None


def test_a_unit_not_yet_fitted_is_not_missed(roof, changed):
    r = roof()
    units = list(r.site.units)
    units[4] = type(units[4])(**{**vars(units[4]), "active_from": datetime(2026, 6, 1, tzinfo=UTC).date()})
    r.energy_wh[4] = np.nan
    r = changed(r, site=type(r.site)(**{**vars(r.site), "units": tuple(units)}))
    result = verify(r.site, r.readings())
    assert result.findings == ()
    assert "700004" not in {u.serial for u in result.units}


def test_not_on_record_names_the_serial_that_it_resembles(roof):
    r = roof()
    r.strangers["700040"] = r.energy_wh[4].copy()
    r.energy_wh[4] = np.nan
    finding = the_finding(verify(r.site, r.readings()), "not_on_record")
    assert finding.serials == ("700040",)
    assert finding.details["resembles"] == "700004"


def test_no_output_from_the_moment_it_stopped(roof):
    r = roof()
    stop = r.interval(13.5)
    r.energy_wh[7, stop:] = 0.0
    result = verify(r.site, r.readings())
    assert causes_by_serial(result) == {"700007": ("no_output",)}
    first = the_finding(result, "no_output").first_seen
    assert abs(first - (r.grid.start + timedelta(hours=13.5))) <= timedelta(minutes=5)


def test_a_unit_that_comes_back_is_not_dead(roof):
    r = roof()
    r.energy_wh[7, r.interval(10) : r.interval(11)] = 0.0
    assert not [f for f in verify(r.site, r.readings()).findings if f.cause == "no_output"]


@pytest.mark.parametrize(("share", "lost"), [(0.66, 1), (0.32, 2)])
@pytest.mark.parametrize("index", [None, 0.95, 0.35])
def test_substring_out_at_every_light(roof, share, lost, index):
    r = roof(index=index)
    r.energy_wh[2] *= share
    finding = the_finding(verify(r.site, r.readings()), "substring_out")
    assert finding.serials == ("700002",)
    assert f"{lost} of 3 substrings" in finding.evidence


def test_a_register_that_shows_no_step_of_a_weak_unit_is_no_drop_out(roof):
    r = roof(index=0.18)
    r.energy_wh[2] *= 0.31
    r.energy_wh[:] = np.diff(np.floor(np.cumsum(r.energy_wh, axis=1)), axis=1, prepend=0)
    lit = slice(r.interval(9), r.interval(15))
    assert (r.energy_wh[2, lit] == 0).any()
    result = verify(r.site, r.readings())
    assert causes_by_serial(result) == {"700002": ("substring_out",)}


@pytest.mark.parametrize("interval_min", [5, 30])
@pytest.mark.parametrize(("index", "days"), [(None, 1), (0.95, 2)])
def test_five_units_with_a_substring_out_are_told_by_three_whole_ones(roof, interval_min, index, days):
    r = roof(units=8, interval_min=interval_min, index=index, days=days)
    r.energy_wh[:5] *= 0.655 * np.array([0.985, 0.995, 1.0, 1.005, 1.015])[:, None]
    result = verify(r.site, r.readings())
    assert causes_by_serial(result) == {f"70{i:04d}": ("substring_out",) for i in range(5)}


@pytest.mark.parametrize("interval_min", [5, 30])
@pytest.mark.parametrize(("index", "days"), [(None, 1), (0.95, 2)])
def test_most_units_with_a_substring_out_are_told_by_the_few_whole_ones(roof, interval_min, index, days):
    r = roof(interval_min=interval_min, index=index, days=days)
    r.energy_wh[:8] *= 0.66
    r.energy_wh[8] *= 0.33
    result = verify(r.site, r.readings())
    assert causes_by_serial(result) == {f"70{i:04d}": ("substring_out",) for i in range(9)}
    assert all(f.cause in {"substring_out", "clipping"} for f in result.findings)
    assert the_level(result, "700011") == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize(("interval_min", "index"), [(5, None), (60, 0.95)])
def test_two_of_three_units_with_a_substring_out_are_told_by_other_planes_that_do_as_the_third(
    roof, interval_min, index
):
    r = roof(units=6, planes=2, interval_min=interval_min, index=index)
    r.energy_wh[[1, 3]] *= 0.655
    out = dict.fromkeys(("700001", "700003"), ("substring_out",))
    assert causes_by_serial(verify(r.site, r.readings())) == out


def test_most_units_of_two_planes_with_a_substring_out_are_told_by_a_whole_one_on_the_one_and_two_on_the_other(
    roof,
):
    r = roof(planes=2, days=2)
    r.energy_wh[:9] *= 0.655
    assert causes_by_serial(verify(r.site, r.readings())) == {
        f"70{i:04d}": ("substring_out",) for i in range(9)
    }


@pytest.mark.parametrize("days", [1, 3])
def test_one_of_two_like_units_with_a_substring_out_is_told_by_the_other_where_the_sky_is_told_badly(
    roof, days
):
    r = roof(units=8, planes=2, days=days)
    rows = [0, 1, 2, 3, 4, 6]
    r = replace(
        r, site=replace(r.site, units=tuple(r.site.units[i] for i in rows)), energy_wh=r.energy_wh[rows]
    )
    passing = np.random.default_rng(7).uniform(0.6, 1.0, r.energy_wh.shape[1])
    r.energy_wh[[1, 3]] *= passing  # clouds before the plane of two alone
    r.energy_wh[3] *= 0.655
    assert causes_by_serial(verify(r.site, r.readings())) == {"700003": ("substring_out",)}


@pytest.mark.parametrize("over", [1.15, 1.35, 1.7])
def test_units_brighter_by_another_share_make_most_of_them_no_faulty_ones(roof, over):
    r = roof(index=0.6)
    r.energy_wh[[2, 5]] *= over
    assert causes_by_serial(verify(r.site, r.readings())) == {}


def the_level(result, serial):
    return next(u.performance_index for u in result.units if u.serial == serial)


@pytest.mark.parametrize("loss", [0.06, 0.12, 0.25])
def test_low_output(roof, loss):
    r = roof(planes=2)
    r.energy_wh[5] *= 1 - loss
    result = verify(r.site, r.readings())
    assert causes_by_serial(result) == {"700005": ("low_output",)}
    lost = the_finding(result, "low_output").lost_wh
    assert lost == pytest.approx(r.energy_wh[5].sum() * loss / (1 - loss), rel=0.4)


@pytest.mark.parametrize(
    ("interval_min", "index", "factor"),
    [(15, 1.1, 3.6), (15, 1.0, 4.0), (5, 1.25, 3.6), (5, 1.0, 12.0), (5, 1.0, 1 / 12)],
)
def test_the_step_of_the_counter_tells_mistaken_units_apart(roof, interval_min, index, factor):
    r = roof(interval_min=interval_min, index=index)
    counted = np.diff(np.floor(np.cumsum(r.energy_wh, axis=1)), axis=1, prepend=0)
    sent = replace(r.readings(), energy_wh=counted * factor)
    assert the_finding(verify(r.site, sent), "unit_scale").details["factor"] == pytest.approx(factor)


@pytest.mark.parametrize(("most_wh", "factor"), [(4, 3600.0), (3, 1000.0)])
def test_four_different_values_in_odd_steps_tell_joules_under_a_cover_and_three_may_be_chance(
    roof, most_wh, factor
):
    r = roof(units=6, index=0.25)
    whole_wh = np.minimum(np.floor(r.energy_wh), most_wh)
    sent = Readings(r.grid.start, r.grid.interval_min, 3600 * whole_wh)
    assert len(np.unique(whole_wh)) == 1 + most_wh
    assert the_finding(verify(r.site, sent), "unit_scale").details["factor"] == factor


@pytest.mark.parametrize("factor", [0.001, 1000.0, 12.0, 3600.0])
def test_unit_scale_is_undone_and_accuses_no_unit(roof, factor):
    r = roof(planes=2)
    r.energy_wh *= factor
    result = verify(r.site, r.readings())
    assert the_finding(result, "unit_scale").details["factor"] == pytest.approx(factor)
    assert causes_by_serial(result) == {}
    assert result.units[0].performance_index == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize("month", [9, 10, 11])
def test_an_even_cover_over_a_plane_that_faces_a_low_sun_is_no_wrong_scale(roof, month):
    """It leaves a tenth of a clear sky's light, which would be no less usual for a clear day."""
    r = roof(index=0.18 if month == 9 else 0.2, start=datetime(2026, month, 4, tzinfo=UTC))
    assert "unit_scale" not in {f.cause for f in verify(r.site, r.readings()).findings}


@pytest.mark.parametrize(
    ("spiked", "found"), [(False, [3600.0]), (True, [])], ids=["all", "one unit's spike"]
)
def test_values_that_no_inverter_gives_are_a_wrong_scale_in_any_light(roof, spiked, found):
    """Late, on a plane with its back to the sun."""
    r = roof()
    half_hour = slice(r.interval(18), r.interval(18.5))
    energy = r.energy_wh[:, half_hour].copy()
    energy[0 if spiked else slice(None)] *= 3600
    sent = Readings(r.grid.start + timedelta(hours=18), 5, energy)
    result = verify(r.site, sent)
    assert [f.details["factor"] for f in result.findings if f.cause == "unit_scale"] == found


@pytest.mark.parametrize("planes", [1, 2])
def test_a_quarter_of_the_sun_s_own_curves_is_power_sent_by_the_quarter_of_an_hour(roof, planes):
    r = roof(planes=planes, days=3, interval_min=15, index=0.97)
    r.energy_wh /= 4
    result = verify(r.site, r.readings())
    assert the_finding(result, "unit_scale").details["factor"] == 0.25
    assert {f.cause for f in result.findings} == {"unit_scale"}


def test_one_day_at_a_quarter_of_the_sun_s_own_curve_may_be_in_another_unit(roof):
    r = roof(interval_min=15, index=0.97)
    r.energy_wh /= 4
    result = verify(r.site, r.readings())
    assert "unit_scale" not in {f.cause for f in result.findings}
    assert [u.cause for u in result.not_yet if "unit of measure" in u.missing] == ["unit_scale"]


def test_a_quarter_of_sun_between_clouds_is_told_by_planes_that_face_apart(roof):
    r = roof(planes=2, days=3, interval_min=15)
    r.energy_wh /= 4
    assert the_finding(verify(r.site, r.readings()), "unit_scale").details["factor"] == 0.25


@pytest.mark.parametrize("planes", [1, 2])
def test_a_cover_that_leaves_a_quarter_of_the_light_is_no_wrong_scale(roof, planes):
    r = roof(planes=planes, days=3, interval_min=15, index=0.25)
    clouds = np.random.default_rng(5).uniform(0.8, 1.2, r.grid.count)
    r = replace(r, energy_wh=clouds * r.energy_wh)
    assert "unit_scale" not in {f.cause for f in verify(r.site, r.readings()).findings}


def _dark(r):
    """Return the roof at some per cent of its output, under passing clouds."""
    clouds = np.random.default_rng(5).uniform(0.4, 1.0, r.grid.count)
    return replace(r, energy_wh=0.03 * clouds * r.energy_wh)


def test_units_that_are_evenly_dim_for_days_are_a_wrong_scale(roof):
    r = _dark(roof(index=1.0, days=4))
    assert "unit_scale" in {f.cause for f in verify(r.site, r.readings()).findings}


@pytest.mark.parametrize("clouds", [0, 1])
def test_a_day_of_even_snow_is_no_wrong_scale_but_may_be_one(roof, clouds):
    """Three per cent of a clear day are no tenth of it, however evenly the units share them."""
    r = roof(index=1.0)
    r = _dark(r) if clouds else replace(r, energy_wh=0.03 * r.energy_wh)
    result = verify(r.site, r.readings())
    assert "unit_scale" not in {f.cause for f in result.findings}
    assert [u.cause for u in result.not_yet if "unit of measure" in u.missing] == ["unit_scale"]


@pytest.mark.parametrize("step", [0.0, 0.001], ids=["as made", "in few steps"])
def test_power_at_which_no_inverter_starts_is_a_wrong_scale_under_dark_clouds_too(roof, step):
    r = _dark(roof(units=2, index=1.0))
    r.energy_wh *= 0.01
    if step:  # whole Wh under a closed cover, sent as kWh
        r.energy_wh = step * np.ceil(3 * r.energy_wh / r.energy_wh.max())
    result = verify(r.site, r.readings())
    assert "unit_scale" in {f.cause for f in result.findings}
    assert causes_by_serial(result) == {}


def test_a_tenth_of_a_clear_day_is_a_wrong_scale(roof):
    r = roof(index=1.0, interval_min=15)
    r.energy_wh *= 0.1
    assert the_finding(verify(r.site, r.readings()), "unit_scale").details["factor"] == pytest.approx(0.1)


def test_the_sun_on_a_plane_that_is_recorded_away_from_it_is_no_wrong_scale(roof, changed):
    """In September the recorded plane is due so little that hours of more than three times as much remain."""
    r = roof(units=8, index=1.0, interval_min=60, start=datetime(2026, 9, 22, tzinfo=UTC))
    away = replace(r.site.planes[0], azimuth_deg=30)
    r = changed(r, site=replace(r.site, planes=(away,)))
    case = build_case(r.site, r.readings())
    assert case.scale == 1.0


def test_a_dark_cover_that_lies_flat_for_an_hour_is_no_power_sent_as_energy(roof):
    """A twelfth of a clear sky's light would have to be half a clear sky's in W, which is no more usual."""
    clouds = np.random.default_rng(5).uniform(0.06, 0.1, 288)
    clouds[120:138] = 0.05
    r = roof(index=1.0)
    r.energy_wh *= clouds
    assert "unit_scale" not in {f.cause for f in verify(r.site, r.readings()).findings}


@pytest.mark.parametrize("interval_min", [15, 30, 60])
def test_a_day_of_a_few_watt_hours_is_dark_and_not_counted_in_hundreds(roof, interval_min):
    """What comes in ones and twos is flat, and alike on all units, by the register's doing."""
    r = roof(index=1.0, interval_min=interval_min)
    clouds = np.random.default_rng(5).uniform(0.5, 1.5, r.grid.count)
    dark = np.diff(np.floor(0.5 + np.cumsum(0.005 * clouds * r.energy_wh, axis=1)), axis=1, prepend=0.0)
    assert 0 < dark.max() <= 4
    assert "unit_scale" not in {
        f.cause for f in verify(r.site, replace(r.readings(), energy_wh=dark)).findings
    }


def test_units_that_are_unevenly_dim_lie_under_snow_and_are_no_wrong_scale(roof):
    r = _dark(roof(planes=2, index=1.0))
    r.energy_wh *= np.random.default_rng(4).uniform(0.5, 1.5, (len(r.energy_wh), 1))
    assert "unit_scale" not in {f.cause for f in verify(r.site, r.readings()).findings}


@pytest.mark.parametrize("units", [1, 2])
def test_a_dark_roof_of_few_units_is_no_wrong_scale(roof, units):
    r = _dark(roof(units=units, index=1.0))
    assert "unit_scale" not in {f.cause for f in verify(r.site, r.readings()).findings}


def test_output_that_breaks_off_is_a_dead_unit_without_neighbours_too(roof):
    r = roof(units=1)
    r.energy_wh[0, r.interval(12) :] = 0
    found = the_finding(verify(r.site, r.readings()), "no_output")
    assert found.first_seen == r.grid.start + timedelta(hours=12)
    assert found.confidence < 0.9


def test_a_lone_unit_that_is_silent_from_the_morning_on_is_dead(roof):
    r = roof(units=1, days=2)
    r.energy_wh[0, r.interval(1, day=1) :] = 0
    assert the_finding(verify(r.site, r.readings()), "no_output").confidence < 0.7


def test_output_that_fades_away_is_darkness_or_snow(roof):
    r = roof(units=1)
    fading = np.exp(-np.arange(r.grid.count - r.interval(12)) / 4)
    fading[24:] = 0
    r.energy_wh[0, r.interval(12) :] *= fading
    assert "no_output" not in {f.cause for f in verify(r.site, r.readings()).findings}


def test_output_that_fades_away_and_is_still_gone_the_day_after_is_said(roof):
    r = roof(units=1, days=3)
    fading = np.exp(-np.arange(r.grid.count - r.interval(12)) / 4)
    fading[24:] = 0
    r.energy_wh[0, r.interval(12) :] *= fading
    found = the_finding(verify(r.site, r.readings()), "no_output")
    assert found.confidence < 0.7


def test_a_last_silence_like_the_ones_before_is_a_drop_out(roof):
    r = roof()
    for start, end in ((8, 8.5), (10, 10.75), (18, 24)):
        r.energy_wh[6, r.interval(start) : r.interval(end)] = 0
    assert causes_by_serial(verify(r.site, r.readings())) == {"700006": ("intermittent",)}


HALF_HOURS_OUT = (16, 19, 20, 24, 29)
"""In each of these half hours the unit is off for ten to twenty minutes."""


def test_drop_outs_shorter_than_half_an_hour_show_by_coming_again(roof):
    r = roof(interval_min=30)
    r.energy_wh[6, HALF_HOURS_OUT] *= (0.4, 0.6, 0.35, 0.5, 0.65)
    result = verify(r.site, r.readings())
    assert causes_by_serial(result) == {"700006": ("intermittent",)}
    assert "4 times" in str(the_finding(result, "intermittent").evidence)


def test_a_loss_that_comes_once_or_twice_a_day_is_no_drop_out(roof):
    r = roof(interval_min=30, index=0.9)
    r.energy_wh[6, [16, 17, 18, 28, 29]] *= (0.5, 0.4, 0.5, 0.4, 0.5)
    assert causes_by_serial(verify(r.site, r.readings())) == {"700006": ("shaded",)}


def test_a_unit_that_dies_after_dropping_out_is_dead(roof):
    r = roof()
    for start, end in ((8, 8.5), (10, 10.75), (13, 24)):
        r.energy_wh[6, r.interval(start) : r.interval(end)] = 0
    assert causes_by_serial(verify(r.site, r.readings()))["700006"][0] == "no_output"


def test_data_gap_of_one_unit(roof):
    r = roof()
    r.energy_wh[3, r.interval(9) : r.interval(12.5)] = np.nan
    result = verify(r.site, r.readings())
    assert causes_by_serial(result) == {"700003": ("data_gap",)}
    assert result.units[0].performance_index == pytest.approx(1.0, abs=0.05)


def test_data_gap_of_the_site_accuses_no_unit(roof):
    r = roof()
    r.energy_wh[:, r.interval(9) : r.interval(12.5)] = np.nan
    result = verify(r.site, r.readings())
    assert the_finding(result, "data_gap").serials == ()
    assert causes_by_serial(result) == {}


@pytest.mark.parametrize(("hours", "said"), [(1, []), (2, ["data_gap"])])
def test_hours_that_are_missing_are_a_gap_though_they_are_few_readings(roof, hours, said):
    r = roof(interval_min=60)
    r.energy_wh[:, r.interval(9) : r.interval(9 + hours)] = np.nan
    assert [f.cause for f in verify(r.site, r.readings()).findings if f.is_fault] == said


def test_one_per_cent_of_missing_readings_is_no_gap(roof):
    r = roof()
    r.energy_wh[np.random.default_rng(5).random(r.energy_wh.shape) < 0.01] = np.nan
    assert verify(r.site, r.readings()).findings == ()


def test_clipping_is_information_and_leaves_the_roof_verified(roof):
    r = roof(ac_rated_w=240.0, index=0.97)
    result = verify(r.site, r.readings())
    finding = the_finding(result, "clipping")
    assert len(finding.serials) == 12
    assert finding.lost_wh is None
    assert result.verdict == "verified"


def test_two_units_exchanged_between_planes(roof):
    r = roof(planes=2)
    r.energy_wh[[2, 5]] = r.energy_wh[[5, 2]]
    result = verify(r.site, r.readings())
    assert set(the_finding(result, "swapped").serials) == {"700002", "700005"}
    assert causes_by_serial(result) == {"700002": ("swapped",), "700005": ("swapped",)}


def test_four_units_that_lie_elsewhere_make_nobody_look_shaded(roof):
    """They agree in a morning sun that their recorded plane does not have, and would be believed for it."""
    r = roof(units=24, planes=2, days=3)
    west = replace(r.site.planes[0], tilt_deg=33, azimuth_deg=250)
    dormer = replace(r.site.planes[1], tilt_deg=31, azimuth_deg=150)
    r = in_air(replace(r, site=replace(r.site, planes=(west, dormer))), 3.0)
    rows = [*range(0, 24, 2), 1, 3, 5, 7]
    units = tuple(replace(r.site.units[i], plane=west.name) for i in rows)
    site = replace(r.site, planes=(west,), units=units)
    result = verify(site, Readings(r.grid.start, r.grid.interval_min, r.energy_wh[rows]))
    assert causes_by_serial(result) == {f"70{i:04d}": ("wrong_plane",) for i in (1, 3, 5, 7)}


@pytest.mark.parametrize(("azimuth_deg", "has_beam"), [(20, False), (170, True)])
def test_a_unit_with_its_back_to_the_sun_has_no_beam_to_lose(roof, azimuth_deg, has_beam):
    r = roof(units=10, planes=2, index=1.0, start=datetime(2026, 11, 3, tzinfo=UTC))
    turned = replace(r.site.planes[1], tilt_deg=26, azimuth_deg=azimuth_deg)
    r = in_air(replace(r, site=replace(r.site, planes=(r.site.planes[0], turned))), 3.0)
    noon = slice(r.interval(11), r.interval(13.5))
    r.energy_wh[1, noon] *= 0.7
    case = build_case(r.site, r.readings())
    short = np.isin(case.day.positions, np.arange(noon.start, noon.stop))
    fall = shaded._Shortfall(short, case.heard[1], 0.1, (160.0, 200.0), 1.0, 1)
    assert shaded._has_beam_to_lose(case, 1, fall) == has_beam


def test_two_exchanged_units_shine_above_planes_whose_others_lack_a_substring(roof):
    r = roof(units=8, planes=2)
    r.energy_wh[[0, 1, 2, 3, 4, 7]] *= 0.655
    r.energy_wh[[5, 6]] = r.energy_wh[[6, 5]]
    assert set(the_finding(verify(r.site, r.readings()), "swapped").serials) == {"700005", "700006"}


def test_one_of_a_plane_s_two_units_is_exchanged(roof):
    whole = roof(planes=2)
    left = [0, 1, 2, 3, 4, 6, 8, 10]
    site = replace(whole.site, units=tuple(whole.site.units[i] for i in left))
    r = replace(whole, site=site, energy_wh=whole.energy_wh[left])
    r.energy_wh[[2, 3]] = r.energy_wh[[3, 2]]
    assert causes_by_serial(verify(r.site, r.readings())) == {"700002": ("swapped",), "700003": ("swapped",)}


def one_flat_plane(roof):
    """Return a roof in clouds of minutes whose planes differ by their tilt only, and the flat one's energy over it."""
    r = roof(planes=2, start=datetime(2026, 4, 5, tzinfo=UTC))
    flat = replace(r.site.planes[1], tilt_deg=5, azimuth_deg=r.site.planes[0].azimuth_deg)
    r = replace(r, site=replace(r.site, planes=(r.site.planes[0], flat)))
    day, rng = daylight(r.site, r.grid, None), np.random.default_rng(3)
    cover = rng.random(len(day.positions)) < 0.3
    index = np.where(cover, rng.uniform(0.3, 0.8, len(cover)), 1.0)
    due = expectation(day, cloudy_sky(day.sun, day.clear, index=day.on_steps(index))).energy_wh
    r.energy_wh[:] = 0.0
    r.energy_wh[:, day.positions] = due * rng.normal(1, 0.01, due.shape)
    return r, float(due[1].sum() / due[0].sum())


def test_units_exchanged_between_planes_of_one_azimuth_have_each_other_s_curve_and_level(roof):
    r, _ = one_flat_plane(roof)
    r.energy_wh[[2, 5]] = r.energy_wh[[5, 2]]
    assert causes_by_serial(verify(r.site, r.readings())) == {"700002": ("swapped",), "700005": ("swapped",)}


def test_a_weak_unit_with_the_other_plane_s_level_is_weak(roof):
    r, level = one_flat_plane(roof)
    r.energy_wh[2] *= level
    assert causes_by_serial(verify(r.site, r.readings())) == {"700002": ("low_output",)}


@pytest.mark.parametrize(("weak", "named"), [(1.0, {}), (0.85, {"700001": ("low_output",)})])
def test_what_a_plane_lacks_is_no_unit_s_while_too_few_like_units_are_heard(roof, weak, named):
    r = roof(units=6, planes=2, index=1.0)
    r.energy_wh[1::2] *= 0.85
    r.energy_wh[1] *= weak
    r.energy_wh[5, r.interval(8) : r.interval(15)] = np.nan
    said = causes_by_serial(verify(r.site, r.readings()))
    assert said == named | {"700005": ("data_gap",)}


def test_a_unit_on_the_other_plane(roof):
    r = roof(planes=2)
    r.energy_wh[4] = r.energy_wh[7]
    result = verify(r.site, r.readings())
    finding = the_finding(result, "wrong_plane")
    assert causes_by_serial(result) == {"700004": ("wrong_plane",)}
    assert finding.details["fits"] == "west"


def test_a_branch_that_is_off_is_one_finding(roof, changed):
    r = roof()
    units = tuple(replace(u, branch="A" if i < 4 else "B") for i, u in enumerate(r.site.units))
    r = changed(r, site=replace(r.site, units=units))
    r.energy_wh[:4, r.interval(11) :] = 0.0
    finding = the_finding(verify(r.site, r.readings()), "branch_out")
    assert finding.branch == "A"
    assert len(finding.serials) == 4


def branched(roof, changed, off=4, **parts):
    r = roof(**parts)
    units = tuple(replace(u, branch="A" if i < off else "B") for i, u in enumerate(r.site.units))
    return changed(r, site=replace(r.site, units=units))


@pytest.mark.parametrize(("south", "off"), [(4, 6), (2, 2)])
def test_a_branch_takes_with_it_what_no_light_would_show_if_it_is_not_the_most(roof, changed, south, off):
    r = branched(roof, changed, off=6, planes=2, start=datetime(2026, 12, 10, tzinfo=UTC), index=0.3)
    dark = [*range(south, 6), 10, 11]
    units = tuple(replace(u, plane="west" if i in dark else "south") for i, u in enumerate(r.site.units))
    planes = (r.site.planes[0], replace(r.site.planes[1], tilt_deg=70, azimuth_deg=350))
    r = changed(
        r, site=replace(r.site, planes=planes, units=units), energy_wh=np.tile(r.energy_wh[0], (12, 1))
    )
    r.energy_wh[dark] *= 0.01
    r.energy_wh[:6] = 0.0
    result = verify(r.site, r.readings())
    assert causes_by_serial(result) == {f"70{i:04d}": ("branch_out",) for i in range(off)}


@pytest.mark.parametrize("days", [1, 3])
@pytest.mark.parametrize("zeros", [0, 2])
def test_a_branch_that_falls_silent_in_light_and_stays_so_is_off(roof, changed, days, zeros):
    r = branched(roof, changed, days=days)
    r.energy_wh[:4, r.interval(11) :] = 0.0
    r.energy_wh[:4, r.interval(11) + zeros :] = np.nan
    r.energy_wh[np.random.default_rng(5).random(r.energy_wh.shape) < 0.02] = np.nan
    result = verify(r.site, r.readings())
    finding = the_finding(result, "branch_out")
    assert "fell silent together" in finding.evidence
    assert causes_by_serial(result) == {f"70{i:04d}": ("branch_out",) for i in range(4)}
    assert finding.lost_wh == pytest.approx(np.nansum(r.energy_wh[4:8, r.interval(11) :]), rel=0.1)


def test_a_branch_that_comes_back_was_not_heard(roof, changed):
    r = branched(roof, changed)
    r.energy_wh[:4, r.interval(9) : r.interval(13)] = np.nan
    assert causes_by_serial(verify(r.site, r.readings())) == {f"70{i:04d}": ("data_gap",) for i in range(4)}


@pytest.mark.parametrize("heard", [0, 1])
def test_a_branch_of_which_hardly_any_unit_is_heard_is_not_said_to_be_off(roof, changed, heard):
    r = branched(roof, changed)
    r.energy_wh[heard:4] = np.nan
    silent = {f"70{i:04d}": ("not_reporting",) for i in range(heard, 4)}
    assert causes_by_serial(verify(r.site, r.readings())) == silent


def test_a_branch_of_which_one_unit_is_heard_on_is_not_off(roof, changed):
    r = branched(roof, changed)
    r.energy_wh[:3, r.interval(11) :] = np.nan
    assert causes_by_serial(verify(r.site, r.readings())) == {f"70{i:04d}": ("data_gap",) for i in range(3)}


@pytest.mark.parametrize("index", [0.9, 0.2])
@pytest.mark.parametrize("asleep", [False, True])
def test_a_branch_that_is_not_heard_from_a_night_on_is_likely_off(roof, changed, index, asleep):
    r = branched(roof, changed, days=3, index=index)
    if asleep:
        r.energy_wh[r.energy_wh <= 0.01 * 350 / 12] = np.nan
    r.energy_wh[:4, r.interval(1, day=2) :] = np.nan
    result = verify(r.site, r.readings())
    assert causes_by_serial(result) == {f"70{i:04d}": ("branch_out",) for i in range(4)}
    assert the_finding(result, "branch_out").confidence <= 0.7


@pytest.mark.parametrize(
    ("interval_min", "hour", "apart", "told"),
    [(5, 3, 0, "branch_out"), (60, 3, 0, "branch_out"), (60, 4, 0, "branch_out"), (5, 3, 3, "data_gap")],
)
def test_a_branch_that_falls_silent_in_the_only_night_while_others_speak_is_likely_off(
    roof, changed, interval_min, hour, apart, told
):
    r = branched(roof, changed, interval_min=interval_min)
    r.energy_wh[:3, r.interval(hour) :] = np.nan
    r.energy_wh[3, r.interval(hour) - apart :] = np.nan
    assert causes_by_serial(verify(r.site, r.readings())) == {f"70{i:04d}": (told,) for i in range(4)}


def test_a_branch_with_others_that_do_not_wake_either_may_be_off_or_not(roof, changed):
    r = branched(roof, changed, days=3)
    r.energy_wh[:5, r.interval(1, day=2) :] = np.nan
    assert causes_by_serial(verify(r.site, r.readings())) == {f"70{i:04d}": ("data_gap",) for i in range(5)}


def test_units_asleep_in_the_evening_are_not_off(roof, changed):
    """What is not heard at night, and from the last light on, is asleep; the other plane has the sun longer."""
    r = roof(planes=2, index=0.9)
    units = tuple(replace(u, branch="AB"[i % 2]) for i, u in enumerate(r.site.units))
    r = changed(r, site=replace(r.site, units=units))
    r.energy_wh[r.energy_wh <= 0.01 * 350 / 12] = np.nan
    assert verify(r.site, r.readings()).findings == ()


def test_a_site_that_is_not_heard_any_more_but_for_one_unit_has_a_gap(roof, changed):
    r = branched(roof, changed, off=11)
    r.energy_wh[:11, r.interval(11) :] = np.nan
    assert "branch_out" not in {f.cause for f in verify(r.site, r.readings()).findings}


def test_a_site_of_one_branch_that_goes_dead_as_a_whole(roof, changed):
    r = roof()
    r = changed(r, site=replace(r.site, units=tuple(replace(u, branch="A") for u in r.site.units)))
    r.energy_wh[:, r.interval(11) :] = 0.0
    assert len(the_finding(verify(r.site, r.readings()), "branch_out").serials) == 12


@pytest.mark.parametrize("index", [0.05, 0.8])
def test_a_site_that_goes_dead_under_a_dark_sky_is_told_by_the_days_after(roof, changed, index):
    r = roof(days=4, index=index, start=datetime(2026, 12, 14, tzinfo=UTC))
    r = changed(r, site=replace(r.site, units=tuple(replace(u, branch="A") for u in r.site.units)))
    r.energy_wh[:, r.interval(11, day=1) :] = 0.0
    found = the_finding(verify(r.site, r.readings()), "branch_out")
    assert len(found.serials) == 12
    assert found.confidence < 0.9  # no neighbour proves the light


def test_a_branch_that_trips_at_noon_and_comes_back(roof, changed):
    r = roof(index=0.95)
    r = changed(
        r,
        site=replace(r.site, units=tuple(replace(u, branch="AB"[i % 2]) for i, u in enumerate(r.site.units))),
    )
    for hour in (11.0, 11.75, 12.5, 13.25):
        r.energy_wh[0::2, r.interval(hour) : r.interval(hour) + 2] *= 0.3
    result = verify(r.site, r.readings())
    finding = the_finding(result, "voltage_trip")
    assert finding.branch == "A"
    assert "4 times" in finding.evidence
    assert set(finding.serials) == {u.serial for u in r.site.units[0::2]}


@pytest.mark.parametrize("count", [1, 2, 6, 13])
@pytest.mark.parametrize("interval_min", [5, 15, 60])
def test_windows_of_a_few_intervals_are_judged_without_error(roof, count, interval_min):
    r = roof(planes=2, interval_min=interval_min)
    noon = r.interval(12)
    r.energy_wh[3] = 0.0
    start = r.grid.start + timedelta(hours=12)
    result = verify(r.site, Readings(start, interval_min, r.energy_wh[:, noon : noon + count]))
    assert len(result.units) == 12
    assert {f.cause for f in result.findings} <= {"no_output"}


def test_a_unit_that_drops_out_and_comes_back_is_intermittent(roof):
    r = roof()
    for hour in (9.0, 10.5, 13.0):
        r.energy_wh[6, r.interval(hour) : r.interval(hour + 0.4)] = 0.0
    result = verify(r.site, r.readings())
    assert causes_by_serial(result) == {"700006": ("intermittent",)}


def test_a_unit_in_the_shade_of_a_chimney_every_afternoon(roof):
    r = roof(days=3, index=0.95)
    for day in range(3):
        r.energy_wh[6, r.interval(14, day) : r.interval(17, day)] *= 0.35
    result = verify(r.site, r.readings())
    assert causes_by_serial(result) == {"700006": ("shaded",)}


def test_a_common_limit_on_the_site_accuses_no_unit(roof):
    r = roof(days=2, index=0.97)
    total = r.energy_wh.sum(axis=0)
    limit = 0.6 * total.max()
    day = slice(0, r.interval(24))
    r.energy_wh[:, day] *= np.minimum(1.0, limit / np.maximum(total[day], 1e-9))
    result = verify(r.site, r.readings())
    assert the_finding(result, "curtailed").details["limit_w"] == pytest.approx(limit * 12, rel=0.02)
    assert causes_by_serial(result) == {}


@pytest.mark.parametrize(
    ("planes", "share", "days", "count"), [(2, 0.93, 1, 0), (2, 0.8, 1, 1), (1, 0.93, 1, 1), (2, 0.91, 2, 1)]
)
def test_planes_that_face_apart_are_level_together_near_their_top(roof, planes, share, days, count):
    """For as long as two tops one after the other, 240 minutes in all; a level that holds longer is a limit."""
    r = roof(planes=planes, index=1.0, days=days)
    total = r.energy_wh.sum(axis=0)
    r.energy_wh *= np.minimum(1.0, share * total.max() / np.maximum(total, 1e-9))
    assert sum(f.cause == "curtailed" for f in verify(r.site, r.readings()).findings) == count


@pytest.mark.parametrize(("planes", "held"), [(("south", "west"), True), (("south",), False), ((), False)])
def test_a_limit_handed_on_to_each_unit_shows_on_planes_that_face_apart(roof, planes, held):
    r = roof(planes=2, index=0.97)
    limited = [u.plane in planes for u in r.site.units]
    r.energy_wh[limited] = np.minimum(r.energy_wh[limited], 0.45 * 350 / 12)
    limits = [f for f in verify(r.site, r.readings()).findings if f.cause == "curtailed"]
    assert bool(limits) is held
    if held:
        assert limits[0].details["limit_w"] == pytest.approx(0.45 * 350 * 12, rel=0.02)


def test_a_limit_of_as_many_watts_for_each_unit_shows_though_some_are_rated_at_little_more(roof, changed):
    r = roof(planes=2, index=0.97)
    small = tuple(replace(u, inverter_type="small") if u.plane == "west" else u for u in r.site.units)
    types = (*r.site.inverter_types, InverterType("small", 165.0, 0.965))
    r = changed(r, site=replace(r.site, units=small, inverter_types=types))
    r.energy_wh = np.minimum(r.energy_wh, 160 / 12)
    found = the_finding(verify(r.site, r.readings()), "curtailed")
    assert found.details["limit_w"] == pytest.approx(160 * 12, rel=0.02)


@pytest.mark.parametrize(("standing", "held"), [(2, True), (1, False)])
def test_a_limit_at_which_several_planes_stand_is_passed_by_more_than_a_register_s_step(standing, held):
    step, count = 1 / 29.0, 24
    fine = np.full(count, 0.3)
    coarse = np.floor(np.arange(1, count + 1) * 0.3 / step) - np.floor(np.arange(count) * 0.3 / step)
    steps = (0.0, step * curtailed.REGISTER_SPREAD)
    told, none = np.ones(count, dtype=bool), np.zeros(count, dtype=int)
    powers = [
        curtailed._Power(share, np.ones(count), told, none, [0], noise)
        for share, noise in zip((fine, coarse * step), steps, strict=True)
    ]
    limits = [curtailed._Limit(0.3, told), curtailed._Limit(0.3, told) if standing == 2 else None]
    assert (coarse * step).max() > 0.3 * (1 + 2 * curtailed.FLATNESS)
    assert curtailed._is_of_all(limits, powers, np.ones(2)) is held


@pytest.mark.parametrize("interval_min", [5, 60])
@pytest.mark.parametrize("share", [0.1, 0.2])
def test_a_limit_far_below_the_ratings_shows_in_the_sun(roof, share, interval_min):
    r = roof(planes=2, index=1.0, interval_min=interval_min)
    limit = share * 12 * 350 * interval_min / 60
    r.energy_wh *= np.minimum(1.0, limit / np.maximum(r.energy_wh.sum(axis=0), 1e-9))
    found = the_finding(verify(r.site, r.readings()), "curtailed")
    assert found.details["limit_w"] == pytest.approx(share * 12 * 350, rel=0.02)


@pytest.mark.parametrize(("wanders", "steady"), [(0.004, True), (0.009, False)])
def test_what_wanders_as_a_cover_does_is_at_no_limit_however_bright_the_sky(wanders, steady):
    share = 0.4 * (1 + wanders * np.sqrt(2) * np.sin(np.linspace(0, 2 * np.pi, 24, endpoint=False)))
    told = np.ones(24, dtype=bool)
    power = curtailed._Power(share, np.full(24, 0.8), told, np.zeros(24, dtype=int), list(range(12)), 0.0)
    assert curtailed._is_steady(power, np.arange(24).reshape(-1, 1)) is steady


@pytest.mark.parametrize(("until", "held"), [(12.25, False), (14.0, True)])
def test_a_low_stand_in_dull_light_is_a_cover_s_unless_it_is_long(roof, until, held):
    r = roof(index=0.3)
    total, first, end = r.energy_wh.sum(axis=0), r.interval(10), r.interval(until)
    r.energy_wh[:, first:end] *= total[first:end].min() / total[first:end]
    r.energy_wh[:, end:] *= 0.7
    assert ("curtailed" in {f.cause for f in verify(r.site, r.readings()).findings}) is held


@pytest.mark.parametrize(("share", "held"), [(0.9, False), (0.8, True)])
def test_a_low_sun_s_top_behind_a_veil_is_no_limit(roof, changed, share, held):
    """A plane that faces west in December gives a fifth of its ratings at its best."""
    r = roof(units=4, start=datetime(2026, 12, 5, tzinfo=UTC))
    west = replace(r.site, planes=(replace(r.site.planes[0], azimuth_deg=273.0, tilt_deg=20.0),))
    r = changed(r, site=west, energy_wh=_clouded(west, r.grid, 1.0))
    total = r.energy_wh.sum(axis=0)
    r.energy_wh *= np.minimum(1.0, share * total.max() / np.maximum(total, 1e-9))
    assert ("curtailed" in {f.cause for f in verify(r.site, r.readings()).findings}) is held


@pytest.mark.parametrize(("live", "held"), [(2, False), (8, True)])
def test_few_units_that_live_speak_of_no_limit_on_the_site(roof, live, held):
    r = roof(planes=2, index=0.97)
    limit = 0.5 * r.energy_wh.max()
    r.energy_wh = np.minimum(r.energy_wh, limit)
    r.energy_wh[live:] = 0.0
    assert ("curtailed" in {f.cause for f in verify(r.site, r.readings()).findings}) is held


@pytest.mark.parametrize("index", [0.08, 0.15])
def test_what_a_closed_cover_leaves_is_no_limit(roof, index):
    r = roof(planes=2, index=index)
    r.energy_wh = np.floor(r.energy_wh)
    assert not verify(r.site, r.readings()).findings


def test_a_common_limit_shows_though_now_this_unit_is_not_heard_and_now_that(roof):
    r = roof(index=0.97, planes=2)
    limit = 0.6 * r.energy_wh.sum(axis=0).max()
    r.energy_wh *= np.minimum(1.0, limit / np.maximum(r.energy_wh.sum(axis=0), 1e-9))
    at = np.arange(0, r.grid.count, 4)
    r.energy_wh[np.random.default_rng(1).integers(0, 12, len(at)), at] = np.nan
    found = the_finding(verify(r.site, r.readings()), "curtailed")
    assert found.details["limit_w"] == pytest.approx(limit * 12, rel=0.01)


def test_a_common_limit_shows_behind_the_steps_of_a_coarse_register(roof):
    r = roof(units=4, index=0.97)
    limit = 0.6 * r.energy_wh.sum(axis=0).max()
    r.energy_wh *= np.minimum(1.0, limit / np.maximum(r.energy_wh.sum(axis=0), 1e-9))
    r.energy_wh[:] = np.diff(np.floor(np.cumsum(r.energy_wh, axis=1)), axis=1, prepend=0)
    found = the_finding(verify(r.site, r.readings()), "curtailed")
    assert found.details["limit_w"] == pytest.approx(limit * 12, rel=0.03)


def test_a_common_limit_between_clouds_shows_by_its_returns(roof):
    r = roof(index=1.0)
    clouds = np.random.default_rng(6).uniform(0.2, 1.0, r.grid.count // 3 + 1).repeat(3)[: r.grid.count]
    r.energy_wh *= clouds
    limit = 0.5 * r.energy_wh.sum(axis=0).max()
    assert "curtailed" not in {f.cause for f in verify(r.site, r.readings()).findings}
    r.energy_wh *= np.minimum(1.0, limit / np.maximum(r.energy_wh.sum(axis=0), 1e-9))
    found = the_finding(verify(r.site, r.readings()), "curtailed")
    assert found.details["limit_w"] == pytest.approx(limit * 12, rel=0.02)


@pytest.mark.parametrize("share", [0.6, 0.7])
def test_a_limit_touched_for_single_intervals_shows_behind_a_register_by_its_edge(roof, share):
    r = roof(units=6, index=1.0, ac_rated_w=600.0)
    r.energy_wh *= np.random.default_rng(1).uniform(0.25, 1.1, r.grid.count)
    limit = share * r.energy_wh.sum(axis=0).max()
    free = np.diff(np.floor(np.cumsum(r.energy_wh, axis=1)), axis=1, prepend=0)
    held = r.energy_wh * np.minimum(1.0, limit / np.maximum(r.energy_wh.sum(axis=0), 1e-9))
    sent = np.diff(np.floor(np.cumsum(held, axis=1)), axis=1, prepend=0)
    bare = verify(r.site, replace(r.readings(), energy_wh=free))
    assert "curtailed" not in {f.cause for f in bare.findings}
    found = the_finding(verify(r.site, replace(r.readings(), energy_wh=sent)), "curtailed")
    assert found.details["limit_w"] == pytest.approx(limit * 12, rel=0.02)


@pytest.mark.parametrize(("swing", "held"), [(0.0, True), (0.055, False), (0.25, False)])
def test_clouds_that_only_means_hide_behind_a_coarse_register_are_no_limit(roof, swing, held):
    r = roof(units=4, index=0.25)
    rated = 350 * 5 / 60
    morning = slice(r.interval(8), r.interval(11))
    swings = np.resize([1 + swing, 1 - swing], r.interval(3))
    r.energy_wh[:, morning] = 0.4 * rated * swings
    r.energy_wh[:] = np.diff(np.floor(np.cumsum(r.energy_wh, axis=1)), axis=1, prepend=0)
    causes = {f.cause for f in verify(r.site, r.readings()).findings}
    assert ("curtailed" in causes) is held


def test_units_at_their_ratings_beside_a_dead_branch_are_under_no_limit(roof):
    r = roof(index=1.0)
    clouds = np.random.default_rng(6).uniform(0.2, 1.6, r.grid.count // 3 + 1).repeat(3)[: r.grid.count]
    rated = 0.6 * r.energy_wh.max()
    r = roof(days=2, index=1.0, ac_rated_w=12 * rated)
    r.energy_wh[:] = np.minimum(r.energy_wh * np.tile(clouds, 2), rated)
    r.energy_wh[:4, r.interval(18) :] = 0.0
    assert "curtailed" not in {f.cause for f in verify(r.site, r.readings()).findings}


@pytest.mark.parametrize(("dead", "held"), [(True, False), (False, True)])
def test_a_unit_that_comes_back_while_the_light_falls_makes_no_limit_of_the_noon_before(roof, dead, held):
    """The sum of 7 of 8 units at noon is that of all 8 once the light has fallen by an eighth."""
    r = roof(units=8, index=1.0, interval_min=15, ac_rated_w=480.0)
    noon = int(r.energy_wh.sum(axis=0).argmax())
    at_noon, later = slice(noon - 3, noon + 3), slice(noon + 8, noon + 11)
    if dead:
        r.energy_wh[3, r.interval(6) : later.start] = 0.0
    total = r.energy_wh.sum(axis=0)
    clouds = np.resize([0.3, 0.55, 0.4, 0.6, 0.35], len(total))
    clouds[at_noon] = 0.8
    clouds[later] = 0.8 * total[noon] / total[later]
    r.energy_wh *= clouds
    assert ("curtailed" in {f.cause for f in verify(r.site, r.readings()).findings}) is held


@pytest.mark.parametrize("rated", [0.7, 0.9])
def test_a_capped_unit_beside_one_at_its_rating_is_no_limit_on_the_site(roof, rated):
    """Both stand still at what is theirs between clouds, and so does their sum."""
    full = roof(index=1.0).energy_wh.max()
    r = roof(units=2, index=1.0, days=2, ac_rated_w=12 * rated * full)
    bright = roof(units=2, index=1.0, days=2, ac_rated_w=5000).energy_wh
    bright *= np.random.default_rng(6).uniform(0.3, 1.3, r.grid.count // 3 + 1).repeat(3)[: r.grid.count]
    r.energy_wh = np.minimum(bright, rated * full * np.array([[0.55], [1.0]]))
    assert "curtailed" not in {f.cause for f in verify(r.site, r.readings()).findings}


def test_a_clear_noon_is_no_limit(roof):
    r = roof(days=2, index=0.97, ac_rated_w=1000.0)
    assert verify(r.site, r.readings()).findings == ()


@pytest.mark.parametrize(
    ("share", "swing", "held"), [(0.86, 0.01, False), (0.86, 0.003, True), (0.7, 0.01, True)]
)
def test_an_uneven_noon_near_the_clear_sky_s_is_no_limit(roof, share, swing, held):
    r = roof(units=9, index=1.0, interval_min=15, ac_rated_w=480.0)
    total = r.energy_wh.sum(axis=0)
    swings = np.resize([1.0, -0.6, 0.2, -1.0, 0.6, -0.2], len(total))
    level = share * total.max() * (1 + swing * swings)
    r.energy_wh *= np.minimum(1.0, level / np.maximum(total, 1e-9))
    assert ("curtailed" in {f.cause for f in verify(r.site, r.readings()).findings}) is held


@pytest.mark.parametrize(
    ("hours", "level", "held"), [(1.5, 0.97, False), (1.5, 0.8, True), (2.25, 0.97, True)]
)
def test_a_level_near_the_clear_sky_s_own_is_a_limit_if_it_lasts_longer_than_a_top(roof, hours, level, held):
    """Clouds may cut corners into a top, which stays within 2.4 % for 100 minutes."""
    r = roof(units=9, index=1.0, interval_min=15, ac_rated_w=480.0)
    total = r.energy_wh.sum(axis=0)
    stand = slice(r.interval(7.5), r.interval(7.5 + hours))
    limit = level * total[stand].max()
    r.energy_wh[:, stand.stop :] *= np.resize([0.3, 0.55, 0.4, 0.6, 0.35], len(total) - stand.stop)
    r.energy_wh[:, stand] *= limit / total[stand]
    assert ("curtailed" in {f.cause for f in verify(r.site, r.readings()).findings}) is held


@pytest.mark.parametrize(("days", "hours", "held"), [(1, 1.25, True), (3, 1.25, False), (3, 1.75, True)])
def test_of_several_days_a_limit_must_hold_for_longer_since_each_may_stand_still_by_chance(
    roof, days, hours, held
):
    r = roof(units=9, index=1.0, days=days, interval_min=5, ac_rated_w=480.0)
    stand = slice(r.interval(9.0, days - 1), r.interval(9.0 + hours, days - 1))
    total = r.energy_wh.sum(axis=0)
    r.energy_wh[:, stand] *= total[stand].min() / total[stand]
    others = np.ones(len(total), dtype=bool)
    others[stand] = False
    r.energy_wh[:, others] *= np.resize([0.3, 0.55, 0.4, 0.6, 0.35], others.sum())
    assert ("curtailed" in {f.cause for f in verify(r.site, r.readings()).findings}) is held


@pytest.mark.parametrize(("flatter", "held"), [(1.0, True), (0.3, False)])
def test_a_power_that_stands_still_is_held_though_the_light_changes_little(roof, flatter, held):
    """A top that is flattened falls by a third of what the light does."""
    r = roof(units=9, index=1.0, interval_min=15, ac_rated_w=480.0)
    total = r.energy_wh.sum(axis=0)
    limit = 0.9 * total.max()
    kept = np.where(total > limit, limit * (total / limit) ** (1 - flatter), total)
    r.energy_wh[:] = kept / 9
    assert ("curtailed" in {f.cause for f in verify(r.site, r.readings()).findings}) is held


@pytest.mark.parametrize(
    ("level_wh", "step_wh", "held"),
    [(3, 1.0, False), (11, 1.0, True), (3, 0.1, False)],
    ids=["in a wide step", "in a narrow one", "told in fine steps"],
)
def test_units_that_all_stand_in_one_step_of_their_register_are_at_no_limit(roof, level_wh, step_wh, held):
    """What goes to and fro within the step under a cover stands still as well."""
    r = roof(units=10, index=1.0)
    cover = level_wh + 0.4 * np.sin(np.arange(r.grid.count) / 5)
    r.energy_wh = step_wh * np.round(np.minimum(r.energy_wh, cover) / step_wh)
    assert ("curtailed" in {f.cause for f in verify(r.site, r.readings()).findings}) is held


def by_the_hour(r):
    """Return the site's readings as sums over whole hours."""
    sums = r.energy_wh.reshape(len(r.energy_wh), -1, 60 // r.grid.interval_min).sum(axis=2)
    return Readings(r.grid.start, 60, sums)


def test_hours_at_one_level_under_a_light_that_changes_much_are_a_limit(roof):
    r = roof(index=0.97)
    limit = 0.55 * r.energy_wh.sum(axis=0).max()
    r.energy_wh *= np.minimum(1.0, limit / np.maximum(r.energy_wh.sum(axis=0), 1e-9))
    found = the_finding(verify(r.site, by_the_hour(r)), "curtailed")
    assert found.details["limit_w"] == pytest.approx(limit * 12, rel=0.02)


@pytest.mark.parametrize("bend", [0.3, 0.5])
def test_hours_of_a_flattened_top_are_no_limit(roof, bend):
    """An output falls short of the light by exp(-bend x), x in kW/m2: 0.3 from shoulder to noon on a real roof."""
    r = roof(index=0.97)
    light = r.energy_wh / r.energy_wh.max()
    r.energy_wh *= np.exp(-bend * light)
    assert "curtailed" not in {f.cause for f in verify(r.site, by_the_hour(r)).findings}


def test_a_stand_that_dark_clouds_part_is_a_limit_if_the_light_changes_much(roof):
    r = roof(index=0.97, days=2)
    day = slice(0, r.interval(24))
    limit = 0.5 * r.energy_wh.sum(axis=0).max()
    r.energy_wh[:, day] *= np.minimum(1.0, limit / np.maximum(r.energy_wh.sum(axis=0)[day], 1e-9))
    r.energy_wh[:, r.interval(9) : r.interval(12)] *= 0.4
    found = the_finding(verify(r.site, r.readings()), "curtailed")
    assert found.details["limit_w"] == pytest.approx(limit * 12, rel=0.02)


def test_findings_come_with_the_largest_loss_first(roof):
    r = roof()
    r.energy_wh[2] *= 0.9
    r.energy_wh[5] = 0.0
    r.energy_wh[8] *= 0.66
    lost = [f.lost_wh for f in verify(r.site, r.readings()).findings]
    assert len(lost) == 3
    assert lost == sorted(lost, reverse=True)


@pytest.mark.parametrize(
    ("a", "b", "distance"),
    [
        ("482913", "482913", 0),
        ("482913", "482931", 1),
        ("482913", "482813", 1),
        ("4829", "48291", 1),
        ("12", "87", 2),
    ],
)
def test_slips(a, b, distance):
    assert slips(a, b) == distance
    assert slips(b, a) == distance


def test_a_serial_like_none_resembles_none():
    assert resembles("999999", ["123456"], ["123450"]) == (None, 0)


def test_one_never_heard_is_preferred_as_the_likeness():
    assert resembles("123456", silent=["123465"], spoken=["123459"])[0] == "123465"


def test_substring_levels_of_one_and_of_two_modules():
    assert match_level(0.66, 3, 1).lost == 1
    assert match_level(0.32, 3, 1).lost == 2
    assert match_level(0.9, 3, 1) is None
    assert match_level(0.83, 3, 2).total == 6
    assert match_level(0.75, 3, 2) is None


def test_shade_while_like_units_stand_at_their_limit_is_seen(roof):
    r = roof(units=8, index=1.0, ac_rated_w=200.0)
    begin, end = r.interval(10.5), r.interval(13)
    assert (r.energy_wh[1:, begin:end] > 0.93 * 200.0 / 12).all()
    r.energy_wh[0, begin:end] *= 0.2
    (found,) = [f for f in verify(r.site, r.readings()).findings if f.is_fault]
    assert (found.cause, found.serials) == ("shaded", (r.site.units[0].serial,))
    assert found.lost_wh == pytest.approx(0.8 * 200 * 2.5, rel=0.05)


def small_plane(roof, index, *levels):
    """Return a roof of which `levels` are those of the only units that face west."""
    r = roof(planes=2, index=index)
    south, west = r.energy_wh[0].copy(), r.energy_wh[1].copy()
    few = len(levels)
    units = tuple(replace(u, plane="west" if i < few else "south") for i, u in enumerate(r.site.units))
    noise = 1 + 0.01 * np.random.default_rng(3).standard_normal(r.energy_wh.shape)
    r.energy_wh[:] = south * noise
    r.energy_wh[:few] = np.outer(levels, west) * noise[:few]
    return replace(r.site, units=units), r.readings()


@pytest.mark.parametrize("level", [0.8, 0.66, 0.5])
@pytest.mark.parametrize("index", [1.0, None])
def test_what_the_only_two_units_of_a_plane_lack_alike_is_the_plane_s(roof, index, level):
    """Its shade, or where it faces: other planes' light tells neither from a fault of both."""
    result = verify(*small_plane(roof, index, level, level))
    assert [u.serial for u in result.units if u.causes] == []
    assert {u.cause for u in result.not_yet if u.planes == ("west",)} >= {"shaded", "plane_misdescribed"}


def test_of_the_only_two_units_of_a_plane_the_lower_one_is_named(roof):
    result = verify(*small_plane(roof, 1.0, 1.0, 0.8))
    assert [u.serial for u in result.units if u.causes] == ["700001"]
