"""What a window does not allow to judge: named with what is missing, and left out as soon as it can be judged."""

import json
import warnings
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from service.expect.weather import Weather
from service.verify.case import expectation
from service.verify.causes.voltage_trip import STRONG
from service.verify.day import daylight
from service.verify.inputs import Readings
from service.verify.result import Unseen
from service.verify.run import build_case, verify
from service.verify.unseen import SENTENCES, SHADE_DAYS, _up
from tests.verify.test_measured_sky import sensor

JUDGED_IN_HALF_AN_HOUR = {"not_reporting", "no_output", "substring_out", "branch_out"}
NOT_IN_HALF_AN_HOUR = {
    "low_output",
    "intermittent",
    "voltage_trip",
    "shaded",
    "clock_shift",
    "plane_misdescribed",
    "wrong_plane",
    "swapped",
    "curtailed",
    "site_low",
}


def with_branches(roof):
    units = tuple(replace(u, branch="AB"[i % 2]) for i, u in enumerate(roof.site.units))
    return replace(roof, site=replace(roof.site, units=units))


def window(roof, hour, minutes):
    """Return the readings of some minutes from a UTC hour on."""
    first = roof.interval(hour)
    start = roof.grid.start + timedelta(hours=hour)
    part = roof.energy_wh[:, first : first + minutes // roof.grid.interval_min]
    return Readings(start, roof.grid.interval_min, part)


def by_cause(result):
    """Return the entries by cause; each cause stands once for one reason in these tests."""
    found = {u.cause: u for u in result.not_yet}
    assert len(found) == len(result.not_yet)
    return found


def test_half_an_hour_of_noon_sun_judges_what_is_dead_and_nothing_that_takes_time(roof):
    r = with_branches(roof(planes=2, index=0.97))
    entries = by_cause(verify(r.site, window(r, 12, 30)))
    assert set(entries) == NOT_IN_HALF_AN_HOUR
    assert not set(entries) & JUDGED_IN_HALF_AN_HOUR
    assert entries["clock_shift"].missing == "Needs about 2.5 more hours of direct sun."
    assert entries["clock_shift"].needs == {"hours": 2.5}
    assert entries["shaded"].needs["days"] == SHADE_DAYS
    assert entries["voltage_trip"].needs == {"minutes": 30, "ratings_pct": 100 * STRONG}


@pytest.mark.parametrize("cause", ["no_output", "substring_out", "branch_out"])
def test_what_half_an_hour_judges_is_found_in_it(roof, cause):
    r = with_branches(roof(planes=1, index=0.97))
    spoilt = {"no_output": [3], "substring_out": [3], "branch_out": list(range(0, 12, 2))}[cause]
    r.energy_wh[spoilt] *= 0.66 if cause == "substring_out" else 0.0
    assert cause in {f.cause for f in verify(r.site, window(r, 12, 30)).findings}


def test_a_week_of_sun_on_two_planes_leaves_nothing(roof):
    r = with_branches(roof(planes=2, days=7, index=0.97))
    assert verify(r.site, r.readings()).not_yet == ()


def test_a_sunny_day_leaves_the_shadow_over_a_whole_plane(roof):
    r = with_branches(roof(planes=2, index=0.97))
    (entry,) = verify(r.site, r.readings()).not_yet
    assert (entry.cause, entry.planes, entry.serials, entry.needs) == (
        "shaded",
        (),
        (),
        {"days": SHADE_DAYS - 1},
    )
    assert entry.missing.startswith(f"Needs {SHADE_DAYS - 1} more days with sun")


def test_a_morning_leaves_the_sun_of_the_afternoon(roof):
    r = with_branches(roof(planes=1, index=0.97))
    shaded = by_cause(verify(r.site, window(r, 5, 7 * 60)))["shaded"]
    assert 4 <= shaded.needs["hours"] <= 8  # from noon to the sun behind a plane turned to 170 degrees


def test_overcast_leaves_what_needs_the_sun(roof):
    r = with_branches(roof(planes=2, index=0.25))
    entries = by_cause(verify(r.site, r.readings()))
    in_light = {"no_output", "branch_out", "substring_out", "low_output", "intermittent", "unit_scale"}
    assert set(entries) == NOT_IN_HALF_AN_HOUR - in_light
    assert entries["plane_misdescribed"].needs == {"hours": 3}


@pytest.mark.parametrize("interval_min", [5, 15, 30, 60])
def test_long_intervals_hide_what_lasts_minutes(roof, interval_min):
    r = with_branches(roof(planes=2, interval_min=interval_min, index=0.97))
    entries = by_cause(verify(r.site, r.readings()))
    hidden = {c for c, e in entries.items() if e.needs.get("interval_min") == 5}
    assert hidden == ({"intermittent", "voltage_trip"} if interval_min >= 30 else set())


def test_one_plane_cannot_tell_clock_from_azimuth_nor_places_apart(roof):
    r = with_branches(roof(planes=1, days=7, index=0.97))
    entries = by_cause(verify(r.site, r.readings()))
    assert set(entries) == {"clock_shift", "plane_misdescribed", "wrong_plane", "swapped"}
    assert all("second plane" in e.missing and not e.waiting_helps for e in entries.values())


def test_a_record_without_branches_says_so(roof):
    r = roof(planes=2, days=7, index=0.97)
    entries = by_cause(verify(r.site, r.readings()))
    assert set(entries) == {"branch_out", "voltage_trip"}
    assert {e.missing for e in entries.values()} == {"Needs the branch circuits on the record."}


def test_two_units_a_plane_show_large_losses_only_and_by_how_much(roof):
    r = with_branches(roof(planes=2, units=4, index=0.97))
    result = verify(r.site, r.readings())
    low = by_cause(result)["low_output"]
    worst = max(u.smallest_visible_loss_pct for u in result.units)
    assert low.needs["like_units"] == 3
    assert worst <= low.needs["visible_loss_pct"] < worst + 1
    assert low.planes == low.serials == ()


def test_a_lone_unit_beside_others_is_named_with_its_plane(roof):
    r = with_branches(roof(planes=2, days=7, index=0.97))
    rows = [0, 2, 4, 6, 8, 10, 11]
    r = replace(
        r, site=replace(r.site, units=tuple(r.site.units[i] for i in rows)), energy_wh=r.energy_wh[rows]
    )
    low = by_cause(verify(r.site, r.readings()))["low_output"]
    assert low.planes == ("west",)
    assert low.serials == ()


def test_one_plane_in_the_morning_shade_of_its_ridge_lacks_more_than_the_other(roof):
    r = with_branches(roof(planes=2, index=0.97))
    steep = replace(r.site.planes[1], tilt_deg=70.0, azimuth_deg=280.0)
    r = replace(r, site=replace(r.site, planes=(r.site.planes[0], steep)))
    day = daylight(r.site, r.grid, None)
    r.energy_wh[:, day.positions] = expectation(day, day.clear).energy_wh
    result = verify(r.site, window(r, 7, 5 * 60))
    assert by_cause(result)["plane_misdescribed"].planes == ("west",)
    assert "clock_shift" not in by_cause(result)


def test_a_lone_unit_under_unknown_clouds_needs_a_second_or_a_sensor(roof):
    r = with_branches(roof(units=1, index=0.9))
    entries = by_cause(verify(r.site, r.readings()))
    assert set(entries) == NOT_IN_HALF_AN_HOUR | {"substring_out"}
    assert len({e.missing for e in entries.values()}) == 1


def test_measured_irradiance_lets_a_lone_unit_be_judged(roof):
    r = with_branches(roof(units=1, index=0.97))
    day = build_case(r.site, r.readings()).day
    ghi = np.zeros(r.grid.count)
    ghi[day.positions] = 0.97 * day.clear.ghi * day.sun.up_share
    entries = by_cause(verify(r.site, r.readings(), Weather(r.grid.start, 5, ghi_w_m2=ghi)))
    assert "substring_out" not in entries
    assert entries["low_output"].needs["like_units"] == 3
    assert entries["shaded"].needs == {"days": SHADE_DAYS - 1}


def test_a_night_needs_light_before_anything(roof):
    r = with_branches(roof(planes=2))
    entries = by_cause(verify(r.site, window(r, 0, 60)))
    assert NOT_IN_HALF_AN_HOUR | {"no_output", "branch_out", "substring_out", "unit_scale"} == set(entries)
    assert entries["no_output"].needs == {"minutes": 10}
    assert all(e.waiting_helps for e in entries.values())


def test_weak_light_says_how_many_more_minutes_make_a_dead_unit_sure(roof):
    """The promise is kept: with that much more of the same light the entry is gone and a dead unit is named."""
    r = with_branches(roof(planes=1, index=0.1))
    r.energy_wh[3] = 0.0
    short = verify(r.site, window(r, 8, 10))
    more = by_cause(short)["no_output"].needs["minutes"]
    assert not [f for f in short.findings if f.cause == "no_output"]
    later = verify(r.site, window(r, 8, 10 + int(more)))
    assert "no_output" not in by_cause(later)
    assert [f.serials for f in later.findings if f.cause == "no_output"] == [("700003",)]


def test_what_was_found_for_the_site_is_judged(roof):
    r = with_branches(roof(planes=2, index=0.97))
    total = r.energy_wh.sum(axis=0)
    r.energy_wh *= np.minimum(1.0, 0.45 * total.max() / np.maximum(total, 1e-9))
    result = verify(r.site, r.readings())
    assert "curtailed" in {f.cause for f in result.findings}
    assert "curtailed" not in by_cause(result)


def test_light_that_a_sensor_saw_counts_though_what_was_made_of_it_was_held(roof):
    r = with_branches(roof(planes=2, index=0.97))
    r.energy_wh = np.minimum(r.energy_wh, 0.04 * 350 / 12)
    weather = sensor(r, 0.97)
    assert "curtailed" in by_cause(verify(r.site, r.readings()))
    assert "curtailed" not in by_cause(verify(r.site, r.readings(), weather))


def test_a_site_that_is_not_heard_has_its_finding_and_no_list(roof):
    r = roof()
    r.energy_wh[:] = np.nan
    result = verify(r.site, r.readings())
    assert {f.cause for f in result.findings} == {"not_reporting"}
    assert result.not_yet == ()


def test_a_plane_turned_from_the_winter_sun_says_that_it_gets_none(roof):
    r = with_branches(roof(planes=1, index=0.97))
    north = replace(r.site.planes[0], tilt_deg=60.0, azimuth_deg=0.0)
    site = replace(r.site, planes=(north,))
    start = r.grid.start.replace(month=12, day=20)
    shaded = by_cause(verify(site, Readings(start, 5, r.energy_wh * 0.1)))["shaded"]
    assert shaded.missing == "Needs direct sun, which does not reach the plane on these days."


@pytest.mark.parametrize("units", [1, 2, 7])
@pytest.mark.parametrize("count", [1, 3, 50, 288])
def test_every_entry_is_a_sentence_with_its_numbers_and_valid_json(roof, units, count):
    r = roof(units=units, planes=min(units, 2))
    first = min(r.interval(11), r.grid.count - count)
    readings = Readings(r.grid.start + timedelta(minutes=5 * first), 5, r.energy_wh[:, first : first + count])
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        result = verify(r.site, readings)
    for entry in json.loads(json.dumps(result.as_contract("any"), allow_nan=False))["not_yet"]:
        assert set(entry) == {"cause", "plane", "planes", "serials", "missing", "needs"}
        assert entry["missing"].startswith("Needs ")
        assert entry["missing"].endswith(".")
        assert all(value > 0 for value in entry["needs"].values())


@pytest.mark.parametrize(("planes", "plane"), [((), None), (("west",), "west"), (("south", "west"), None)])
def test_the_contract_names_a_single_plane_as_a_finding_does(roof, planes, plane):
    r = roof()
    entry = Unseen("shaded", "Needs sun.", planes=planes)
    form = replace(verify(r.site, window(r, 12, 30)), not_yet=(entry,)).as_contract("any")
    assert form["not_yet"][0]["plane"] == plane
    assert form["not_yet"][0]["planes"] == list(planes)


@pytest.mark.parametrize(
    ("value", "step", "up"), [(0.1, 0.5, 0.5), (1.0, 0.5, 1.0), (1.01, 0.5, 1.5), (0, 5, 5)]
)
def test_needs_are_rounded_up(value, step, up):
    assert _up(value, step) == up


def test_one_of_a_thing_is_singular():
    assert SENTENCES["hours"]({"hours": 1.0}) == "Needs about 1 more hour of light."
    assert SENTENCES["light"]({"minutes": 90.0}) == "Needs about 1.5 more hours of light."
    assert "1 more day with sun" in SENTENCES["days"]({"days": 1.0})
