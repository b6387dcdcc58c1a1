"""The second fleet's own physics, against values from outside the project."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest
from pvlib import atmosphere, clearsky, iam, irradiance, solarposition

from tests.bench.stranger import case, site
from tests.bench.stranger.air import Air, Sky, bird
from tests.bench.stranger.house import draw_house
from tests.bench.stranger.plan import CAUSES, WINDOWS, plan
from tests.bench.stranger.plant import DIODE, best_point, efficiency, inverter, plane_light, power
from tests.bench.stranger.roof import Box, Facing, Hill, Spot, shade, sky_seen
from tests.bench.stranger.sun import Floats, Sun, sun

ALMANAC_DEG = 0.015
"""The formulae are good to 0.01 degrees (Astronomical Almanac), refraction aside."""


def _flat(values: Floats) -> Floats:
    return np.ones_like(values)


def test_sun_stands_where_the_published_example_has_it() -> None:
    # NREL/TP-560-34302 (Reda & Andreas), table A5.1: zenith 50.11162, azimuth 194.34024 degrees
    moment = datetime(2003, 10, 17, 19, 30, 30, tzinfo=UTC).timestamp() / 60
    at = sun(np.array([moment]), 39.742476, -105.1786)
    assert 90 - at.elevation_deg[0] == pytest.approx(50.11162, abs=ALMANAC_DEG)
    assert at.azimuth_deg[0] == pytest.approx(194.34024, abs=ALMANAC_DEG)


@pytest.mark.parametrize(("latitude", "longitude"), [(52, 10), (-33, 151), (-1, 36), (59, -110)])
def test_sun_goes_as_the_full_theory_has_it(latitude: float, longitude: float) -> None:
    times = pd.date_range("2025-01-01", periods=1500, freq="5h50min", tz="UTC")
    at = sun(np.array([t.timestamp() / 60 for t in times]), latitude, longitude)
    full = solarposition.get_solarposition(times, latitude, longitude)  # pvlib's own NREL SPA
    up = (full.elevation > 0).to_numpy()
    turn = (at.azimuth_deg - full.azimuth + 180) % 360 - 180
    assert np.abs(at.elevation_deg - full.apparent_elevation)[up].max() < ALMANAC_DEG
    assert np.abs(turn * np.cos(np.radians(full.elevation)))[up].max() < ALMANAC_DEG


def test_clear_sky_is_birds() -> None:
    times = pd.date_range("2025-03-20 05:00", periods=40, freq="17min", tz="UTC")
    at = sun(np.array([t.timestamp() / 60 for t in times]), 40.0, 0.0)
    zenith = 90 - at.elevation_deg
    beam, diffuse = bird(at, Air(101_325, water_cm=1.5, aerosol_500=0.1, albedo=0.2))
    mass = atmosphere.get_relative_airmass(zenith, "kasten1966")
    # pvlib's Bird, which its tests hold against Bird's own spreadsheet
    other = clearsky.bird(zenith, mass, 0.135, 0.1, 1.5, dni_extra=at.extra_w_m2)
    high = at.elevation_deg > 5
    assert beam[high] == pytest.approx(other["dni"][high], abs=1.5)
    assert diffuse[high] == pytest.approx(other["dhi"][high], abs=1.5)
    measured = (
        1098 * 0.766 * np.exp(-0.059 / 0.766)
    )  # Haurwitz 1945: clear days at Blue Hill, sun at 50 degrees
    assert (beam * at.towards[2] + diffuse).max() == pytest.approx(measured, rel=0.05)


def test_plane_light_is_hay_and_davies() -> None:
    towards = np.array([[0.3], [-0.5], [np.sqrt(1 - 0.34)]])
    none = np.zeros(1)
    sky = Sky(Sun(towards, np.ones(1)), none + 700, none + 1, none + 120, none, none, 5, 0, albedo=0.0)
    light = plane_light(sky, Facing(30, 160), sky.dni)
    zenith, azimuth = 90 - sky.sun.elevation_deg, sky.sun.azimuth_deg
    other = irradiance.haydavies(30, 160, 120, 700, 1361.0, zenith, azimuth, return_components=True)
    incidence = irradiance.aoi(30, 160, zenith, azimuth)
    glass = iam.martin_ruiz(incidence, a_r=0.16)
    behind = (700 * np.cos(np.radians(incidence)) + other["poa_circumsolar"]) * glass
    assert light.beam == pytest.approx(behind, rel=1e-6)
    assert light.sky / 0.95 == pytest.approx(other["poa_isotropic"], rel=1e-6)


def test_bypassed_substrings_leave_their_share() -> None:
    full, dead = np.full(1, 1000.0), np.zeros(1)
    for lost, bounds in {0: (1, 1), 1: (0.64, 0.667), 2: (0.29, 0.334)}.items():
        # one substring of three lost leaves 0.653 to 0.667 and two 0.307 to 0.333 of a module (single-diode
        # calculation at 0.3 to 0.5 V a diode), widened to this engine's one voltage
        power, used = best_point(np.stack([full] * (3 - lost) + [dead] * lost), _flat, 1)
        assert bounds[0] <= power[0] <= bounds[1]
        assert used[0] == 3 - lost


def test_weak_substring_is_bypassed_only_where_that_gains() -> None:
    strings = np.array([[1000.0, 1000], [1000, 1000], [900, 300]])
    power, used = best_point(strings, _flat, 1)
    assert list(used) == [3, 2]
    assert power == pytest.approx([0.9, (2 - DIODE) / 3])


def test_module_and_inverter_at_their_ratings() -> None:
    assert efficiency(np.full(1, 1000.0), np.full(1, 25.0), -0.0035, 0.4)[0] == pytest.approx(1)
    hot = efficiency(np.full(1, 1000.0), np.full(1, 65.0), -0.0035, 0.4)[0]
    assert hot == pytest.approx(1 - 0.0035 * 40, abs=0.01)
    assert 0.94 < efficiency(np.full(1, 200.0), np.full(1, 25.0), -0.0035, 0.4)[0] < 0.99
    power = inverter(np.array([0.0, 100, 350 / 0.965, 500]), 350, 0.965)
    assert list(power[[0, 2, 3]]) == pytest.approx([0, 350, 350])
    assert 0.95 < power[1] / 100 < 0.975


def test_box_shades_what_lies_behind_it() -> None:
    # by hand: a wall 2 m high and 1 m off hides the sun below atan(2) = 63.4 degrees
    wall = Box((0.0, -1.05, 6.0), (5, 0.05, 1.0), 0)
    for elevation, lit in {60.0: 0.0, 66.0: 1.0}.items():
        up = np.radians(elevation)
        towards = np.array([[0.0], [-np.cos(up)], [np.sin(up)]])
        got = wall.lets(np.array([[0.0, 0.0, 5.0]]), towards)
        assert got[0, 0] == lit


def test_hill_takes_its_share_of_the_sky() -> None:
    # a level plane under a skyline of h all round sees cos(h)^2 of an even sky (Duffie & Beckman)
    seen = sky_seen(Spot(0, 0, 0), Facing(0, 180), [Hill(0, 30, 1e6)])
    assert seen == pytest.approx(np.cos(np.radians(30)) ** 2, abs=0.02)


def test_pole_darkens_one_substring_of_an_upright_module() -> None:
    facing = Facing(30, 180, (0, 0, 5))
    foot = facing.point(-0.37, -1.6)
    pole = Box((float(foot[0]), float(foot[1]), float(foot[2])), (0.05, 0.05, 3), 0)
    up = np.radians(35)
    lets = shade(Spot(0, 0, 0), facing, [pole], np.array([[0.0], [-np.cos(up)], [np.sin(up)]]))
    assert lets.shape == (3, 1)
    assert (lets < 1).sum() <= 1


def test_cells_follow_the_light_whether_or_not_anything_stands_in_it() -> None:
    rng = np.random.default_rng(0)
    drawn = plan(40_030, "1d")
    sky = case._sky(rng, drawn, 0)
    house = draw_house(rng, drawn, sky, np.full(drawn.minutes, 240.0))
    far_off = [Hill(0, 0.001, 1)]
    clear, open_to_all = (power(replace(house.build, things=t), sky)[0] for t in ([], far_off))
    assert clear == pytest.approx(open_to_all, rel=1e-9)


@pytest.mark.parametrize("cause", CAUSES)
def test_each_cause_strikes_somebody(cause: str) -> None:
    shown = 0.0
    for seed in range(40_000, 40_012):
        for fault in (f for f in site(seed, "1d", cause).faults if f.cause == cause):
            shown = max(shown, *fault.share.values(), 0)
    assert shown >= 0.025


@pytest.mark.parametrize("window", WINDOWS)
def test_a_seed_makes_the_same_site_again(window: str) -> None:
    one, two = site(40_020, window), site(40_020, window)  # type: ignore[arg-type]
    assert one.site == two.site
    assert np.array_equal(one.readings.energy_wh, two.readings.energy_wh, equal_nan=True)


def test_readings_are_of_their_own_hour_where_local_time_is_half_an_hour_off() -> None:
    sent = site(65, "7d")
    assert sent.plan.timezone == "Australia/Adelaide"
    assert sent.plan.interval_min == 60
    minutes = pd.date_range(sent.readings.start, periods=sent.plan.minutes, freq="1min")
    sun_deg = solarposition.get_solarposition(minutes, sent.plan.latitude, sent.plan.longitude).elevation
    up = (sun_deg.to_numpy() > 5).reshape(-1, 60).mean(axis=1)
    energy = np.nansum(sent.readings.energy_wh, axis=0)
    assert (energy[up > 0] > 0).all()
    assert energy[up == 0].max() < 0.02 * energy.max()


def test_seeds_cover_the_world() -> None:
    drawn = [plan(seed, "1d") for seed in range(40_100, 40_300)]
    assert min(p.latitude for p in drawn) < -20 < 50 < max(p.latitude for p in drawn)
    assert len({p.timezone for p in drawn}) > 10
    assert len({p.start.month for p in drawn}) == 12
    assert min(p.units for p in drawn) <= 5
    assert max(p.units for p in drawn) > 24
    assert 0.4 < np.mean([len(p.causes) < 2 for p in drawn]) < 0.65
