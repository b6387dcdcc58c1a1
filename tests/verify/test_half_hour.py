"""Half an hour on a counter of whole Wh, as a check after switching on reads it: dead or a third short is named.

The counter is that of the facts: it counts on at any output and shows whole steps, so that a reading is off by less
than a step however long it is.
"""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from service.expect.inverter import ac_power, dc_power_from_ac
from service.verify.causes.substring_out import match_level
from service.verify.inputs import Readings
from service.verify.levels import resolution_wh
from service.verify.run import build_case, verify
from service.verify.silence import SURE_STEPS, silences, with_flanks

OVERCAST, DARK, CLEAR = 0.25, 0.12, 1.0
MINUTES = 30


def counted(roof, hour, *, step=1.0, seed=0):
    """Return half an hour's readings from a UTC hour on, of a counter that began at any state."""
    first = roof.interval(hour)
    part = roof.energy_wh[:, first : first + MINUTES // roof.grid.interval_min]
    begun = np.random.default_rng(seed).uniform(0, step, (len(part), 1))
    states = np.floor((begun + np.cumsum(part, axis=1)) / step) * step
    sent = np.diff(states, axis=1, prepend=0.0)
    return Readings(roof.grid.start + timedelta(hours=hour), roof.grid.interval_min, sent)


def with_branches(roof, first):
    """Return the roof with its first units on branch A, the others on B."""
    units = tuple(replace(u, branch="A" if i < first else "B") for i, u in enumerate(roof.site.units))
    return replace(roof, site=replace(roof.site, units=units))


def weakened(roof, unit, share):
    """Take a share of a unit's DC power."""
    hours, inverter = roof.grid.interval_min / 60, roof.site.inverter_types[0]
    dc_w = dc_power_from_ac(roof.energy_wh[unit] / hours, inverter=inverter)
    roof.energy_wh[unit] = ac_power(share * dc_w, inverter=inverter) * hours


def said(result):
    return {u.serial: u.causes for u in result.units if u.causes}


@pytest.mark.parametrize("interval_min", [5, 15])
@pytest.mark.parametrize("index", [DARK, OVERCAST, CLEAR])
@pytest.mark.parametrize("hour", [7, 12])
def test_a_healthy_roof_is_blameless(roof, index, interval_min, hour):
    r = with_branches(roof(planes=2, index=index, interval_min=interval_min), 6)
    for seed in range(4):
        assert verify(r.site, counted(r, hour, seed=seed)).findings == ()


@pytest.mark.parametrize("interval_min", [5, 15])
@pytest.mark.parametrize("index", [OVERCAST, CLEAR])
@pytest.mark.parametrize(("share", "lost"), [(0.66, 1), (0.32, 2)])
def test_a_dead_substring_is_named(roof, index, interval_min, share, lost):
    r = roof(index=index, interval_min=interval_min)
    weakened(r, 3, share)
    result = verify(r.site, counted(r, 12))
    assert said(result) == {"700003": ("substring_out",)}
    assert f"{lost} of 3 substrings" in result.findings[0].evidence


def test_a_steady_loss_between_the_levels_is_no_substring(roof):
    r = roof(index=CLEAR)
    weakened(r, 3, 0.8)
    assert said(verify(r.site, counted(r, 12))) == {"700003": ("low_output",)}


@pytest.mark.parametrize("interval_min", [5, 15])
@pytest.mark.parametrize("index", [OVERCAST, CLEAR])
def test_a_dead_unit_is_named(roof, index, interval_min):
    r = roof(index=index, interval_min=interval_min)
    r.energy_wh[3] = 0.0
    assert said(verify(r.site, counted(r, 12))) == {"700003": ("no_output",)}


@pytest.mark.parametrize("off", [8, 11])
@pytest.mark.parametrize("index", [OVERCAST, CLEAR])
def test_a_branch_with_most_of_the_units_is_named_though_it_stops_in_the_middle(roof, index, off):
    """The interval in which it stops is part light, part nothing: its units are many, but tell no cloud."""
    r = with_branches(roof(index=index), off)
    at = r.interval(12) + 3
    r.energy_wh[:off, at] *= 0.4
    r.energy_wh[:off, at + 1 :] = 0.0
    readings = counted(r, 12)
    readings.energy_wh[0, 4] = np.nan
    result = verify(r.site, readings)
    assert said(result) == {f"70{i:04d}": ("branch_out",) for i in range(off)}


@pytest.mark.parametrize("index", [OVERCAST, CLEAR])
def test_a_branch_that_falls_silent_in_the_middle_is_named(roof, index):
    r = with_branches(roof(index=index), 5)
    r.energy_wh[:5, r.interval(12) + 3 :] = np.nan
    assert said(verify(r.site, counted(r, 12))) == {f"70{i:04d}": ("branch_out",) for i in range(5)}


@pytest.mark.parametrize("before", [1.0, 0.05])
def test_a_site_of_one_branch_that_stops_at_once_in_full_light_is_off(roof, before):
    """From a third of the rating to nothing within five minutes; from a hundredth it may be a dark cloud."""
    r = with_branches(roof(index=CLEAR), 12)
    r.energy_wh[:, : r.interval(12) + 3] *= before
    r.energy_wh[:, r.interval(12) + 3 :] = 0.0
    part = slice(r.interval(12), r.interval(12) + 6)
    sent = Readings(r.grid.start + timedelta(hours=12), 5, r.energy_wh[:, part])
    off = {f"70{i:04d}": ("branch_out",) for i in range(12)}
    assert said(verify(r.site, sent)) == (off if before == 1.0 else {})


@pytest.mark.parametrize(
    ("hour", "last", "named"),
    [(13, (0.1,), True), (13, (0.5, 0.25, 0.12, 0.06, 0.03), False), (18.5, (0.1,), False)],
    ids=["at once", "by degrees", "in the evening"],
)
def test_a_site_that_stops_at_once_under_a_cover_with_hours_of_day_left_is_off(roof, hour, last, named):
    """From a seventh of the rating; a storm or snow takes it by degrees, and a hill at the day's end."""
    r = with_branches(roof(units=4, index=0.2), 4)
    r.energy_wh[:, r.interval(hour) :] = 0.0
    r.energy_wh[:, r.interval(hour) - len(last) : r.interval(hour)] *= last
    assert said(verify(r.site, r.readings())) == (
        {f"70{i:04d}": ("branch_out",) for i in range(4)} if named else {}
    )


@pytest.mark.parametrize(("hour", "off"), [(17.5, True), (18.5, False)], ids=["hours left", "at dusk"])
def test_a_west_roof_that_stops_at_once_is_off_but_for_a_cloud_at_dusk_that_leaves_less_than_a_step(
    roof, hour, off
):
    both = roof(units=8, planes=2, index=CLEAR)
    west = replace(both.site, units=both.site.units[1::2], planes=both.site.planes[1:])
    r = with_branches(replace(both, site=west, energy_wh=both.energy_wh[1::2]), 4)
    r.energy_wh[:, r.interval(hour) - 1] *= 0.5
    r.energy_wh[:, r.interval(hour) :] = 0.0
    sent = replace(r.readings(), energy_wh=np.floor(r.energy_wh))
    assert said(verify(r.site, sent)) == ({u.serial: ("branch_out",) for u in west.units} if off else {})


@pytest.mark.parametrize("stays", [0.0, 0.1])
def test_a_branch_that_stops_at_once_is_off_though_the_only_other_unit_stands_in_shade(roof, stays):
    r = with_branches(roof(index=CLEAR), 11)
    r.energy_wh[11] *= 0.04
    r.energy_wh[:11, r.interval(8) + 4 :] *= stays
    named = said(verify(r.site, counted(r, 8)))
    off = {serial for serial, causes in named.items() if "branch_out" in causes}
    assert off == (
        {f"70{i:04d}" for i in range(11)} if stays == 0.0 else set()
    )  # a dark cloud leaves a tenth


def test_one_unit_that_works_shows_that_the_others_do_not(roof):
    r = with_branches(roof(units=5, index=OVERCAST), 4)
    r.energy_wh[:4] = 0.0
    assert said(verify(r.site, counted(r, 12))) == {f"70{i:04d}": ("branch_out",) for i in range(4)}


def test_a_unit_below_its_like_at_their_limit_is_seen(roof):
    """The others could give more than their rating: that hides how much, not that this one gives less."""
    r = roof(index=CLEAR, ac_rated_w=260.0, planes=1)
    strong = r.energy_wh[:, r.interval(12)]
    assert strong.min() > 0.95 * 260 / 12
    r.energy_wh[3] = 0.66 * 300 / 12 * np.minimum(r.energy_wh[3] / (260 / 12), 1)
    result = verify(r.site, counted(r, 12))
    assert [(f.cause, f.serials) for f in result.findings if f.is_fault] == [("substring_out", ("700003",))]


def test_half_an_hour_of_overcast_is_no_other_unit_of_measure(roof):
    r = roof(planes=2, index=0.08)
    assert build_case(r.site, counted(r, 12)).scale == 1.0


def test_what_a_step_can_hide_is_no_silence():
    seen = np.ones((1, 6), dtype=bool)
    due = np.full((1, 6), 0.9)
    short = np.array([[1.0, 0.0, 0.0, 1.0, 1.0, 0.0]])
    assert not silences(short, due, seen, 1.0).any()
    long = np.array([[1.0, 1.0, 0.0, 0.0, 0.0, 0.0]])
    assert SURE_STEPS <= 4 * 0.9
    assert silences(long, due, seen, 1.0).tolist() == [[False, False, True, True, True, True]]
    assert silences(short, due, seen, 0.0).sum() == 3
    assert with_flanks(silences(long, due, seen, 1.0)).tolist() == [[False, True, True, True, True, True]]


@pytest.mark.parametrize(
    ("values", "step"),
    [
        ([0, 1, 2, 1, 3], 1.0),
        ([0, 58, 57, 60, 80, 79], 1.0),
        ([0, 3, 6, 9], 1.0),
        ([0, 3, 6, 9, 12, 15, 18, 24, 27], 3.0),
        ([10, 20, 30, 0], 10.0),
        ([0.1, 0.3, 0.4], 0.1),
        ([5.0, 5.0, 5.0], 0.0),
        ([1.2345678, 2.3456789, 0.777777], 0.0),
    ],
)
def test_the_step_of_a_register(values, step):
    assert resolution_wh(np.array([values, values], dtype=float)) == pytest.approx(step)


@pytest.mark.parametrize(("level", "sd", "lost"), [(0.72, 0.012, None), (0.69, 0.05, 1), (0.72, 0.15, None)])
def test_a_level_counts_by_what_it_is_known_to(level, sd, lost):
    """Well known it must lie close, less well known further away; badly known it may be a healthy module's."""
    match = match_level(level, 3, 1, sd=sd)
    assert (match and match.lost) == lost


@pytest.mark.parametrize(
    ("shares", "drops_out"),
    [
        ((1.0, 1.0, 0.5, 1.0, 0.6, 1.0), True),
        ((1.0, 1.0, 0.3, 0.9, 1.0, 1.0), True),
        ((1.0, 1.0, 0.9, 0.7, 0.6, 0.5), False),  # a shadow comes and stays
        ((0.5, 0.6, 0.7, 0.9, 1.0, 1.0), False),
    ],
)
def test_minutes_off_within_five_show_by_coming_back_while_the_light_stays(roof, shares, drops_out):
    r = roof(index=CLEAR)
    r.energy_wh[4, r.interval(12) : r.interval(12) + 6] *= shares
    named = said(verify(r.site, counted(r, 12, step=0.1)))
    assert ("intermittent" in named.get("700004", ())) is drops_out
    assert named.keys() <= {"700004"}


def test_a_cloud_that_all_see_is_no_drop_out_of_the_weaker(roof):
    r = roof(index=CLEAR)
    r.energy_wh[:, r.interval(12) : r.interval(12) + 6] *= (1.0, 0.8, 0.4, 0.5, 0.9, 1.0)
    r.energy_wh[4, r.interval(12) + 2 : r.interval(12) + 4] *= 0.8
    assert "intermittent" not in said(verify(r.site, counted(r, 12, step=0.1))).get("700004", ())
