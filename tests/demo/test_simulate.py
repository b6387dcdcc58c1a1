"""The demo's readings: what roofs of this kind can make, told apart by their faults, the same every time."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from service.demo.scenario import HEALTHY, NEW, SITES, DemoSite, Fault
from service.demo.simulate import FAULTS, simulate
from service.intake.record import read_record

SUMMER, WINTER, CLOCKS_BACK = date(2026, 6, 25), date(2026, 12, 22), date(2026, 10, 28)
BY_NAME = {site.name: site for site in SITES}


def _yields_h(site: DemoSite, end: date) -> np.ndarray:
    """Return every heard unit's yield, hours at rated power a day."""
    rows = simulate(site, end).energy_wh.values()
    return np.array([np.nansum(row) / site.scale / site.module_w / 7 for row in rows])


@pytest.mark.parametrize("site", SITES, ids=lambda s: s.name)
def test_a_record_is_one_that_the_service_takes(site: DemoSite) -> None:
    assert len(read_record(site.record("2026-05-04")).units) == len(site.serials)


@pytest.mark.parametrize("site", [s for s in SITES if s.name != NEW], ids=lambda s: s.name)
@pytest.mark.parametrize("end", [SUMMER, WINTER], ids=["June", "December"])
def test_yields_are_those_of_a_week_on_a_roof(site: DemoSite, end: date) -> None:
    # common practice, no source: no roof makes more than about 8 hours at its rating a day over a week
    assert 0.2 < np.median(_yields_h(site, end)) < 8.0


@pytest.mark.parametrize("site", SITES, ids=lambda s: s.name)
def test_no_unit_exceeds_its_inverter(site: DemoSite) -> None:
    most = site.inverter_w * site.interval_min / 60 * site.scale
    for row in simulate(site, SUMMER).energy_wh.values():
        assert np.nanmin(row) >= 0
        assert np.nanmax(row) <= 1.06 * most


def test_summer_yields_more_than_winter_on_both_hemispheres() -> None:
    north, south = BY_NAME[HEALTHY], BY_NAME["Wattle Bend 31"]
    assert np.median(_yields_h(north, SUMMER)) > 1.5 * np.median(_yields_h(north, WINTER))
    assert np.median(_yields_h(south, WINTER)) > 1.5 * np.median(_yields_h(south, SUMMER))


def test_the_same_site_and_date_give_the_same_readings() -> None:
    assert simulate(SITES[0], SUMMER).table() == simulate(SITES[0], SUMMER).table()


def test_readings_cover_seven_local_days_though_clocks_go_back() -> None:
    site = BY_NAME[HEALTHY]
    made = simulate(site, CLOCKS_BACK)
    assert made.start.isoformat() == "2026-10-21T00:00:00+02:00"
    assert {len(row) for row in made.energy_wh.values()} == {(7 * 24 + 1) * 12}


def test_a_new_site_has_a_few_hours_on_its_last_day() -> None:
    made = simulate(BY_NAME[NEW], SUMMER)
    assert made.start.isoformat() == "2026-06-24T13:15:00-06:00"
    assert {len(row) for row in made.energy_wh.values()} == {33}


def test_about_one_reading_in_a_hundred_is_missing() -> None:
    rows = np.array(list(simulate(BY_NAME[HEALTHY], SUMMER).energy_wh.values()))
    assert 0.007 < np.isnan(rows).mean() < 0.013


def test_a_mistyped_serial_is_on_record_and_the_true_one_is_heard() -> None:
    site = SITES[0]
    ((unit,),) = (f.units for f in site.faults if f.cause == "not_on_record")
    noted, true = site.noted_serials()[unit], site.serials[unit]
    heard = simulate(site, SUMMER).energy_wh
    assert noted not in heard
    assert true in heard
    assert sorted(noted) == sorted(true)
    assert noted != true


def test_a_lost_substring_takes_its_share() -> None:
    site = SITES[0]
    ((unit, share),) = ((f.units[0], f.share) for f in site.faults if f.cause == "substring_out")
    rows = simulate(site, SUMMER).energy_wh
    others = [np.nansum(row) for serial, row in rows.items() if serial != site.serials[unit]]
    assert np.nansum(rows[site.serials[unit]]) / np.median(others) == pytest.approx(share, abs=0.03)


def test_a_dead_unit_gives_nothing_from_its_day_until_it_is_mended() -> None:
    site = BY_NAME["Wattle Bend 31"]
    dead = [fault for fault in site.faults if fault.cause == "no_output"]
    assert {fault.until_day is None for fault in dead} == {True, False}
    for fault in dead:
        row = simulate(site, SUMMER).energy_wh[site.serials[fault.units[0]]]
        first = round(fault.from_day * 288) + 1
        end = None if fault.until_day is None else int(fault.until_day * 288)
        assert np.nansum(row[first:end]) == 0
        assert np.nansum(row[: first - 1]) > 0 or fault.from_day == 0
        assert end is None or np.nansum(row[end:]) > 0


def test_every_planted_fault_is_one_that_the_simulator_knows() -> None:
    planted: list[Fault] = [fault for site in SITES for fault in site.faults]
    assert {fault.cause for fault in planted} <= FAULTS.keys()
    assert not BY_NAME[HEALTHY].faults
