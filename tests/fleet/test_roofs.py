"""The roofs' benchmark is sound: its faults are what they claim, its series what the roofs gave, its excuses narrow."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest
from pvlib.inverter import pvwatts

from service.verify.result import Finding
from tests.bench.fleet.plan import Plan, Window
from tests.bench.fleet.truth import BenchSite
from tests.bench.roofs import __main__ as bench
from tests.bench.roofs.build import Laid, make
from tests.bench.roofs.light import with_dc_share
from tests.bench.roofs.own import Own, own, without_own
from tests.bench.roofs.plan import Trial, days_of, trial
from tests.bench.roofs.series import payerne_2016, serf_east_2011, serf_east_2016
from tests.fleet.sun import Array

CLEAR_DAY = date(2016, 8, 14)
"""Of SERF East: eleven hours of sun."""

METERS = 0.03
"""Share of an hour's energy that noise, a register's step and a lost reading may change (25 Wh and more an hour)."""

SEED = 4


def _laid(*causes: str, group: str | None = None, wide: str | None = None, units: int = 8) -> Laid:
    plan = Plan(SEED, "1d", "SERF East 2016", 15, units, 1, wide, group, causes)
    return make(Trial(CLEAR_DAY, plan))


def _hours(laid: Laid) -> Array:
    """Return what each unit gave by hours, Wh, (U, 24), with lost readings filled up, nought by night."""
    energy = laid.site.readings.energy_wh.reshape(len(laid.site.site.units), 24, 4)
    heard = np.isfinite(energy).sum(axis=2)
    return np.asarray(4 * np.nansum(energy, axis=2) / np.maximum(heard, 1))


@pytest.fixture(scope="module")
def sound() -> Laid:
    return _laid()


def _struck(laid: Laid) -> list[int]:
    return [n for n, u in enumerate(laid.site.site.units) if u.serial in laid.site.faults]


# --- the series


def test_a_sound_roof_gives_what_was_measured(sound: Laid) -> None:
    """The units' mean over their rating is SERF East's own power over its 6 kW on that day."""
    series = serf_east_2016()
    measured = series.made(series.facings[0]).total[series.steps(CLEAR_DAY, 1)].reshape(24, 4).mean(axis=1)
    share = _hours(sound).mean(axis=0) / sound.site.site.module_types[0].pmax_w
    lit = measured > 0.1
    assert lit.sum() >= 9
    np.testing.assert_allclose(share[lit], measured[lit], rtol=METERS)


def test_payernes_clearest_day_is_a_clear_skys() -> None:
    """On a level plane it is, to 10 %, pvlib's own (Ineichen and Perez, monthly turbidity)."""
    series = payerne_2016()
    flat = (0.0, 180.0)
    days = [series.steps(day, 1) for day in series.days]
    shares = [series.made(flat).total[d].sum() / series.clear(flat).total[d].sum() for d in days]
    assert max(shares) == pytest.approx(1.0, abs=0.1)
    assert min(shares) < 0.4


def test_days_without_a_beam_measured_are_no_days_of_payerne() -> None:
    """June 2016 has 9 and 10 hours of empty minutes in the beam's shares of the 6th and the 10th."""
    days = payerne_2016().days
    assert {date(2016, 6, 6), date(2016, 6, 10)}.isdisjoint(days)
    assert len(days) >= 24


def test_summer_time_is_taken_from_the_labels_of_serf_east() -> None:
    """With labels an hour late a summer day's centre would come an hour later, over a clear sky's, than in winter."""
    series = serf_east_2011()
    summer, winter = (
        _late_min(series, date(2012, 7, 10)),
        _late_min(series, date(2012, 1, 5)),
    )
    assert abs(summer - winter) < 30


def _late_min(series, day: date) -> float:
    steps = series.steps(day, 1)
    made, clear = (part(series.facings[0]).total[steps] for part in (series.made, series.clear))
    minutes = np.arange(len(made)) * series.step_min
    return float((minutes * made).sum() / made.sum() - (minutes * clear).sum() / clear.sum())


