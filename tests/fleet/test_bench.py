"""The benchmark's own soundness: its shade against single-diode curves, its faults, its scoring."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from pvlib import pvsystem

from service.verify.result import Finding
from tests.bench.fleet import site
from tests.bench.fleet.build import make
from tests.bench.fleet.plan import HEALTHY, SITE_WIDE, WINDOWS, Plan, plan
from tests.bench.fleet.score import SITE_CAUSES, Score, score
from tests.bench.fleet.truth import BenchSite, SiteFault
from tests.fleet.roof import Light
from tests.fleet.shade import Outline, near

CELLS, BYPASS_V = 20, 0.5
SHADE_AGREES = 0.02
"""Share of full power; the cell's low-light losses, which the outline leaves to the module, are within this."""

MID_BENCH = Plan(seed=8, window="1d", sky="clear", interval_min=5, units=12, planes=2)
"""Eleven hours of clear sky on two planes."""


# --- shade


def _substring_v(current_a: NDArray[np.float64], irradiance: float) -> NDArray[np.float64]:
    """Return the voltage of 20 cells behind a bypass diode, V, by pvlib's single-diode model."""
    volts = pvsystem.v_from_i(
        current_a,
        photocurrent=9.5 * irradiance / 1000,
        saturation_current=1e-9,
        resistance_series=0.004,
        resistance_shunt=10_000 / irradiance,
        nNsVth=1.1 * 0.0257,
    )
    return np.asarray(np.maximum(CELLS * volts, -BYPASS_V))


def _single_diode_share(shaded: int, diffuse: float) -> float:
    current = np.linspace(0, 9.6, 2000)
    lit, dim = _substring_v(current, 1000), _substring_v(current, 1000 * diffuse)
    return float((current * ((3 - shaded) * lit + shaded * dim)).max() / (current * 3 * lit).max())


@pytest.mark.parametrize("diffuse", [0.1, 0.2, 0.3, 0.5])
@pytest.mark.parametrize(("shaded", "wall_ends_deg"), [(0, 135), (1, 165), (2, 195), (3, 225)])
def test_shade_is_that_of_three_substrings_behind_bypass_diodes(
    shaded: int, wall_ends_deg: float, diffuse: float
) -> None:
    # Power of three 20-cell substrings in series at one current, each curve from pvlib's single-diode model.
    light = Light(np.array([1 - diffuse]), np.array([diffuse]), np.array([25.0]))
    wall = Outline(np.array([100, wall_ends_deg, wall_ends_deg + 1, 359]), np.array([3.0, 3.0, 0.0, 0.0]))
    left = near(wall, light, np.array([180.0]), np.array([2.0]), spread_deg=30)  # seen from 150, 180, 210 deg
    assert left[0] == pytest.approx(_single_diode_share(shaded, diffuse), abs=SHADE_AGREES)


# --- what befalls sites


def test_plans_keep_the_shares_of_healthy_and_of_site_wide() -> None:
    drawn = [plan(seed, "1d") for seed in range(1000)]
    healthy = sum(not (p.site_cause or p.group or p.causes) for p in drawn) / 1000
    assert healthy == pytest.approx(HEALTHY, abs=0.01)
    assert sum(p.site_cause is not None for p in drawn) / 1000 == pytest.approx(SITE_WIDE, abs=0.01)


@pytest.mark.parametrize("window", WINDOWS)
def test_the_same_seed_gives_the_same_site(window: str) -> None:
    one, two = site(6, window), site(6, window)  # type: ignore[arg-type]
    assert one.site == two.site
    assert one.faults == two.faults
    np.testing.assert_array_equal(one.readings.energy_wh, two.readings.energy_wh)


def test_half_an_hour_has_its_intervals_in_daylight() -> None:
    for seed in (0, 1, 4):
        made = site(seed, "30min")
        assert made.readings.count * made.readings.interval_min == 30
        assert np.nansum(made.readings.energy_wh) > 0


def test_a_branch_trips_together_at_high_power_and_comes_back() -> None:
    calm, tripped = make(MID_BENCH), make(replace(MID_BENCH, group="voltage_trip"))
    rows = [n for n, u in enumerate(tripped.site.units) if u.serial in tripped.faults]
    assert {f.cause for serial in tripped.faults for f in tripped.faults[serial]} == {"voltage_trip"}
    before, after = (np.nanmean(s.readings.energy_wh[rows], axis=0) for s in (calm, tripped))
    down = after < 0.85 * before - 1
    assert 4 <= down.sum() <= 60
    assert before[down].min() > 0.6 * before.max()
    assert len({tripped.site.units[n].branch for n in rows}) in (
        1,
        len({u.branch for u in tripped.site.units}),
    )


