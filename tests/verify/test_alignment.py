"""A wrong clock or a misdescribed plane is found from all units, undone, and accuses none; what resembles it is not."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from service.expect.grid import Grid
from service.expect.site import Plane
from service.expect.sky import Irradiance, clear_sky_at, cloudy_sky
from service.verify import alignment, angles, clock_bounds, explained, search, turn_bounds
from service.verify.case import expectation
from service.verify.causes import plane_misdescribed
from service.verify.day import daylight
from service.verify.inputs import Readings
from service.verify.labels import LateClock
from service.verify.run import verify
from service.verify.search import LEAST_TURN_DEG, WORTH_A_SEARCH, Clock, Turn, best_clock, best_turns
from service.verify.skyfit import Fit
from service.verify.window import Window, window
from tests.verify.conftest import NOISE, in_air

SITE_CAUSES = {"clock_shift", "plane_misdescribed", "unit_scale"}

FIVE_MINUTES = 5
"""Asked of a clock after a clear day with two planes."""

FIVE_DEGREES = 5.0
"""Asked of an azimuth after a clear day with two planes."""


def site_causes(result):
    return [f.cause for f in result.findings if f.cause in SITE_CAUSES]


def units_accused(result):
    return {u.serial: u.causes for u in result.units if u.causes}


def the_finding(result, cause):
    found = [f for f in result.findings if f.cause == cause]
    assert len(found) == 1, [f"{f.cause} {f.evidence}" for f in result.findings]
    return found[0]


def labelled_late(r, minutes):
    """Return the readings with labels `minutes` after the true time."""
    return Readings(r.grid.start + timedelta(minutes=minutes), r.grid.interval_min, r.energy_wh)


def with_plane(r, name, **angles):
    """Return the site with a plane noted wrongly; what its units gave stays."""
    planes = tuple(replace(p, **angles) if p.name == name else p for p in r.site.planes)
    return replace(r.site, planes=planes)


def passing_clouds(r, seed):
    """Give the roof clouds of minutes under which two planes, and not the clear sky, tell."""
    day = daylight(r.site, r.grid, None)
    rng = np.random.default_rng(seed)
    cover = np.repeat(rng.random(len(day.positions) // 2 + 1) < 0.5, 2)[: len(day.positions)]
    index = np.where(cover, rng.uniform(0.25, 0.6, len(cover)), 1.0)
    r.energy_wh[:, day.positions] = expectation(
        day, cloudy_sky(day.sun, day.clear, index=day.on_steps(index))
    ).energy_wh
    return r


@pytest.mark.parametrize("minutes", [60, -45, 30, 120, -180])
def test_a_clock_on_a_clear_day_with_two_planes(roof, minutes):
    r = roof(planes=2, index=1.0)
    result = verify(r.site, labelled_late(r, minutes))
    finding = the_finding(result, "clock_shift")
    assert finding.details["minutes"] == pytest.approx(minutes, abs=FIVE_MINUTES)
    assert finding.serials == ()
    assert units_accused(result) == {}
    change = finding.details["correction"]["changes"]
    assert change == [{"from": None, "minutes": finding.details["minutes"]}]


@pytest.mark.parametrize(("planes", "minutes"), [(2, 420), (2, -600), (1, 240), (2, 330)])
def test_a_clock_of_another_zone_is_told_to_the_half_hour(roof, planes, minutes):
    r = roof(planes=planes, index=1.0)
    result = verify(r.site, labelled_late(r, minutes))
    assert the_finding(result, "clock_shift").details["minutes"] == minutes
    assert units_accused(result) == {}


def closed_cover(roof):
    """Return a roof under a closed cover that is never twice as thick, by the sky's light alone."""
    r = roof(planes=2, index=0.25)
    r.energy_wh *= np.random.default_rng(3).uniform(0.67, 1.33, r.grid.count)
    return r


@pytest.mark.parametrize("minutes", [90, -150, 480])
def test_output_with_the_sun_down_tells_a_clock_under_a_closed_cover(roof, minutes):
    r = closed_cover(roof)
    result = verify(r.site, labelled_late(r, minutes))
    found = the_finding(result, "clock_shift")
    assert found.details["minutes"] == pytest.approx(minutes, abs=10)
    least, most = found.details["minutes_between"]
    assert least <= minutes <= most < least + 180
    assert "roughly" in found.evidence
    assert "while the sun is down" in found.evidence
    assert units_accused(result) == {}


@pytest.mark.parametrize("minutes", [0, 15])
def test_a_closed_cover_says_nothing_of_a_clock_while_no_output_lies_in_the_night(roof, minutes):
    r = closed_cover(roof)
    assert site_causes(verify(r.site, labelled_late(r, minutes))) == []


@pytest.mark.parametrize(
    ("minutes", "by_near", "told"), [(30, 4.0, True), (30, 9.0, False), (15, 4.0, False)]
)
def test_on_one_plane_a_clock_within_the_models_errors_must_explain_less(
    roof, monkeypatch, minutes, by_near, told
):
    seen = window((r := roof(index=1.0)).site, labelled_late(r, minutes), scale=1.0)
    clock, turn = replace(best_clock(seen), gain=13.5), replace(best_turns(seen)[0], gain=0.0)
    monkeypatch.setattr(Window, "clocks", lambda self, _: np.array([self.record + by_near]))
    assert clock_bounds.clock_explains_enough(seen, clock, turn) is told


@pytest.mark.parametrize("interval_min", [15, 30])
def test_labels_at_the_end_of_the_interval(roof, interval_min):
    r = roof(planes=2, index=1.0, interval_min=interval_min)
    finding = the_finding(verify(r.site, labelled_late(r, interval_min)), "clock_shift")
    assert finding.details["minutes"] == pytest.approx(interval_min, abs=FIVE_MINUTES)
    assert "end of their intervals" in finding.advice


def test_a_clock_under_passing_clouds_is_told_by_two_planes(roof):
    r = passing_clouds(roof(planes=2), seed=3)
    finding = the_finding(verify(r.site, labelled_late(r, 60)), "clock_shift")
    assert finding.details["minutes"] == pytest.approx(60, abs=FIVE_MINUTES)


@pytest.mark.parametrize("minutes", [60, -60, 45])
def test_a_clock_under_passing_clouds_on_one_plane(roof, minutes):
    r = passing_clouds(roof(), seed=3)
    finding = the_finding(verify(r.site, labelled_late(r, minutes)), "clock_shift")
    assert finding.details["minutes"] == minutes


def test_passing_clouds_on_one_plane_with_the_right_clock_say_nothing(roof):
    r = passing_clouds(roof(), seed=3)
    assert site_causes(verify(r.site, r.readings())) == []


@pytest.mark.parametrize(("less", "told"), [(2.0, False), (8.0, True)])
def test_between_clouds_what_a_turn_of_one_plane_explains_about_as_well_is_no_clock(roof, less, told):
    r = passing_clouds(roof(), seed=3)
    seen = window(r.site, labelled_late(r, 60), scale=1.0)
    clock, turn = best_clock(seen), best_turns(seen)[0]
    assert seen.sunshine(explained.by_turn(seen, turn)).clear_h < explained.LEAST_SUN_H
    about = replace(turn, gain=clock.gain - less, angles=1)
    assert clock_bounds.clock_explains_enough(seen, clock, about) is told


