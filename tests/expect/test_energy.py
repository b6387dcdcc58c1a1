from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from service.expect.energy import expected_energy, group_power, unit_groups
from service.expect.grid import Grid
from service.expect.site import InverterType, Losses, Site, Unit
from service.expect.sky import clear_sky, cloudy_sky
from service.expect.sun import Sun
from service.expect.weather import Weather

START = datetime(2026, 5, 4, tzinfo=UTC)


def test_units_alike_share_one_group_in_order_of_appearance(site: Site) -> None:
    groups = unit_groups(site)
    assert [g.members for g in groups] == [(0, 2), (1,)]
    assert [g.plane.name for g in groups] == ["south roof", "east roof"]
    double = replace(
        site, units=(*site.units, Unit("1004", "south roof", "module", "inverter", module_count=2))
    )
    assert [g.members for g in unit_groups(double)] == [(0, 2), (1,), (3,)]


def test_a_unit_on_a_plane_that_is_not_on_record_is_refused(site: Site) -> None:
    with pytest.raises(KeyError, match="north roof"):
        unit_groups(replace(site, units=(Unit("1", "north roof", "module", "inverter"),)))


def test_powers_follow_the_chain_in_any_leading_shape(site: Site, day: Grid, sun: Sun) -> None:
    clear = clear_sky(sun, day, site=site)
    skies = cloudy_sky(sun, clear, index=np.linspace(0, 1.2, 5)[:, None])
    power = group_power(unit_groups(site)[0], sun, skies, site=site, air_temp_c=15.0, wind_m_s=1.0)
    assert power.ac_w.shape == power.dc_w.shape == power.poa_w_m2.shape == power.cell_temp_c.shape == (5, 288)
    assert (power.ac_w <= power.dc_w).all()
    assert (power.ac_w <= 350).all()
    assert (np.diff(power.ac_w.sum(axis=1)) > 0).all()
    assert (power.ac_w[0] == 0).all()
    assert (power.cell_temp_c >= 15).all()


def test_a_clear_day_gives_a_plausible_yield(site: Site, day: Grid) -> None:
    """A clear May day at 53.8 N: 7 to 8.5 kWh/m2 on a south roof at 35 degrees; common practice, no source."""
    expected = expected_energy(site, day)
    assert expected.energy_wh.shape == (3, 288)
    np.testing.assert_array_equal(expected.energy_wh[0], expected.energy_wh[2])
    reference = expected.reference_yield_h.sum(axis=1)
    assert 7 < reference[0] < 8.5
    ratio = expected.energy_wh.sum(axis=1) / (400 * reference)
    assert ((ratio > 0.75) & (ratio < 0.92)).all()


def test_the_east_roof_has_its_best_hour_before_the_south_roof(site: Site, day: Grid) -> None:
    south, east, _ = expected_energy(site, day).energy_wh
    assert np.argmax(east) < np.argmax(south) - 12


def test_nothing_is_expected_at_night(site: Site, day: Grid, sun: Sun) -> None:
    expected = expected_energy(site, day)
    night = sun.up_share == 0
    for values in vars(expected).values():
        assert (values[:, night] == 0).all()