def test_a_curtailed_site_has_a_flat_top_shared_by_all() -> None:
    free, held = make(MID_BENCH), make(replace(MID_BENCH, site_cause="curtailed"))
    assert held.site_fault is not None
    assert held.site_fault.factor is not None
    totals = [np.nansum(s.readings.energy_wh, axis=0) for s in (free, held)]
    top = totals[1] > 0.97 * np.quantile(totals[1], 0.99)
    assert top.sum() > 12
    assert np.std(totals[1][top]) < 0.02 * totals[1].max()
    assert totals[1].max() / totals[0].max() == pytest.approx(held.site_fault.factor, abs=0.06)


def test_a_late_clock_moves_the_whole_day() -> None:
    right, wrong = make(MID_BENCH), make(replace(MID_BENCH, site_cause="clock_shift"))
    assert wrong.site_fault is not None
    assert wrong.site_fault.minutes is not None
    assert _middle_min(wrong) - _middle_min(right) == pytest.approx(wrong.site_fault.minutes, abs=6)


def _middle_min(made: BenchSite) -> float:
    total = np.nansum(made.readings.energy_wh, axis=0)
    return float((total * np.arange(len(total))).sum() / total.sum()) * made.readings.interval_min


def test_a_misdescribed_plane_is_wrong_in_the_record_alone() -> None:
    right, wrong = make(MID_BENCH), make(replace(MID_BENCH, site_cause="plane_misdescribed"))
    truth = wrong.site_fault
    assert truth is not None
    assert truth.plane is not None
    noted, real = wrong.site.plane(truth.plane), right.site.plane(truth.plane)
    assert (truth.tilt_deg, truth.azimuth_deg) == (real.tilt_deg, real.azimuth_deg)
    assert (noted.tilt_deg, noted.azimuth_deg) != (real.tilt_deg, real.azimuth_deg)


# --- scoring


def _finding(cause: str, *serials: str, plane: str | None = None, **details: object) -> Finding:
    return Finding(cause, serials, 0.9, "", "", plane=plane, details=dict(details))


def _site_finding(truth: SiteFault) -> Finding:
    names = ("minutes", "azimuth_deg", "tilt_deg", "factor")
    given = {n: getattr(truth, n) for n in names if getattr(truth, n) is not None}
    return _finding(truth.cause, plane=truth.plane, **given)


def _told_all(made: BenchSite) -> list[Finding]:
    units = [_finding(f.cause, serial) for serial, faults in made.faults.items() for f in faults]
    return [*units, *([_site_finding(made.site_fault)] if made.site_fault else [])]


def test_who_knows_all_scores_all_and_who_is_mute_scores_nothing() -> None:
    all_said, mute = Score(), Score()
    for made in (site(seed, "1d") for seed in range(30)):
        all_said.add(score(made, _told_all(made)))
        mute.add(score(made, []))
    assert (all_said.f1, all_said.first_share, all_said.named_share, all_said.site_share) == (1, 1, 1, 1)
    assert (all_said.accused, all_said.sites_falsely_said) == (0, 0)
    assert all_said.planted == mute.planted
    assert mute.planted.total() > 20
    assert mute.site_planted.total() > 0
    assert (mute.f1, mute.first_share, mute.site_share) == (0, 0, 0)


def test_accusing_everybody_costs() -> None:
    healthy = make(MID_BENCH)
    counts = score(healthy, [_finding("low_output", *(u.serial for u in healthy.site.units))])
    assert (counts.healthy, counts.accused) == (12, 12)


@pytest.mark.parametrize("cause", SITE_CAUSES)
def test_a_site_cause_said_of_a_sound_site_is_falsely_said(cause: str) -> None:
    counts = score(make(MID_BENCH), [_finding(cause)])
    assert (counts.sites_falsely_said, counts.accused) == (1, 0)


def test_a_finding_on_a_plane_speaks_of_all_its_units() -> None:
    healthy = make(MID_BENCH)
    (front, *_) = healthy.site.planes
    counts = score(healthy, [_finding("shaded", plane=front.name)])
    assert counts.accused == sum(u.plane == front.name for u in healthy.site.units)


def test_errors_are_measured_on_what_the_finding_says() -> None:
    made = make(replace(MID_BENCH, site_cause="clock_shift"))
    assert made.site_fault is not None
    assert made.site_fault.minutes is not None
    counts = score(made, [_finding("clock_shift", minutes=made.site_fault.minutes + 7)])
    assert counts.clock_off_min == [7]
    assert counts.site_found["clock_shift"] == 1