@pytest.mark.parametrize(("by_night", "told"), [(0.0, False), (4.0, True)])
def test_between_clouds_a_clock_of_one_plane_that_output_by_night_shows_must_explain_less(
    roof, monkeypatch, by_night, told
):
    r = passing_clouds(roof(), seed=1)
    seen = window(r.site, labelled_late(r, 60), scale=1.0)
    clock, turn = replace(best_clock(seen), gain=14.0), replace(best_turns(seen)[0], gain=0.0)
    assert seen.sunshine(seen.by_clock(np.array([60.0]))).clear_h < explained.LEAST_SUN_H
    monkeypatch.setattr(Window, "uneven", seen)
    monkeypatch.setattr(clock_bounds, "by_night", lambda *_: by_night)
    assert clock_bounds.clock_explains_enough(seen, clock, turn) is told


@pytest.mark.parametrize(
    ("by_night", "minutes", "days", "told"),
    [(4.0, 60, 1, True), (3.0, 60, 1, False), (4.0, 15, 1, False), (4.0, 60, 2, False)],
)
def test_output_by_night_alone_shows_a_far_clock_of_an_only_plane_s_day_whatever_the_haze(
    roof, monkeypatch, by_night, minutes, days, told
):
    r = passing_clouds(roof(days=days), seed=1)
    seen = window(r.site, labelled_late(r, 60), scale=1.0)
    clock, turn = Clock(LateClock(0, minutes), 7.0), replace(best_turns(seen)[0], gain=0.0)
    monkeypatch.setattr(Window, "uneven", seen)
    monkeypatch.setattr(clock_bounds, "by_night", lambda *_: by_night)
    monkeypatch.setattr(clock_bounds, "whatever_drift", lambda *_: 0.0)
    assert clock_bounds.believed_clock(seen, clock, turn) is told


