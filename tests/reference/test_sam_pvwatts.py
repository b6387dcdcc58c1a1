"""Our chain against another program's: SAM's PVWatts (version 8, through NREL-PySAM), on the same weather.

A synthetic year of clear, broken and overcast days at 15 minutes, in three climates of both hemispheres and on six
planes. What is compared, and why it cannot agree wholly:

- Sun. SAM takes a record's irradiance as instantaneous at the record's minute, which it cuts to a whole one, so each
  record is stamped with its interval's middle and the intervals begin 30 s before the quarter hour. We hold the
  clear-sky index over the interval and compute in five-minute steps. At 30 minutes the two ways of sampling alone
  part the daily energy by up to 1.1 %, at 60 minutes by 1.3 %.
- Sky. Both use Perez et al. 1990. Beyond a zenith of 87.5 degrees SAM takes the diffuse light as isotropic, and at
  the edges of Perez's clearness bins the smallest difference in zenith moves a step by up to 16 W/m2. Records with
  the sun lower than 87.5 degrees are left out on both sides; they hold less than 0.2 % of the year's energy.
- Cover and spectrum. SAM has coated glass, takes the circumsolar light as coming from the whole sky, lets all light
  through with the sun behind the plane, and applies De Soto's air-mass polynomial, which we do not: on winter days
  at 60 N that polynomial alone moves a day by more than 5 %. For the daily comparison SAM's own factor for both,
  from its outputs, is applied on our side ("losses matched"); for the yearly one nothing is matched.
- Cell temperature. SAM: the NOCT model of Fuentes 1987 with 49 degC (roof). We: SAPM, open rack, the nearest of our
  sets, 3 to 4 K warmer in full sun.
- Low light. SAM has no such loss; ours is set to 0, as are all fixed losses.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any

import numpy as np
import pytest

from service.expect.energy import expected_energy
from service.expect.grid import FloatArray, Grid, floats
from service.expect.module import dc_power
from service.expect.plane import on_plane
from service.expect.site import InverterType, Losses, ModuleType, Plane, Site, Unit
from service.expect.sky import Irradiance, clear_sky, cloudy_sky
from service.expect.sun import Sun, sun_for
from service.expect.temperature import cell_temperature
from service.expect.weather import Weather, sky_from_weather

try:
    from PySAM import Pvwattsv8  # type: ignore[import-untyped]
except ImportError:
    if os.environ.get("CI") == "true":
        raise
    pytest.skip("NREL-PySAM is not installed: pip install 'yieldproof[test]'", allow_module_level=True)

INTERVAL_MIN = 15
PER_DAY = 1440 // INTERVAL_MIN
DAYS = 365
LOWEST_SUN_DEG = 87.5
"""Zenith beyond which SAM leaves Perez's model."""

BRIGHT_DAY_KWH_M2 = 1.0
POA_WITHIN = 0.005
DC_WITHIN = 0.03
YEAR_LOWER_BY = 0.05

PLANES = (
    Plane("south", 35, 180, mounting="open_rack"),
    Plane("north", 35, 0, mounting="open_rack"),
    Plane("east", 20, 90, mounting="open_rack"),
    Plane("steep west", 70, 300, mounting="open_rack"),
    Plane("flat", 0, 180, mounting="open_rack"),
    Plane("south-west", 50, 225, mounting="open_rack"),
)


@dataclass(frozen=True)
class Climate:
    """A place, with the whole hours of its standard time and a coarse course of air temperature."""

    latitude: float
    longitude: float
    elevation_m: float
    hours_ahead: int
    mean_c: float
    season_c: float


CLIMATES = {
    "cool north": Climate(59.9, 10.75, 20, 1, 6, 11),
    "hot desert": Climate(33.45, -112.07, 340, -7, 24, 11),
    "mild south": Climate(-33.87, 151.2, 40, 10, 18, -6),
}


@dataclass(frozen=True)
class Year:
    """A year's weather at one place, our grid over it, and which records have the sun high enough."""

    climate: Climate
    site: Site
    grid: Grid
    weather: Weather
    high: Any