def test_the_interval_does_not_change_the_day(site: Site) -> None:
    days = [
        expected_energy(site, Grid(START, m, 1440 // m)).energy_wh.sum(axis=1) for m in (5, 10, 15, 30, 60)
    ]
    np.testing.assert_allclose(days, np.broadcast_to(days[0], (5, 3)), rtol=1e-9)


def test_an_hour_is_not_clipped_as_a_whole(site: Site, day: Grid) -> None:
    """In an hour of which a part is clipped, the hour's mean DC power would hide the loss."""
    small = replace(site, inverter_types=(InverterType("inverter", 250, 0.965),))
    hourly = expected_energy(small, Grid(START, 60, 24))
    fine = expected_energy(small, day)
    np.testing.assert_allclose(hourly.energy_wh, fine.energy_wh.reshape(3, 24, 12).sum(axis=2), rtol=1e-9)
    np.testing.assert_allclose(hourly.clipped_share, fine.clipped_share.reshape(3, 24, 12).mean(axis=2))
    partly = (hourly.clipped_share > 0) & (hourly.clipped_share < 1)
    assert partly.any()
    assert (hourly.energy_wh[partly] < 250).all()
    assert hourly.energy_wh.max() <= 250 * (1 + 1e-12)


def test_clipping_is_reported_where_the_inverter_is_full(site: Site, day: Grid) -> None:
    small = replace(site, inverter_types=(InverterType("inverter", 200, 0.965),))
    expected = expected_energy(small, day)
    full = expected.clipped_share == 1
    assert full.any()
    np.testing.assert_allclose(expected.energy_wh[full], 200 / 12)
    assert (expected_energy(site, day).clipped_share == 0).all()


def test_the_corrected_yield_is_the_reference_yield_at_25_degrees(site: Site, day: Grid) -> None:
    cold = expected_energy(replace(site, air_temp_c=-30.0), day)
    warm = expected_energy(replace(site, air_temp_c=30.0), day)
    np.testing.assert_array_equal(cold.reference_yield_h, warm.reference_yield_h)
    assert cold.corrected_yield_h.sum() > cold.reference_yield_h.sum()
    assert warm.corrected_yield_h.sum() < warm.reference_yield_h.sum()
    lossless = replace(site, losses=Losses(0, 0, 0, 0), air_temp_c=30.0)
    hot = replace(lossless, air_temp_c=40.0)
    raw, corrected = (
        [getattr(expected_energy(s, day), name)[0].sum() for s in (lossless, hot)]
        for name in ("energy_wh", "corrected_yield_h")
    )
    assert raw[1] / raw[0] == pytest.approx(corrected[1] / corrected[0], abs=2e-3)


def test_module_count_scales_the_unit(site: Site, day: Grid) -> None:
    units = (
        Unit("1", "south roof", "module", "big"),
        Unit("2", "south roof", "module", "bigger", module_count=4),
    )
    inverters = (InverterType("big", 500), InverterType("bigger", 2000))
    one, four = expected_energy(replace(site, units=units, inverter_types=inverters), day).energy_wh
    np.testing.assert_allclose(four, 4 * one)


@pytest.mark.parametrize("latitude", [-90.0, -78.0, -33.9, 0.0, 66.6, 90.0])
@pytest.mark.parametrize("month", [6, 12])
def test_any_place_gives_finite_energy(site: Site, latitude: float, month: int) -> None:
    grid = Grid(datetime(2026, month, 21, tzinfo=UTC), 60, 24)
    planes = tuple(replace(p, tilt_deg=t) for p, t in zip(site.planes, (0.0, 90.0), strict=True))
    expected = expected_energy(replace(site, latitude=latitude, planes=planes), grid)
    for values in vars(expected).values():
        assert np.isfinite(values).all()
        assert (values >= 0).all()


def test_weather_lowers_the_energy_and_its_gaps_leave_it_unknown(site: Site, day: Grid, sun: Sun) -> None:
    clear = clear_sky(sun, day, site=site)
    ghi = (clear.ghi * sun.up_share).reshape(24, 12).mean(axis=1) * 0.4
    ghi[11] = np.nan
    air = np.full(24, 8.0)
    hours = Grid(START, 60, 24)
    cloudy = expected_energy(site, hours, Weather(START, 60, ghi_w_m2=ghi, air_temp_c=air))
    assert np.isnan(cloudy.energy_wh[:, 11]).all()
    assert np.isnan(cloudy.clipped_share[:, 11]).all()
    rest = np.arange(24) != 11
    assert np.isfinite(cloudy.energy_wh[:, rest]).all()
    assert cloudy.energy_wh[:, rest].sum() < 0.5 * expected_energy(site, hours).energy_wh[:, rest].sum()


def test_a_sensor_in_the_plane_sets_that_planes_reference_yield(site: Site) -> None:
    hours = Grid(START, 60, 24)
    clear = expected_energy(site, hours)
    poa = clear.reference_yield_h[0] * 1000 * 0.7
    expected = expected_energy(site, hours, Weather(START, 60, poa_w_m2={"south roof": poa}))
    bright = poa > 50
    np.testing.assert_allclose(expected.reference_yield_h[0][bright], poa[bright] / 1000, rtol=1e-3)
    assert 0.3 < expected.energy_wh[1].sum() / clear.energy_wh[1].sum() < 0.9


def test_no_units_and_no_intervals_are_no_error(site: Site, day: Grid) -> None:
    assert expected_energy(replace(site, units=()), day).energy_wh.shape == (0, 288)
    assert expected_energy(site, Grid(START, 5, 0)).energy_wh.shape == (3, 0)