@pytest.mark.parametrize("late", [0, -60])
def test_no_change_of_the_clock_is_believed_that_brings_no_output_by_night(roof, late):
    r = roof(planes=2, days=7, interval_min=15, index=0.4)
    change = r.interval(0.0, 4)
    energy = r.energy_wh.copy()
    energy[:, change:] = np.roll(energy[:, change:], late // r.grid.interval_min, axis=1)
    seen = window(r.site, Readings(r.grid.start, r.grid.interval_min, energy), scale=1.0)
    clock, turn = Clock(LateClock(0, -60, change), 40.0), replace(best_turns(seen)[0], gain=0.0)
    assert clock_bounds.clock_explains_enough(seen, clock, turn) is (late == -60)


@pytest.mark.parametrize(("index", "told"), [(0.4, False), (None, True)])
def test_an_even_cover_tells_no_clock_of_several_planes(roof, index, told):
    r = roof(planes=2, days=3, interval_min=30, index=index)
    seen = window(r.site, labelled_late(r, 0 if index else 30), scale=1.0)
    clock, turn = Clock(LateClock(0, 30), 40.0), replace(best_turns(seen)[0], gain=0.0)
    assert clock_bounds.clock_explains_enough(seen, clock, turn) is told


@pytest.mark.parametrize(("days", "planes", "told"), [(1, 1, True), (7, 1, False), (7, 2, True)])
def test_what_haze_leaves_of_a_clock_of_one_plane_must_be_enough_for_all_days(
    roof, monkeypatch, days, planes, told
):
    r = roof(days=days, planes=planes, index=1.0)
    seen = window(r.site, labelled_late(r, 60), scale=1.0)
    clock, turn = replace(best_clock(seen), gain=45.0), replace(best_turns(seen)[0], gain=0.0)
    assert seen.lit_days == days
    monkeypatch.setattr(clock_bounds, "whatever_drift", lambda *_: 20.0)
    assert clock_bounds.believed_clock(seen, clock, turn) is told


@pytest.mark.parametrize("minutes", [60, -60])
def test_light_in_the_dark_speaks_against_the_record_and_for_the_clock(roof, minutes):
    """Output before sunrise or after sunset: no cloud explains it, nor where a plane faces."""
    r = roof(planes=2, index=1.0)
    seen = window(r.site, labelled_late(r, minutes), scale=1.0)
    assert seen is not None
    recorded, right, beyond = seen.light_in_the_dark(np.array([0.0, 1.0, 2.0]) * minutes)
    assert recorded > WORTH_A_SEARCH
    assert right < 1.0
    assert beyond > WORTH_A_SEARCH


@pytest.mark.parametrize("planes", [1, 2])
def test_less_than_a_quarter_of_an_hour_is_said_of_no_clock(roof, planes):
    r = roof(planes=planes, index=1.0)
    assert site_causes(verify(r.site, labelled_late(r, 12))) == []


@pytest.mark.parametrize("minutes", [12, -12])
def test_what_a_small_shift_explains_half_as_well_is_no_other_plane(roof, minutes):
    r = roof(index=1.0, days=3)
    assert site_causes(verify(r.site, labelled_late(r, minutes))) == []


def test_a_small_shift_is_not_said(roof):
    r = roof(planes=2, index=1.0)
    assert site_causes(verify(r.site, labelled_late(r, 5))) == []


def test_what_a_change_of_the_clock_explains_is_told_by_the_levels_that_fit_it_too(roof):
    r = passing_clouds(roof(planes=2, days=5, interval_min=30), seed=4)
    r.energy_wh[:] *= 0.8
    change = r.interval(0.0, 3)
    r.energy_wh[:, change:] = np.roll(r.energy_wh[:, change:], 60 // r.grid.interval_min, axis=1)
    seen = window(r.site, r.readings(), scale=1.0)
    found = search.best_change(seen)
    assert found is not None
    assert (found.late.before_min, found.late.after_min) == (0, 60)
    assert found.gain == pytest.approx(explained.gain_over_record(seen, search.by_clock(seen, found)))
    by_day = seen.likelihood_by_day(seen.by_clock(np.array([0.0, 60.0])))
    apart = by_day[0, :3].sum() + by_day[1, 3:].sum() - by_day[0].sum()
    assert found.gain > apart + 3.0


@pytest.mark.parametrize(("before", "after"), [(0, 60), (0, -60), (60, 0)])
def test_summer_time_on_a_standard_clock_within_the_week(roof, before, after):
    r = roof(planes=2, days=7, index=1.0)
    change = r.interval(2, day=4)
    energy = np.concatenate(
        [
            np.roll(r.energy_wh, before // 5, axis=1)[:, :change],
            np.roll(r.energy_wh, after // 5, axis=1)[:, change:],
        ],
        axis=1,
    )
    result = verify(r.site, Readings(r.grid.start, 5, energy))
    finding = the_finding(result, "clock_shift")
    assert finding.details["minutes"] == before + after
    assert units_accused(result) == {}
    at = [entry["from"] for entry in finding.details["correction"]["changes"]][-1]
    assert abs(
        np.datetime64(at[:19]) - np.datetime64(str(r.grid.start + timedelta(days=4))[:19])
    ) <= np.timedelta64(3, "h")


def test_times_are_said_in_the_readings_own_labels(roof):
    r = roof(planes=2, index=1.0)
    r.energy_wh[3, r.interval(14) :] = 0.0
    result = verify(r.site, labelled_late(r, 60))
    dead = the_finding(result, "no_output")
    assert abs(dead.first_seen - (r.grid.start + timedelta(hours=15))) <= timedelta(minutes=10)
    assert result.start == r.grid.start + timedelta(minutes=60)
    noon = result.curves.expected_wh["700000"]
    assert len(noon) == r.grid.count
    assert np.argmax(noon) == pytest.approx(np.argmax(r.energy_wh[0]), abs=12)


@pytest.mark.parametrize("turn", [-40.0, 25.0, 90.0, 180.0])
def test_an_azimuth_on_a_clear_day_with_two_planes(roof, turn):
    r = roof(planes=2, index=1.0)
    result = verify(with_plane(r, "west", azimuth_deg=(260 + turn) % 360), r.readings())
    finding = the_finding(result, "plane_misdescribed")
    assert finding.plane == "west"
    assert finding.details["azimuth_deg"] == pytest.approx(260, abs=FIVE_DEGREES)
    assert units_accused(result) == {}
    assert finding.details["correction"] == {
        "kind": "plane",
        "plane": "west",
        "azimuth_deg": finding.details["azimuth_deg"],
        "tilt_deg": finding.details["tilt_deg"],
    }


@pytest.mark.parametrize(("lean", "said"), [(7.0, []), (-7.0, []), (10.0, ["plane_misdescribed"])])
def test_a_tilt_within_what_model_and_crew_may_be_off_is_no_other_plane(roof, lean, said):
    """Right tilts of real roofs are fitted up to 8 degrees off (`tests/reference/test_real_orientation.py`)."""
    r = roof(planes=2, index=1.0)
    assert site_causes(verify(with_plane(r, "west", tilt_deg=25 + lean), r.readings())) == said


@pytest.mark.parametrize(("plane", "level"), [(0, 0.93), (0, 1.07), (1, 0.93), (1, 1.07)])
@pytest.mark.parametrize(("month", "clouds"), [(5, False), (5, True), (8, False)])
def test_a_level_within_what_the_model_errs_between_planes_turns_none(roof, month, clouds, plane, level):
    r = roof(planes=2, index=1.0, interval_min=15, start=datetime(2026, month, 4, tzinfo=UTC))
    if clouds:
        passing_clouds(r, 3)
    r.energy_wh[plane::2] *= level
    assert site_causes(verify(r.site, r.readings())) == []


@pytest.mark.parametrize(("share", "told"), [(0.68, True), (0.74, False)])
def test_of_what_a_turn_explains_an_error_of_the_model_may_explain_seven_tenths(
    roof, monkeypatch, share, told
):
    r = roof(planes=2, index=1.0)
    site = with_plane(r, "west", azimuth_deg=220.0)
    worth = best_turns(window(site, r.readings(), scale=1.0))[0].worth
    by_error = share * worth + turn_bounds.UNLIKELY_ERROR
    monkeypatch.setattr(turn_bounds, "_in_all_intervals", lambda _, turn: turn)
    monkeypatch.setattr(turn_bounds, "gain_over_record", lambda *_: by_error)
    assert (alignment.align(site, r.readings(), scale=1.0).plane is not None) is told


@pytest.mark.parametrize(
    ("share", "told", "either"), [(0.85, True, None), (0.93, True, "low_output"), (0.96, False, None)]
)
def test_a_turn_that_a_lower_level_explains_nearly_as_well_is_said_with_it(
    roof, monkeypatch, share, told, either
):
    r = roof(planes=2, index=1.0)
    site = with_plane(r, "west", azimuth_deg=220.0)
    worth = best_turns(window(site, r.readings(), scale=1.0).uneven)[0].worth
    monkeypatch.setattr(turn_bounds, "_in_all_intervals", lambda _, turn: turn)
    monkeypatch.setattr(turn_bounds, "_gained_by_level", lambda _: (share * worth, 1, 0.8))
    found = [f for f in verify(site, r.readings()).findings if f.cause == "plane_misdescribed"]
    assert bool(found) is told
    if told:
        assert found[0].details.get("also_explained_by") == either
        assert ("west that make 20 % less" in found[0].evidence) is bool(either)
        assert ("look at the modules on west" in found[0].advice) is bool(either)
        assert (found[0].confidence <= plane_misdescribed.MOST_IF_LOW) is bool(either)


@pytest.mark.parametrize("planes", [1, 2])
def test_no_level_is_said_that_gains_nothing_be_the_turn_worth_nothing_in_all_intervals(roof, planes):
    r = roof(planes=planes, index=1.0)
    seen = window(r.site, r.readings(), scale=1.0)
    assert turn_bounds.lower_level(seen, Turn(0, 80.0, 350.0, 5.0, 1)) is None


@pytest.mark.parametrize(("small", "told"), [(0.55, True), (0.65, False)])
def test_of_a_turn_another_plane_s_small_one_may_explain_three_fifths(roof, small, told):
    r = roof(planes=2, index=1.0)
    seen = window(r.site, r.readings(), scale=1.0)
    turn = Turn(1, 25.0, 300.0, 50.0, 1)
    other = Turn(0, 35.0, 171.0, small * turn.worth, 1)
    clock = Clock(LateClock(0, 0), 0.0)
    assert turn_bounds.by_small_error(seen, clock, turn, [turn, other]) is not told


@pytest.mark.parametrize(
    ("by_night", "minutes", "days", "told"),
    [(12.0, 30, 2, True), (8.0, 30, 2, False), (12.0, 15, 2, False), (12.0, 30, 1, False)],
)
def test_output_by_several_nights_shows_a_far_clock_of_an_only_plane_whatever_light_and_turn_say(
    roof, monkeypatch, by_night, minutes, days, told
):
    r = roof(index=0.9, days=days)
    seen = window(r.site, r.readings(), scale=1.0)
    monkeypatch.setattr(clock_bounds, "by_night", lambda *_: by_night)
    assert clock_bounds.shown_by_nights(seen, Clock(LateClock(0, minutes), 9.0)) is told


def test_a_clock_that_only_its_nights_tell_is_said_as_a_band_and_no_plane_explains_it(roof, monkeypatch):
    r = roof(index=0.9, days=2)
    late = replace(r, energy_wh=np.roll(r.energy_wh, 18, axis=1))
    monkeypatch.setattr(alignment, "believed_clock", lambda *_: False)
    monkeypatch.setattr(alignment, "shown_by_nights", lambda *_: True)
    found = the_finding(verify(late.site, late.readings()), "clock_shift")
    least, most = found.details["minutes_between"]
    assert least <= 90 <= most
    assert "also_explained_by" not in found.details


def test_an_even_sky_s_light_is_tried_on_one_plane_and_while_its_back_is_to_the_sun(roof):
    r = roof(planes=2, index=1.0)
    seen = window(r.site, r.readings(), scale=1.0)
    assert seen is not None
    beam, sky, _ = seen.by_record
    lit, brighter, _ = seen.brighter_behind(1, 2.0)
    more = np.divide(brighter, sky, out=np.ones_like(sky), where=sky > 0)[0]
    sun_up = sky[0, 1] > 0
    assert (lit == beam).all()
    assert (more[0] == 1.0).all()
    assert ((more[1] == 2.0) == (beam[0, 1] < sky[0, 1]))[sun_up].all()
    assert set(more[1][sun_up]) == {1.0, 2.0}


def test_an_azimuth_under_a_week_of_passing_clouds(roof):
    r = passing_clouds(roof(planes=2, days=7), seed=4)
    finding = the_finding(
        verify(with_plane(r, "south", azimuth_deg=215.0), r.readings()), "plane_misdescribed"
    )
    assert finding.details["azimuth_deg"] == pytest.approx(170, abs=FIVE_DEGREES)


def test_a_tilt_that_shows_is_given_and_one_that_does_not_is_kept(roof):
    r = roof(planes=2, index=1.0)
    finding = the_finding(verify(with_plane(r, "south", tilt_deg=60.0), r.readings()), "plane_misdescribed")
    assert finding.details["tilt_deg"] == pytest.approx(35, abs=FIVE_DEGREES)
    turned = the_finding(verify(with_plane(r, "west", azimuth_deg=210.0), r.readings()), "plane_misdescribed")
    assert turned.details["tilt_deg"] == 25.0
    assert "cannot be told" in turned.evidence


def test_on_one_plane_both_explanations_are_said(roof):
    r = roof(index=1.0)
    finding = next(f for f in verify(r.site, labelled_late(r, 45)).findings if f.cause in SITE_CAUSES)
    other = {"clock_shift": "plane_misdescribed", "plane_misdescribed": "clock_shift"}[finding.cause]
    assert finding.details["also_explained_by"] == other
    assert "decides" in finding.evidence


@pytest.mark.parametrize("minutes", [60, -120])
def test_on_one_plane_whole_hours_are_the_clock_s(roof, minutes):
    r = roof(index=1.0)
    finding = next(f for f in verify(r.site, labelled_late(r, minutes)).findings if f.cause in SITE_CAUSES)
    assert finding.cause == "clock_shift"
    assert finding.details["minutes"] == minutes


def test_a_plane_recorded_the_other_way_round_shows_under_one_day_of_passing_clouds(roof):
    """By the record the plane hardly ever saw the sun: its light alone, beside the other's, says it did."""
    r = passing_clouds(roof(planes=2), seed=6)
    site = with_plane(r, "south", tilt_deg=50.0, azimuth_deg=350.0)
    finding = the_finding(verify(site, r.readings()), "plane_misdescribed")
    assert finding.plane == "south"
    assert finding.details["azimuth_deg"] == pytest.approx(170, abs=4 * FIVE_DEGREES)


def test_values_that_no_sky_gives_to_the_recorded_plane_are_another_plane_s_before_another_unit_s(roof):
    r = passing_clouds(roof(start=datetime(2026, 3, 1, tzinfo=UTC)), seed=7)
    site = with_plane(r, "south", tilt_deg=45.0, azimuth_deg=350.0)
    assert site_causes(verify(site, r.readings())) == ["plane_misdescribed"]


@pytest.mark.parametrize("seed", [0, 2])
def test_a_closed_cover_that_lights_all_planes_alike_turns_none_to_face_as_another(roof, seed):
    bare = roof(planes=2)
    south, north = (
        replace(p, tilt_deg=35.0, azimuth_deg=a)
        for p, a in zip(bare.site.planes, (180.0, 350.0), strict=True)
    )
    r = replace(bare, site=replace(bare.site, planes=(south, north)))
    day, rng = daylight(r.site, r.grid, None), np.random.default_rng(seed)
    diffuse = day.clear.ghi * day.on_steps(rng.uniform(0.25, 0.6, len(day.positions)))
    made = expectation(day, Irradiance(diffuse, np.zeros_like(diffuse), diffuse)).energy_wh
    r.energy_wh[:, day.positions] = made * (1 + 0.01 * rng.standard_normal(made.shape))
    assert site_causes(verify(r.site, r.readings())) == []


def nearly_level(r, *azimuths):
    """Lay the planes of a clear day nearly level, so that all face nearly alike whatever their azimuths."""
    planes = (
        replace(p, tilt_deg=9.0, azimuth_deg=float(a)) for p, a in zip(r.site.planes, azimuths, strict=True)
    )
    return in_air(replace(r, site=replace(r.site, planes=tuple(planes))), 3.0)


@pytest.mark.parametrize(("noted", "told"), [(240.0, ["plane_misdescribed"]), (180.0, [])])
def test_two_units_face_as_another_plane_only_where_its_orientation_explains_them(roof, noted, told):
    """Nearly level planes are within 20 degrees of one another, but their curves are not alike."""
    r = nearly_level(roof(units=4, planes=2), 120.0, 180.0)
    assert site_causes(verify(with_plane(r, "west", azimuth_deg=noted), r.readings())) == told


@pytest.mark.parametrize(("days", "told"), [(1, []), (7, ["plane_misdescribed"])])
def test_a_nearly_level_plane_that_is_hardly_turned_is_told_where_no_error_explains_so_much(roof, days, told):
    r = nearly_level(roof(planes=2, days=days), 120.0, 180.0)
    site = with_plane(r, "west", azimuth_deg=157.0)
    assert angles.apart_deg(r.site.planes[1], site.planes[1]) < LEAST_TURN_DEG
    assert site_causes(verify(site, r.readings())) == told


@pytest.mark.parametrize(
    ("off_deg", "worth", "told"),
    [
        (12.0, turn_bounds.FOR_NEAR_TURN, True),
        (12.0, turn_bounds.FOR_NEAR_TURN - 1, False),
        (5.0, 2 * turn_bounds.FOR_NEAR_TURN, False),
    ],
)
@pytest.mark.parametrize("planes", [1, 2])
def test_of_several_planes_a_turn_too_small_for_the_model_is_one_only_if_it_explains_much(
    roof, planes, off_deg, worth, told
):
    """What a compass errs by is none, however well the light tells it."""
    r = nearly_level(roof(planes=planes), 120.0, *[180.0] * (planes - 1))
    seen = window(r.site, r.readings(), scale=1.0)
    hardly = Turn(0, 9.0, 120.0 + off_deg, worth, 1)
    assert turn_bounds.differs(seen, hardly) is (told and planes == 2)


@pytest.mark.parametrize(
    ("planes", "days", "index", "azimuth_deg", "least"),
    [
        (1, 1, 0.97, 182.0, turn_bounds.FOR_NEAR_ON_ONE_DAY),
        (2, 1, 0.97, 182.0, turn_bounds.FOR_NEAR_ON_ONE_DAY),
        (1, 2, 0.97, 182.0, 0.0),
        (1, 1, 0.25, 350.0, turn_bounds.FOR_TURN_UNDER_A_COVER),
        (2, 1, 0.25, 350.0, turn_bounds.FOR_TURN_UNDER_A_COVER),
        (1, 1, 0.97, 350.0, 0.0),
        (1, 1, 0.25, 210.0, 0.0),
    ],
    ids=[
        "near",
        "near of two",
        "near on two days",
        "away",
        "of two in no sun",
        "away in the sun",
        "keeps its beam",
    ],
)
def test_a_veil_bends_a_curve_and_a_cover_turns_it_away(roof, planes, days, index, azimuth_deg, least):
    r = roof(planes=planes, days=days, index=index)
    seen = window(r.site, r.readings(), scale=1.0)
    less, enough = (Turn(0, 35.0, azimuth_deg, worth, 1) for worth in (least - 0.1, least + 0.1))
    assert turn_bounds._may_be_the_sky(seen, less) is (least > 0)
    assert not turn_bounds._may_be_the_sky(seen, enough)


@pytest.mark.parametrize("noted", [180.0, 240.0])
def test_two_units_that_another_plane_explains_turn_theirs_and_say_that_they_may_lie_there(roof, noted):
    r = nearly_level(roof(units=4, planes=2), 120.0, 130.0)
    result = verify(with_plane(r, "west", azimuth_deg=noted), r.readings())
    assert site_causes(result) == ["plane_misdescribed"]
    (found,) = [f for f in result.findings if f.cause == "plane_misdescribed"]
    assert (found.plane, found.details["also_explained_by"]) == ("west", "wrong_plane")


def test_one_unit_that_another_plane_explains_turns_not_its_plane(roof):
    r = nearly_level(roof(units=3, planes=2), 120.0, 130.0)
    alone = next(p.name for p in r.site.planes if sum(u.plane == p.name for u in r.site.units) == 1)
    assert site_causes(verify(with_plane(r, alone, azimuth_deg=240.0), r.readings())) == []


def dull_week(r, seed, spells, dim=(0.25, 0.6)):
    """Give the roof a week of closed covers, whose even light all planes have alike, and half hours of sun."""
    day, rng = daylight(r.site, r.grid, None), np.random.default_rng(seed)
    lit = np.zeros(len(day.positions))
    for first in rng.integers(0, len(lit), spells):
        lit[first : first + 6] = 1.0
    sun, cover = day.on_steps(lit), day.on_steps(rng.uniform(*dim, len(lit)))
    diffuse = np.where(sun > 0, day.clear.dhi, cover * day.clear.ghi)
    sky = Irradiance(np.where(sun > 0, day.clear.ghi, diffuse), sun * day.clear.dni, diffuse)
    made = expectation(day, sky).energy_wh
    r.energy_wh[:, day.positions] = made * (1 + 0.01 * rng.standard_normal(made.shape))
    return r


def test_a_steady_cover_is_no_level_that_speaks_against_a_turn(roof):
    """What the planes have alike is left aside where a level is asked for, as where a turn is looked for."""
    r = dull_week(roof(planes=2, days=7), seed=3, spells=8, dim=(0.5, 0.5))
    seen = window(with_plane(r, "south", azimuth_deg=215.0), r.readings(), scale=1.0)
    turn = best_turns(seen)[0]
    assert seen.fit(explained.by_turn(seen, turn)).gain[0] < turn_bounds.LEAST_LEVEL
    assert turn_bounds.is_possible(seen, turn)


@pytest.mark.parametrize(
    ("of_all", "of_uneven", "possible"), [(0.5, 1, True), (1, 0.5, True), (0.5, 0.5, False)]
)
def test_a_level_speaks_against_a_turn_only_if_no_light_fits_a_usual_one(
    roof, monkeypatch, of_all, of_uneven, possible
):
    r = dull_week(roof(planes=2, days=7), seed=3, spells=30)
    seen = window(with_plane(r, "south", azimuth_deg=200.0), r.readings(), scale=1.0)
    turn = best_turns(seen)[0]

    def fit(told, _light):
        return Fit(np.zeros(1), np.array([of_all if told is seen else of_uneven]), np.zeros(1))

    monkeypatch.setattr(Window, "fit", fit)
    assert turn_bounds.is_possible(seen, turn) is possible


@pytest.mark.parametrize("azimuth", [200.0, 140.0])
def test_an_azimuth_is_told_by_the_little_sun_of_a_dull_week(roof, azimuth):
    r = dull_week(roof(planes=2, days=7), seed=3, spells=30)
    site = with_plane(r, "south", azimuth_deg=azimuth)
    finding = the_finding(verify(site, r.readings()), "plane_misdescribed")
    assert finding.plane == "south"
    assert finding.details["azimuth_deg"] == pytest.approx(170, abs=FIVE_DEGREES)


@pytest.mark.parametrize("spells", [0, 12, 30])
def test_a_dull_week_by_the_right_record_turns_no_plane(roof, spells):
    r = dull_week(roof(planes=2, days=7), seed=3, spells=spells)
    assert site_causes(verify(r.site, r.readings())) == []


def unsteady_week(r, seed, spells):
    """Give the roof a dull week whose hours differ besides as those of real clouds do."""
    r = dull_week(r, seed, spells)
    r.energy_wh *= 1 + 0.15 * np.random.default_rng(seed).standard_normal(r.energy_wh.shape[1])
    return r


@pytest.mark.parametrize(("seed", "turn"), [(0, -60), (2, -60), (3, 60)])
def test_an_only_plane_that_would_keep_its_sun_far_from_its_record_needs_less(roof, seed, turn):
    r = unsteady_week(roof(days=7, interval_min=60), seed, spells=12)
    finding = the_finding(
        verify(with_plane(r, "south", azimuth_deg=170.0 + turn), r.readings()), "plane_misdescribed"
    )
    assert finding.details["azimuth_deg"] == pytest.approx(170, abs=FIVE_DEGREES)


@pytest.mark.parametrize("seed", [0, 2, 3])
@pytest.mark.parametrize("spells", [0, 2, 12])
def test_a_dull_week_turns_no_only_plane_that_lies_as_recorded(roof, seed, spells):
    r = unsteady_week(roof(days=7, interval_min=60), seed, spells)
    assert site_causes(verify(r.site, r.readings())) == []


@pytest.mark.parametrize(
    ("planes", "worth", "as_well"), [(2, 91.0, True), (2, 89.0, False), (1, 91.0, False)]
)
def test_of_several_planes_a_turn_does_about_as_well_as_an_impossible_one_that_explains_a_tenth_more(
    roof, planes, worth, as_well
):
    r = roof(planes=planes, index=1.0)
    site = with_plane(r, "south", azimuth_deg=210.0)
    seen = window(site, r.readings(), scale=1.0)
    turn = replace(best_turns(seen)[0], angles=1)
    better = replace(turn, gain=100.0)
    assert turn_bounds.explains_as_well(seen, replace(turn, gain=worth), better) is as_well


@pytest.mark.parametrize("planes", [1, 2])
def test_an_only_plane_of_a_clear_week_is_turned_by_more_than_the_model_errs_for_less(roof, planes):
    r = roof(planes=planes, days=7, index=1.0)
    name = r.site.planes[-1].name
    site = with_plane(r, name, azimuth_deg=r.site.planes[-1].azimuth_deg + 40.0)
    seen = window(site, r.readings(), scale=1.0)
    turn = best_turns(seen)[0]
    near = replace(turn, azimuth_deg=turn.azimuth_deg + 30.0)
    assert angles.apart_deg(seen.planes[turn.plane], near) < turn_bounds.FAR_TURN_DEG
    least = turn_bounds.FOR_FAR_TURN
    assert seen.sunshine(explained.by_turn(seen, turn)).clear_h >= explained.LEAST_SUN_H
    for one, gain, enough in ((turn, least, planes == 1), (turn, least - 1, False), (near, least, False)):
        for told in (seen, replace(seen, beam_sensed=True)):
            assert turn_bounds.turn_explains_enough(told, replace(one, gain=gain, angles=1)) is enough


def far_turn(site, r, gain):
    """Return the window and its best turn of the only plane, as if it explained so much."""
    seen = window(site, r.readings(), scale=1.0)
    return seen, replace(best_turns(seen)[0], gain=gain, angles=1)


@pytest.mark.parametrize(
    ("gain", "by_level", "enough"),
    [(12.0, 0.6, True), (11.0, 0.6, False), (12.0, 0.8, False), (17.0, 0.8, True)],
)
def test_a_turn_that_keeps_the_beam_needs_less_of_a_day_if_no_even_cover_explains_it(
    roof, monkeypatch, gain, by_level, enough
):
    r = passing_clouds(roof(), seed=4)
    seen, turn = far_turn(with_plane(r, "south", azimuth_deg=220.0), r, gain)
    monkeypatch.setattr(turn_bounds, "_explained_by_level", lambda *_: by_level)
    assert turn_bounds.turn_explains_enough(seen, turn) is enough


@pytest.mark.parametrize(("by_level", "enough"), [(0.6, True), (0.8, False)])
def test_a_far_turn_needs_no_sun_by_the_record_if_no_even_cover_explains_it(
    roof, monkeypatch, by_level, enough
):
    r = passing_clouds(roof(), seed=4)
    seen, turn = far_turn(with_plane(r, "south", azimuth_deg=220.0), r, turn_bounds.FOR_FAR_TURN)
    monkeypatch.setattr(turn_bounds, "SUN_BY_RECORD_H", 24.0)
    monkeypatch.setattr(turn_bounds, "_explained_by_level", lambda *_: by_level)
    assert turn_bounds.turn_explains_enough(seen, turn) is enough


def facing_north(r):
    """Give the roof a clear day on a plane that faces north of what its record says."""
    real = replace(r.site, planes=(replace(r.site.planes[0], tilt_deg=25.0, azimuth_deg=350.0),))
    day = daylight(real, r.grid, None)
    due = expectation(day, day.clear).energy_wh
    r.energy_wh[:, day.positions] = due * (1 + 0.01 * np.random.default_rng(3).standard_normal(due.shape))
    return with_plane(r, "south", tilt_deg=25.0), r


def test_a_plane_that_faces_away_from_the_sun_is_told_on_a_clear_day(roof):
    site, r = facing_north(roof(interval_min=15))
    assert the_finding(verify(site, r.readings()), "plane_misdescribed").details[
        "azimuth_deg"
    ] == pytest.approx(350, abs=FIVE_DEGREES)


@pytest.mark.parametrize(
    ("gain", "by_level", "enough"), [(40.0, 0.2, True), (40.0, 0.5, False), (45.0, 0.5, True)]
)
def test_a_turn_away_from_the_sun_needs_more_if_an_even_cover_explains_it(
    roof, monkeypatch, gain, by_level, enough
):
    seen, turn = far_turn(*facing_north(roof(interval_min=15)), gain)
    monkeypatch.setattr(turn_bounds, "_explained_by_level", lambda *_: by_level)
    assert turn_bounds.turn_explains_enough(seen, turn) is enough


@pytest.mark.parametrize(("turn", "told"), [(22.0, ["plane_misdescribed"]), (8.0, []), (0.0, [])])
def test_an_only_plane_between_clouds_is_told_by_a_turn_larger_than_the_model_s_errors(roof, turn, told):
    r = passing_clouds(roof(days=7), seed=4)
    r.energy_wh *= 1 + 0.2 * np.random.default_rng(5).standard_normal(r.energy_wh.shape[1])
    site = with_plane(r, "south", azimuth_deg=170.0 + turn)
    assert site_causes(verify(site, r.readings())) == told


def broken_day(r, seed=0):
    """Give the roof a day of passing clouds that differ besides as real ones do."""
    r = passing_clouds(r, seed)
    r.energy_wh *= 1 + 0.2 * np.random.default_rng(seed).standard_normal(r.energy_wh.shape[1])
    return r


@pytest.mark.parametrize(
    ("turn", "late", "told"),
    [(25.0, 0, ["plane_misdescribed"]), (0.0, 10, []), (0.0, -10, [])],
)
def test_between_clouds_an_only_plane_is_told_by_what_no_clock_within_the_model_s_errors_explains(
    roof, turn, late, told
):
    r = broken_day(roof(interval_min=15))
    site = with_plane(r, "south", azimuth_deg=170.0 + turn)
    assert site_causes(verify(site, labelled_late(r, late))) == told


@pytest.mark.parametrize(
    ("beyond", "least_share", "lit_days", "enough"),
    [(11.0, 0.25, 1, True), (10.9, 0.25, 1, False), (11.0, 0.3, 1, False), (11.0, 0.25, 2, False)],
)
def test_what_a_turn_explains_beyond_small_errors_is_enough_on_a_day_that_saw_sun_by_the_record(
    roof, monkeypatch, beyond, least_share, lit_days, enough
):
    r = broken_day(roof(interval_min=15))
    seen, turn = far_turn(with_plane(r, "south", azimuth_deg=195.0), r, gain=11.5)
    monkeypatch.setattr(turn_bounds, "_beyond_small_errors", lambda *_: beyond)
    monkeypatch.setattr(
        turn_bounds,
        "FOR_ONLY_PLANE",
        ((least_share, *turn_bounds.FOR_ONLY_PLANE[0][1:]), *turn_bounds.FOR_ONLY_PLANE[1:]),
    )
    monkeypatch.setattr(Window, "lit_days", lit_days)
    assert turn_bounds.turn_explains_enough(seen, turn) is enough


def behind_a_hill(r):
    """Return the roof with a hill before its south plane from east to south-east."""
    hill = ((0.0, 0.0), (89.0, 0.0), (90.0, 40.0), (150.0, 40.0), (151.0, 0.0), (359.0, 0.0))
    return replace(r, site=with_plane(r, "south", horizon=hill))


def test_a_hill_before_one_plane_of_a_dull_week_is_no_other_azimuth(roof):
    r = dull_week(roof(planes=2, days=7), seed=3, spells=30)
    behind = dull_week(behind_a_hill(roof(planes=2, days=7)), seed=3, spells=30)
    assert site_causes(verify(r.site, behind.readings())) == []


@pytest.mark.parametrize("planes", [1, 2])
def test_only_light_that_differs_between_planes_tells_which_way_they_face(roof, planes):
    r = dull_week(roof(planes=planes, days=2), seed=3, spells=8)
    seen = window(r.site, r.readings(), scale=1.0)
    assert seen is not None
    clear = (seen.by_record[0] + seen.by_record[1])[0]
    sunny = seen.intervals[(seen.seen.light > 0.9 * clear).all(axis=0) & (clear.max(axis=0) > 200)]
    assert len(sunny) > 20
    assert np.isin(sunny, seen.uneven.intervals).all()
    assert (len(seen.uneven.intervals) < 0.6 * len(seen.intervals)) is (planes == 2)
    assert seen.uneven.seen.each == seen.seen.each


@pytest.mark.parametrize(("days", "lit"), [(1, 1), (2, 2)])
def test_a_day_counts_by_its_light_and_not_by_what_another_clock_would_bring_into_it(roof, days, lit):
    r = roof(index=1.0, days=days, start=datetime(2026, 6, 19, 23, tzinfo=UTC))
    seen = window(r.site, r.readings(), scale=1.0)
    assert seen is not None
    assert (len(seen.day_names), seen.lit_days) == (days + 1, lit)


def test_half_an_hour_says_nothing(roof):
    r = roof(planes=2, index=1.0)
    noon = r.interval(12)
    start = r.grid.start + timedelta(hours=13)
    assert site_causes(verify(r.site, Readings(start, 5, r.energy_wh[:, noon : noon + 6]))) == []


def flat_topped(r, bend):
    """Give the roof an output that falls ever more behind the light, as SERF East's does by 0.3 from dusk to noon."""
    r.energy_wh *= np.exp(-bend * (r.energy_wh / r.energy_wh.max() - 0.7))
    return r


@pytest.mark.parametrize("bend", [0.15, 0.35])
@pytest.mark.parametrize("planes", [1, 2])
def test_a_flat_top_is_no_clock_and_no_plane(roof, planes, bend):
    r = flat_topped(roof(planes=planes, index=1.0), bend)
    assert site_causes(verify(r.site, r.readings())) == []


def test_a_clock_shows_on_a_flat_top(roof):
    r = flat_topped(roof(planes=2, index=1.0), 0.3)
    finding = the_finding(verify(r.site, labelled_late(r, 60)), "clock_shift")
    assert finding.details["minutes"] == pytest.approx(60, abs=FIVE_MINUTES)


@pytest.mark.parametrize("level", [0.75, 0.9])
def test_a_level_is_no_tilt(roof, level):
    r = roof(index=1.0)
    r.energy_wh *= level
    assert site_causes(verify(r.site, r.readings())) == []


@pytest.mark.parametrize("level", [0.55, 0.74, 0.85])
@pytest.mark.parametrize("days", [1, 7])
def test_the_level_of_a_plane_is_no_turn_of_it(roof, days, level):
    r = passing_clouds(roof(units=4, planes=2, days=days, interval_min=15), seed=5)
    west = [i for i, u in enumerate(r.site.units) if u.plane == "west"]
    r.energy_wh[west] *= level
    assert site_causes(verify(r.site, r.readings())) == []


@pytest.mark.parametrize("lean", [0.0, -16.0])
def test_air_that_is_clearer_than_usual_turns_no_plane(roof, lean):
    """It changes the light of a low sun as a tilt does; a plane that leans otherwise is told all the same."""
    r = roof(planes=2, interval_min=15, start=datetime(2026, 8, 19, tzinfo=UTC))
    planes = (Plane("south", 30, 318), Plane("west", 7, 226))
    r.site = replace(r.site, planes=planes, latitude=30.0)
    site = with_plane(in_air(r, 2.0), "south", tilt_deg=30 + lean)
    assert site_causes(verify(site, r.readings())) == (["plane_misdescribed"] if lean else [])


def in_drifting_air(r, morning, evening):
    """Give the roof clear days whose turbidity goes from one value to another with the sun's way from east to west."""
    day = daylight(r.site, r.grid, None)
    in_west = np.sin(np.radians(day.sun.azimuth_deg - 180))
    turbidity = np.interp(in_west, [-1.0, 1.0], [morning, evening])
    due = expectation(day, clear_sky_at(day.sun, turbidity, site=r.site)).energy_wh
    r.energy_wh[:, day.positions] = due * (1 + 0.01 * np.random.default_rng(3).standard_normal(due.shape))
    return r


@pytest.mark.parametrize(
    ("azimuths", "morning", "evening"),
    [((160, 100), 2.5, 5.5), ((250, 200), 6.0, 3.0), ((130, 70), 2.5, 5.5)],
)
@pytest.mark.parametrize("minutes", [0, 30])
def test_haze_that_lifts_or_comes_over_the_day_is_no_clock_of_planes_that_face_alike(
    roof, azimuths, morning, evening, minutes
):
    """All have too much light then at one end of the day; a clock is told all the same."""
    r = roof(planes=2, interval_min=15, start=datetime(2026, 9, 4, tzinfo=UTC))
    planes = tuple(
        replace(p, tilt_deg=30, azimuth_deg=a) for p, a in zip(r.site.planes, azimuths, strict=True)
    )
    r.site = replace(r.site, planes=planes)
    result = verify(r.site, labelled_late(in_drifting_air(r, morning, evening), minutes))
    assert site_causes(result) == (["clock_shift"] if minutes else [])


@pytest.mark.parametrize(("left", "told"), [(0.0, []), (100.0, ["clock_shift"])])
def test_a_clock_that_haze_may_be_is_no_other_plane(roof, monkeypatch, left, told):
    monkeypatch.setattr(clock_bounds, "whatever_drift", lambda *_: left)
    monkeypatch.setattr(alignment, "believed_plane", lambda *_: True)
    r = roof(planes=2, interval_min=15)
    assert site_causes(verify(r.site, labelled_late(r, 30))) == told


@pytest.mark.parametrize(
    ("planes", "late", "turned", "told"),
    [(1, 30, True, ["clock_shift"]), (1, 30, False, []), (1, 6, True, []), (2, 30, True, [])],
)
def test_where_an_only_plane_is_surely_turned_or_its_labels_late_the_likelier_clock_is_said(
    roof, monkeypatch, planes, late, turned, told
):
    monkeypatch.setattr(alignment, "believed_clock", lambda *_: False)
    monkeypatch.setattr(alignment, "believed_plane", lambda *_: turned)
    monkeypatch.setattr(alignment, "explains_as_well", lambda *_: True)
    monkeypatch.setattr(alignment, "by_small_error", lambda *_: False)
    monkeypatch.setattr(alignment, "is_likelier_clock", lambda *_: True)
    monkeypatch.setattr(alignment, "_as_is_likelier", lambda sent, _: sent)
    r = roof(planes=planes, interval_min=15)
    result = verify(r.site, labelled_late(r, late))
    assert site_causes(result) == told
    if told:
        assert the_finding(result, "clock_shift").details["also_explained_by"] == "plane_misdescribed"


def test_a_turn_looked_for_in_some_intervals_is_held_against_a_level_by_all(roof, monkeypatch):
    r = passing_clouds(roof(planes=2), seed=4)
    seen = window(with_plane(r, "south", azimuth_deg=210.0), r.readings(), scale=1.0)
    monkeypatch.setattr(search, "FINE_INTERVALS", len(seen.intervals) // 3)
    turn = best_turns(seen)[0]
    by_all = explained.gain_over_record(seen.uneven, explained.by_turn(seen.uneven, turn))
    assert abs(by_all - turn.gain) > 1.0
    held = []
    monkeypatch.setattr(turn_bounds, "_by_level", lambda _, turn: held.append(turn.gain) is not None)
    monkeypatch.setattr(turn_bounds, "turn_explains_enough", lambda *_: True)
    turn_bounds.believed_plane(seen, turn)
    assert held == [pytest.approx(by_all)]


@pytest.mark.parametrize("days", [1, 3])
def test_a_lone_unit_that_lost_a_substring_turns_not_its_plane(roof, days):
    r = passing_clouds(roof(units=8, planes=2, days=days, interval_min=15), seed=3)
    units = tuple(replace(u, plane="west" if i == 0 else "south") for i, u in enumerate(r.site.units))
    west, south = 0.66 * r.energy_wh[1], r.energy_wh[0]
    r.energy_wh[:] = south * (1 + 0.01 * np.random.default_rng(1).standard_normal(r.energy_wh.shape))
    r.energy_wh[0] = west
    result = verify(replace(r.site, units=units), r.readings())
    assert site_causes(result) == []
    assert units_accused(result) == {"700000": ("substring_out",)}


@pytest.mark.parametrize("planes", [1, 2])
def test_a_hill_in_the_morning_is_no_clock_and_no_plane(roof, planes):
    r = roof(planes=planes, index=1.0)
    r.energy_wh[:, : r.interval(8.5)] *= 0.25
    assert site_causes(verify(r.site, r.readings())) == []


def test_a_plane_in_shade_for_part_of_the_day_is_no_other_plane(roof):
    r = roof(planes=2, index=1.0)
    r.energy_wh[1::2, r.interval(15) :] *= 0.25
    assert site_causes(verify(r.site, r.readings())) == []


def test_an_export_limit_and_small_inverters_are_no_clock_and_no_plane(roof):
    r = roof(planes=2, index=1.0)
    total = r.energy_wh.sum(axis=0)
    r.energy_wh *= np.minimum(1.0, 0.6 * total.max() / np.maximum(total, 1e-9))
    assert site_causes(verify(r.site, r.readings())) == []
    small = roof(planes=2, index=1.0, ac_rated_w=220.0)
    assert site_causes(verify(small.site, small.readings())) == []


def test_one_of_two_units_exchanged_is_no_misdescribed_plane(roof):
    r = roof(units=4, planes=2, index=1.0)
    r.energy_wh[[0, 1]] = r.energy_wh[[1, 0]]
    assert site_causes(verify(r.site, r.readings())) == []


def on_a_dormer(r):
    """Return the roof with its fifth unit facing east, as no plane of the record does."""
    east = replace(r.site.planes[0], azimuth_deg=80.0)
    day = daylight(
        replace(r.site, planes=(east, *r.site.planes[1:])), Grid(r.grid.start, 5, r.grid.count), None
    )
    r.energy_wh[4] = 0.0
    r.energy_wh[4, day.positions] = expectation(day, day.clear).energy_wh[4]
    return r


def test_a_unit_on_a_dormer_that_no_plane_describes(roof):
    r = on_a_dormer(roof(index=1.0))
    result = verify(r.site, r.readings())
    finding = the_finding(result, "wrong_plane")
    assert units_accused(result) == {"700004": ("wrong_plane",)}
    assert finding.details["azimuth_deg"] == pytest.approx(80, abs=10)


def test_a_unit_on_a_dormer_is_told_from_the_only_one_like_it_that_lives(roof):
    r = on_a_dormer(roof(units=16, planes=2, index=1.0))
    dead = [0, 2, 6, 8, 10, 12]
    r.energy_wh[dead] = 0.0
    result = verify(r.site, r.readings())
    without_output = {r.site.units[i].serial: ("no_output",) for i in dead}
    assert units_accused(result) == without_output | {"700004": ("wrong_plane",)}


def test_a_unit_in_shade_all_morning_is_on_no_other_plane(roof):
    r = roof(index=1.0)
    r.energy_wh[4, : r.interval(12)] *= 0.2
    assert [f.cause for f in verify(r.site, r.readings()).findings] == ["shaded"]


@pytest.mark.parametrize(("by_azimuth", "by_both"), [(20.0, 22.0), (250.0, 265.0)])
def test_a_second_angle_must_bring_more_the_more_the_light_tells(by_azimuth, by_both):
    turned = Turn(0, tilt_deg=40.0, azimuth_deg=238.0, gain=by_azimuth, angles=1)
    leant_too = Turn(0, tilt_deg=53.0, azimuth_deg=228.0, gain=by_both, angles=2)
    assert turned.worth > leant_too.worth


def test_a_second_angle_is_told_where_it_explains_much():
    turned = Turn(0, tilt_deg=20.0, azimuth_deg=161.0, gain=47.0, angles=1)
    leant_too = Turn(0, tilt_deg=44.0, azimuth_deg=131.0, gain=81.0, angles=2)
    assert leant_too.worth > turned.worth


def under_slow_covers(r, seed, brightness):
    """Give the roof days without sun whose light changes within the hour and is so bright over a clear sky's own."""
    day, rng = daylight(r.site, r.grid, None), np.random.default_rng(seed)
    slow = gaussian_filter1d(rng.standard_normal(len(day.clear.dhi)), 8, mode="wrap")
    diffuse = day.clear.dhi * brightness * np.exp(0.35 * slow / slow.std())
    made = expectation(day, Irradiance(diffuse, np.zeros_like(diffuse), diffuse)).energy_wh
    r.energy_wh[:, day.positions] = made * (1 + NOISE * rng.standard_normal(made.shape))
    return r


@pytest.mark.parametrize(
    ("faces", "seed"), [(((11.0, 144.0), (39.0, 321.0)), 3), (((9.0, 171.0), (10.0, 343.0)), 1)]
)
def test_a_plane_with_its_back_to_a_winter_s_sun_is_not_turned_to_face_it_by_covers(roof, faces, seed):
    """They give it the light of the other plane, as one that faces that way has."""
    r = roof(units=12, planes=2, days=7, start=datetime(2026, 11, 28, tzinfo=UTC))
    planes = tuple(
        replace(plane, tilt_deg=tilt, azimuth_deg=azimuth)
        for plane, (tilt, azimuth) in zip(r.site.planes, faces, strict=True)
    )
    r = replace(r, site=replace(r.site, latitude=59.0, planes=planes))
    found = verify(r.site, under_slow_covers(r, seed, brightness=2.0).readings()).findings
    assert "plane_misdescribed" not in {f.cause for f in found}