# --- faults


def test_no_output_and_silence_leave_nothing() -> None:
    laid = _laid("no_output", "not_reporting")
    energy = laid.site.readings.energy_wh
    by_cause = {laid.site.faults[laid.site.site.units[u].serial][0].cause: energy[u] for u in _struck(laid)}
    assert np.isnan(by_cause["not_reporting"]).all()
    dead = np.nan_to_num(by_cause["no_output"])
    gave = np.flatnonzero(dead > 0)
    assert not len(gave) or dead[gave[-1] + 1 :].sum() == 0
    assert len(gave) < (np.nan_to_num(energy).max(axis=0) > 0).sum()


def test_a_substring_takes_a_third_of_the_dc_power(sound: Laid) -> None:
    laid = _laid("substring_out")
    (unit,) = _struck(laid)
    lit = _hours(sound)[unit] > 50
    left = _hours(laid)[unit, lit] / _hours(sound)[unit, lit]
    assert left == pytest.approx(2 / 3, abs=0.04)


def test_part_of_the_dc_power_goes_through_the_inverters_curve() -> None:
    """PVWatts: an inverter of 1.3 W at 0.5 W of DC gives `pvwatts(0.5)`, whatever it gave at 1 W before."""
    full = pvwatts(np.array([1.0]), 1.3, eta_inv_nom=0.96)
    assert with_dc_share(full, 0.5) == pytest.approx(pvwatts(0.5, 1.3, eta_inv_nom=0.96), rel=1e-3)


def test_shade_takes_the_sun_of_some_hours_only(sound: Laid) -> None:
    laid = _laid("shaded")
    (unit,) = _struck(laid)
    lit = _hours(sound)[unit] > 50
    left = _hours(laid)[unit, lit] / _hours(sound)[unit, lit]
    hidden = left < 1 - METERS
    assert 1 <= hidden.sum() <= 5
    assert left[hidden].min() > 0.05
    assert np.diff(np.flatnonzero(hidden)).max(initial=1) == 1


def test_a_branch_is_out_together_and_others_are_not() -> None:
    laid = _laid(group="branch_out", units=16)
    struck = _struck(laid)
    (branch,) = {laid.site.site.units[u].branch for u in struck}
    assert struck == [n for n, u in enumerate(laid.site.site.units) if u.branch == branch]
    afternoon = _hours(laid)[:, 15]
    assert (afternoon[struck] == 0).all()
    assert (np.delete(afternoon, struck) > 50).all()


def test_trips_come_to_a_branch_at_high_power_only() -> None:
    laid = _laid(group="voltage_trip", units=16)
    struck = _struck(laid)
    energy = np.nan_to_num(laid.site.readings.energy_wh)
    others = np.delete(energy, struck, axis=0).mean(axis=0)
    lit = others > 0.2 * others.max()
    ratio = energy[struck].mean(axis=0)[lit] / others[lit]
    tripped = ratio < 0.9
    assert 1 <= tripped.sum() <= 12
    assert others[lit][tripped].min() > 0.5 * others.max()


def test_a_low_site_is_low_by_its_factor(sound: Laid) -> None:
    laid = _laid(wide="site_low")
    assert laid.site.site_fault is not None
    left = _hours(laid).sum() / _hours(sound).sum()
    assert left == pytest.approx(laid.site.site_fault.factor, abs=0.02)
    assert 0.75 <= left <= 0.86


def test_a_limit_holds_the_sum() -> None:
    laid = _laid(wide="curtailed")
    assert laid.site.site_fault is not None
    top = np.sort(np.nan_to_num(laid.site.readings.energy_wh).sum(axis=0))[-8:]
    assert top.max() / top.min() == pytest.approx(1.0, abs=METERS)


def test_a_wrong_clock_moves_the_labels_and_nothing_else(sound: Laid) -> None:
    laid = _laid(wide="clock_shift")
    truth = laid.site.site_fault
    assert truth is not None
    assert laid.site.readings.start - sound.site.readings.start == timedelta(minutes=truth.minutes or 0)
    np.testing.assert_array_equal(laid.site.readings.energy_wh, sound.site.readings.energy_wh)


