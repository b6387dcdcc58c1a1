"""What a sensor on the roof lets be judged that the units alone do not show; and a wrong sensor accuses nobody."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from service.expect.sky import Irradiance, cloudy_sky
from service.expect.weather import Weather
from service.verify.case import expectation
from service.verify.day import daylight
from service.verify.inputs import Readings
from service.verify.plane_beam import PlaneEnergies
from service.verify.result import Finding
from service.verify.run import verify
from service.verify.sky import family
from tests.verify.conftest import Roof
from tests.verify.test_common_shade import MORNING, shaded

QUARTER = 15
"""Asked of a clock under a closed cover, minutes."""


def sensor(roof: Roof, index: np.ndarray | float, late_min: int = 0) -> Weather:
    """Return what a pyranometer with a shaded twin sends under clear-sky indices (T,), or one for all."""
    day = daylight(roof.site, roof.grid, None)
    at = np.broadcast_to(index, roof.grid.count)[day.positions]
    sky = cloudy_sky(day.sun, day.clear, index=day.on_steps(at))
    whole = Irradiance(*(np.zeros(roof.grid.count) for _ in range(3)))
    for part in ("ghi", "dni", "dhi"):
        getattr(whole, part)[day.positions] = getattr(sky, part).reshape(-1, day.steps).mean(axis=1)
    start = roof.grid.start + timedelta(minutes=late_min)
    return Weather(start, roof.grid.interval_min, ghi_w_m2=whole.ghi, dni_w_m2=whole.dni, dhi_w_m2=whole.dhi)


def under(roof: Roof, index: np.ndarray) -> Roof:
    """Return the roof under clear-sky indices (T,)."""
    day = daylight(roof.site, roof.grid, None)
    sky = cloudy_sky(day.sun, day.clear, index=day.on_steps(index[day.positions]))
    energy = np.zeros(roof.energy_wh.shape)
    energy[:, day.positions] = expectation(day, sky).energy_wh
    return replace(roof, energy_wh=energy)


def closed_cover(roof: Roof) -> np.ndarray:
    """Return clear-sky indices (T,) of a thick cover that thins and thickens over hours."""
    at = np.arange(roof.grid.count) * roof.grid.interval_min / 60
    return np.asarray(0.26 + 0.1 * np.sin(2 * at) * np.cos(0.7 * at))


def passing(roof: Roof) -> np.ndarray:
    """Return clear-sky indices (T,) of clouds that pass in ten minutes."""
    rng = np.random.default_rng(4)
    blocks = roof.grid.count // 2 + 1
    index = np.where(rng.random(blocks) < 0.5, rng.uniform(0.25, 0.6, blocks), rng.uniform(0.9, 1.05, blocks))
    return np.repeat(index, 2)[: roof.grid.count]


def faults(roof: Roof, weather: Weather | None, late_min: int = 0) -> list[Finding]:
    start = roof.grid.start + timedelta(minutes=late_min)
    found = verify(roof.site, Readings(start, roof.grid.interval_min, roof.energy_wh), weather).findings
    return [f for f in found if f.is_fault]


@pytest.mark.parametrize("late_min", [60, -90])
def test_under_a_closed_cover_a_sensor_tells_the_clock(roof: Callable[..., Roof], late_min: int) -> None:
    bare = roof(units=6)
    r = under(bare, closed_cover(bare))
    (found,) = faults(r, sensor(r, closed_cover(r)), late_min)
    assert found.cause == "clock_shift"
    assert found.details["minutes"] == pytest.approx(late_min, abs=QUARTER)
    assert "clock_shift" not in [f.cause for f in faults(r, None, late_min)]


@pytest.mark.parametrize(("noted", "late_min", "told"), [(-10.0, 0, True), (0.0, 0, False), (0.0, 60, False)])
def test_a_sensor_of_beam_and_diffuse_light_tells_a_small_turn_between_clouds(
    roof: Callable[..., Roof], noted: float, late_min: int, told: bool
) -> None:
    bare = roof(units=6, days=7)
    index = passing(bare)
    r = under(bare, index)
    sent = sensor(r, index, late_min)
    (plane,) = r.site.planes
    turned = replace(r.site, planes=(replace(plane, azimuth_deg=plane.azimuth_deg + noted),))
    r = replace(r, site=turned)
    assert [f.cause for f in faults(r, sent)] == ["plane_misdescribed"] * told
    alone = [f for f in faults(r, None) if f.cause == "plane_misdescribed"]
    assert all("likelier than the record" in f.evidence for f in alone)


def test_a_right_clock_under_a_closed_cover_stays_right(roof: Callable[..., Roof]) -> None:
    bare = roof(units=6)
    r = under(bare, closed_cover(bare))
    assert faults(r, sensor(r, closed_cover(r))) == []


@pytest.mark.parametrize("late_min", [60, -60])
def test_a_sensor_whose_own_clock_is_wrong_accuses_nobody_under_a_clear_sky(
    roof: Callable[..., Roof], late_min: int
) -> None:
    r = roof(planes=2, index=1.0)
    assert faults(r, sensor(r, 1.0, late_min)) == []


def test_on_one_day_a_sensor_tells_a_hill_from_a_cloud(roof: Callable[..., Roof]) -> None:
    r = shaded(roof(units=8), "south", MORNING)
    (found,) = faults(r, sensor(r, 1.0))
    assert found.cause == "shaded"
    assert len(found.serials) == 8
    assert faults(r, None) == []


def test_a_cloud_that_the_sensor_saw_is_no_hill(roof: Callable[..., Roof]) -> None:
    bare = roof(units=8)
    index = np.full(bare.grid.count, 1.0)
    index[bare.interval(7) : bare.interval(9)] = 0.2
    assert faults(shaded(bare, "south", (0.0, 1.0), index), sensor(bare, index)) == []


@pytest.mark.parametrize(("dni_w_m2", "told"), [(0.0, False), (100.0, False), (300.0, True)])
def test_without_measured_sunshine_nothing_can_cast_a_shadow(
    roof: Callable[..., Roof], dni_w_m2: float, told: bool
) -> None:
    r = roof(units=6)
    day = daylight(r.site, r.grid, None)
    beam = np.full(len(day.sun.cos_zenith), dni_w_m2)
    sky = Irradiance(day.clear.dhi + beam * day.sun.cos_zenith, beam, day.clear.dhi)
    agreed = r.energy_wh[:1, day.positions]
    assert PlaneEnergies(day, family(day), agreed, sky).told.any() == told


def test_dim_modules_are_no_hill_either(roof: Callable[..., Roof]) -> None:
    r = roof(units=8, index=1.0)
    r.energy_wh *= 0.7
    assert [f.cause for f in faults(r, sensor(r, 1.0))] == ["site_low"]