@cache
def _year(name: str) -> Year:
    climate = CLIMATES[name]
    site = _site(climate)
    start = datetime(2023, 1, 1, tzinfo=UTC) - timedelta(hours=climate.hours_ahead, seconds=30)
    fine = Grid(start, 5, DAYS * 288)
    sun = _sun(fine, climate)
    sky = cloudy_sky(sun, clear_sky(sun, fine, site=site), index=_clouds(seed=len(name)))
    ghi, dni, dhi = (
        (part * sun.up_share).reshape(-1, INTERVAL_MIN // 5).mean(axis=1)
        for part in (sky.ghi, sky.dni, sky.dhi)
    )
    grid = Grid(start, INTERVAL_MIN, DAYS * PER_DAY)
    hours = np.arange(grid.count) * INTERVAL_MIN / 60
    season = climate.season_c * np.cos(2 * np.pi * (hours / 24 - 200) / 365)
    air = climate.mean_c + season + 5 * np.cos(2 * np.pi * (hours - 15) / 24)
    weather = Weather(start, INTERVAL_MIN, ghi, dni, dhi, air, 2 + np.sin(hours / 9) ** 2)
    middle_zenith = _sun(grid, climate).apparent_zenith_deg[1::3]
    return Year(climate, site, grid, weather, middle_zenith < LOWEST_SUN_DEG)


def _clouds(*, seed: int) -> FloatArray:
    """Return a clear-sky index for each five minutes: a third of the days clear, broken and overcast."""
    rng = np.random.default_rng(seed)
    kind = rng.choice([1.0, 0.75, 0.3], size=DAYS).repeat(24)
    wandering = np.where(kind < 1, rng.normal(0, 0.2, kind.size), 0.0)
    return floats(np.clip(kind + wandering, 0.08, 1.1).repeat(12))


def _site(climate: Climate) -> Site:
    return Site(
        name="a",
        latitude=climate.latitude,
        longitude=climate.longitude,
        timezone="UTC",
        planes=PLANES,
        module_types=(ModuleType("m", pmax_w=1000, gamma_pmax_per_c=-0.0037, low_light_k=0),),
        inverter_types=(InverterType("i", ac_rated_w=2000),),
        units=tuple(Unit(plane.name, plane.name, "m", "i") for plane in PLANES),
        elevation_m=climate.elevation_m,
        losses=Losses(0, 0, 0, 0),
    )


def _sun(grid: Grid, climate: Climate) -> Sun:
    return sun_for(
        grid, latitude=climate.latitude, longitude=climate.longitude, elevation_m=climate.elevation_m
    )


@cache
def _sam(name: str, plane: Plane) -> dict[str, FloatArray]:
    """Return SAM's plane irradiance, powers and cell temperature by record: 1 kW, roof, no fixed losses."""
    year = _year(name)
    model = Pvwattsv8.new()
    model.SolarResource.assign(
        {"solar_resource_data": _records(year), "albedo": [plane.albedo], "use_wf_albedo": 0}
    )
    design = {"system_capacity": 1, "dc_ac_ratio": 0.5, "inv_eff": 96, "losses": 0, "gcr": 0.01}
    kind = {"array_type": 1, "module_type": 0}
    model.SystemDesign.assign({**design, **kind, "tilt": plane.tilt_deg, "azimuth": plane.azimuth_deg})
    model.execute(0)
    return {out: np.array(getattr(model.Outputs, out)) for out in ("poa", "dc", "ac", "tcell")}


def _records(year: Year) -> dict[str, Any]:
    weather, climate = year.weather, year.climate
    middle = timedelta(hours=climate.hours_ahead, minutes=INTERVAL_MIN / 2)
    local = [start + middle for start in year.grid.starts().to_pydatetime()]
    clock = {part: [getattr(t, part) for t in local] for part in ("year", "month", "day", "hour", "minute")}
    place = {"lat": climate.latitude, "lon": climate.longitude, "tz": climate.hours_ahead}
    light = {"gh": weather.ghi_w_m2, "dn": weather.dni_w_m2, "df": weather.dhi_w_m2}
    series = {**light, "tdry": weather.air_temp_c, "wspd": weather.wind_m_s}
    listed = {key: np.asarray(values).tolist() for key, values in series.items()}
    return {**place, "elev": climate.elevation_m, **clock, **listed}


def _daily_kwh(power_w: FloatArray, year: Year) -> FloatArray:
    """Return daily energies, kWh, from powers by record, W, with the sun high enough."""
    return np.asarray(
        np.where(year.high, power_w, 0).reshape(DAYS, PER_DAY).sum(axis=1) * INTERVAL_MIN / 60e3
    )


@cache
def _our_sky(name: str) -> tuple[Sun, Irradiance]:
    year = _year(name)
    sun = _sun(year.grid, year.climate)
    clear = clear_sky(sun, year.grid, site=year.site)
    return sun, sky_from_weather(year.weather, year.grid, sun, clear, site=year.site)


@cache
def _our_poa(name: str, plane: Plane) -> FloatArray:
    year = _year(name)
    sun, sky = _our_sky(name)
    return year.grid.to_intervals(on_plane(plane, sun, sky).total * sun.up_share, "mean")


CASES = [(name, plane) for name in CLIMATES for plane in PLANES]
CASE_IDS = [f"{name}, {plane.name}" for name, plane in CASES]


@pytest.mark.parametrize(("name", "plane"), CASES, ids=CASE_IDS)
def test_daily_plane_of_array_energy(name: str, plane: Plane) -> None:
    year = _year(name)
    ours, sams = _daily_kwh(_our_poa(name, plane), year), _daily_kwh(_sam(name, plane)["poa"], year)
    bright = sams > BRIGHT_DAY_KWH_M2
    assert bright.sum() > 90
    np.testing.assert_allclose(ours[bright], sams[bright], rtol=POA_WITHIN)


@pytest.mark.parametrize(("name", "plane"), CASES, ids=CASE_IDS)
def test_daily_dc_energy_with_losses_matched(name: str, plane: Plane) -> None:
    year, sam = _year(name), _sam(name, plane)
    module = year.site.module_types[0]
    warmth = 1 + module.gamma_pmax_per_c * (sam["tcell"] - 25)
    cover_and_spectrum = np.divide(
        sam["dc"], sam["poa"] * warmth, out=np.ones_like(warmth), where=sam["poa"] > 0
    )
    poa = _our_poa(name, plane)
    weather = year.weather
    assert weather.air_temp_c is not None
    assert weather.wind_m_s is not None
    cell = cell_temperature(
        poa, air_temp_c=weather.air_temp_c, wind_m_s=weather.wind_m_s, mounting=plane.mounting
    )
    dc = dc_power(poa * cover_and_spectrum, cell, module=module, module_count=1, losses=year.site.losses)
    bright = _daily_kwh(sam["poa"], year) > BRIGHT_DAY_KWH_M2
    np.testing.assert_allclose(
        _daily_kwh(dc, year)[bright], _daily_kwh(sam["dc"], year)[bright], rtol=DC_WITHIN
    )


@pytest.mark.parametrize("name", CLIMATES)
def test_yearly_ac_energy_with_nothing_matched(name: str) -> None:
    """The whole chain as it is used, glass, cell temperature and inverter ours: a real disagreement, left visible.

    We are lower by 1.1 to 1.8 % on planes that see the sun, by up to 5 % on those that see it from the side or not
    at all: our glass is uncoated, and SAM passes all diffuse light with the sun behind the plane.
    """
    year = _year(name)
    ours = expected_energy(year.site, year.grid, year.weather).energy_wh
    assert np.isfinite(ours).all()
    for row, plane in enumerate(PLANES):
        assert -YEAR_LOWER_BY < ours[row].sum() / 1000 / _sam_ac_kwh(name, plane) - 1 < 0, plane.name


def _sam_ac_kwh(name: str, plane: Plane) -> float:
    return float(_sam(name, plane)["ac"].sum() * INTERVAL_MIN / 60e3)
