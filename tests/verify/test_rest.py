"""What inverters at rest leave on their meters, and whole sites that were off and came back."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from service.verify.rest import outages, without_standby
from service.verify.run import build_case, verify

RATED_WH = 350 / 12
TRACE = (0.0, 0.02, 0.04)
"""Wh in five minutes, up to half a watt."""


def said(roof):
    return {(f.cause, len(f.serials)) for f in verify(roof.site, roof.readings()).findings}


def off_for_the_second_day(roof, changed, first=0.0, last=24.0):
    r = roof(days=4, index=0.95)
    r = changed(r, site=replace(r.site, units=tuple(replace(u, branch="A") for u in r.site.units)))
    r.energy_wh[:, r.interval(first, day=1) : r.interval(last, day=1)] = 0.0
    return r


@pytest.mark.parametrize(("first", "last"), [(0, 24), (9, 24), (0, 15.25), (8, 16)])
def test_a_site_that_was_off_and_is_back_is_said_with_its_times(roof, changed, first, last):
    r = off_for_the_second_day(roof, changed, first, last)
    result = verify(r.site, r.readings())
    (found,) = result.findings
    assert (found.cause, len(found.serials), result.verdict) == ("intermittent", 12, "attention")
    assert found.first_seen.day == found.last_seen.day == 5
    day = (found.first_seen.hour + 1, found.last_seen.hour + 1)  # by the site's clock
    assert day == pytest.approx((max(first + 1, 7), min(last + 1, 19)), abs=1.5)


def test_what_a_site_that_was_off_should_have_made_is_told_by_the_days_around(roof, changed):
    r = off_for_the_second_day(roof, changed)
    case = build_case(r.site, r.readings())
    on, out = (case.day.positions // 288 == day for day in (0, 1))
    due, usual = (case.peers.energy_wh[:, where].sum() for where in (out, on))
    assert due == pytest.approx(usual, rel=0.15)


def test_snow_that_thaws_off_is_no_switch(roof, changed):
    r = off_for_the_second_day(roof, changed)
    thaw = slice(r.interval(0, day=2), r.interval(11, day=2))
    r.energy_wh[:, thaw] *= np.linspace(0, 0.3, thaw.stop - thaw.start)
    assert said(r) == set()


def test_hours_of_a_storm_are_no_switch(roof, changed):
    assert said(off_for_the_second_day(roof, changed, 14, 17)) == set()


@pytest.mark.parametrize("index", [0.05, 0.3])
def test_a_dark_day_is_neither_rest_nor_standby(roof, index):
    r = roof(days=2, index=index)
    r.energy_wh[:, : r.interval(0, day=1)] *= 2
    case = build_case(r.site, r.readings())
    assert not case.outage.any()
    assert np.array_equal(case.measured_wh, r.energy_wh[:, case.day.positions])


def with_traces(r, rows, start):
    rng = np.random.default_rng(4)
    r.energy_wh[rows, start:] = rng.choice(TRACE, (len(rows), r.grid.count - start))


def test_a_site_at_standby_is_off(roof, changed):
    r = off_for_the_second_day(roof, changed)
    with_traces(r, range(12), r.interval(0, day=2))
    assert said(r) == {("branch_out", 12)}


def test_a_unit_at_standby_is_dead(roof):
    r = roof(days=3)
    with_traces(r, [3], r.interval(2, day=1))
    assert said(r) == {("no_output", 1)}


def test_a_line_that_no_sky_draws_is_no_output(roof):
    r = roof(units=8, days=3, index=0.95, start=datetime(2026, 6, 1, tzinfo=UTC))
    lit = np.arange(r.grid.count) >= r.interval(12, day=0)
    noise = 1 + 0.02 * np.random.default_rng(2).standard_normal(r.energy_wh.shape)
    r.energy_wh = np.where(lit & (r.energy_wh > 0.03 * RATED_WH), 0.03 * RATED_WH * noise, r.energy_wh)
    assert said(r) == {("no_output", 1)}


def test_little_light_that_moves_with_the_sun_is_output():
    clear = np.sin(np.linspace(0, np.pi, 100))[None, :] * RATED_WH
    at = np.arange(100)
    assert without_standby(0.03 * clear, clear, np.array([RATED_WH]), at, 5) == pytest.approx(0.03 * clear)
    level = np.full_like(clear, 0.03 * RATED_WH)
    assert without_standby(level, clear, np.array([RATED_WH]), at, 5).max() == 0


def test_a_register_of_few_steps_shows_no_line():
    rated, at = np.array([350 / 2]), np.arange(16)
    clear = np.sin(np.linspace(0.2, np.pi - 0.2, 16))[None, :] * rated
    dull = np.array([[4, 5, 6, 6, 6, 6, 7, 6, 6, 6, 6, 5, 6, 6, 6, 3.0]])
    assert without_standby(dull, clear, rated, at, 30) == pytest.approx(dull)
    fine = np.where(dull == 6, 6.0, 6.02)
    assert without_standby(fine, clear, rated, at, 30).max() == 0


def test_readings_that_are_missing_are_no_rest():
    clear = np.full((2, 200), RATED_WH)
    energy = clear.copy()
    energy[:, 50:150] = np.nan
    assert not outages(energy, clear, np.full(2, RATED_WH), 5).any()
    energy[:, 50:150] = 0.0
    assert outages(energy, clear, np.full(2, RATED_WH), 5).sum() == 100