def test_a_misdescribed_plane_is_wrong_in_the_record_alone(sound: Laid) -> None:
    laid = _laid(wide="plane_misdescribed")
    (noted,), (real,) = laid.site.site.planes, sound.site.site.planes
    truth = laid.site.site_fault
    assert truth is not None
    assert (truth.azimuth_deg, truth.tilt_deg) == (real.azimuth_deg, real.tilt_deg) == (158, 45)
    assert (noted.azimuth_deg, noted.tilt_deg) != (158, 45)
    np.testing.assert_array_equal(laid.site.readings.energy_wh, sound.site.readings.energy_wh)


def test_a_moved_unit_gives_what_the_other_plane_gives() -> None:
    plan = Plan(SEED, "1d", "Payerne", 5, 12, 2, causes=("swapped",))
    laid = make(Trial(date(2016, 6, 24), plan))
    one, other = _struck(laid)
    sound = make(Trial(date(2016, 6, 24), Plan(SEED, "1d", "Payerne", 5, 12, 2)))
    energy = np.nan_to_num(laid.site.readings.energy_wh)
    plain = np.nan_to_num(sound.site.readings.energy_wh)
    assert np.corrcoef(energy[one], plain[other])[0, 1] > 0.99
    assert np.corrcoef(energy[one], plain[one])[0, 1] < 0.9


# --- trials and scoring


@pytest.mark.parametrize("window", ["1d", "7d"])
def test_the_parts_share_no_day(window: Window) -> None:
    series = serf_east_2011()
    tuning, apart = (
        {
            d + timedelta(days=n)
            for d in days_of(series, window, part)
            for n in range(7 if window == "7d" else 1)
        }
        for part in ("tuning", "apart")
    )
    assert tuning
    assert apart
    assert not tuning & apart
    assert not tuning & set(days_of(series, "1d", "apart"))


def test_about_a_third_of_the_trials_is_healthy() -> None:
    plans = [t.plan for t in (trial(n, "1d") for n in range(600)) if t]
    healthy = sum(not (p.site_cause or p.group or p.causes) for p in plans) / len(plans)
    assert healthy == pytest.approx(0.33, abs=0.02)


def test_the_same_number_gives_the_same_trial() -> None:
    one, two = (_judgeable(3) for _ in range(2))
    np.testing.assert_array_equal(one.readings.energy_wh, two.readings.energy_wh)
    assert one.faults == two.faults


def _judgeable(number: int) -> BenchSite:
    found = trial(number, "1d")
    assert found is not None
    return make(found).site


def _finding(cause: str, *serials: str) -> Finding:
    return Finding(cause, serials, 0.9, "", "")


def test_a_day_without_any_output_is_the_roofs_own() -> None:
    """2012-08-16: not one watt from morning till night (`test_real_days.py`)."""
    series = serf_east_2011()
    out = own(series, series.facings[0], date(2012, 8, 16), 1)
    assert out.silent
    assert not own(series, series.facings[0], date(2012, 8, 20), 1).silent
    left, excused = without_own([_finding("no_output", "1", "2")], out, frozenset({"2"}))
    assert [f.serials for f in left] == [("2",)]
    assert not excused


def test_only_a_roof_below_the_band_may_be_called_low() -> None:
    said = [_finding("site_low"), _finding("clock_shift")]
    assert [f.cause for f in without_own(said, Own(0, 0.87), frozenset())[0]] == ["clock_shift"]
    assert without_own(said, Own(0, 0.95), frozenset()) == (said, [])
    assert without_own(said, Own(0, 0.87), frozenset(), lowered=True) == (said, [])


def test_the_bench_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bench, "PROCESSES", 1)
    scores, _ = bench.by_roof(bench.judged(t) for t in bench.trials("1d", wanted=4, first=0, part="tuning"))
    assert scores["all"].sites == 4
    assert not scores["all"].crashes
    assert scores["all"].healthy + scores["all"].planted.total() >= 24
