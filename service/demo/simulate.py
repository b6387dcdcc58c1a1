"""Readings for the demo's roofs: a simulator of its own, so that the demo is more than the service's model replayed.

Differs on purpose from what the service expects: simplified Solis sky with its own haze, Hay-Davies transposition,
Martin-Ruiz reflection, Faiman temperature, the ADR efficiency model, a Sandia inverter, moving clouds by the minute,
and the spread, noise and slips of real units. Not a weather record of any place.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any
from zlib import crc32

import numpy as np
import pandas as pd
from numpy.random import Generator
from numpy.typing import NDArray
from pvlib import atmosphere, clearsky, iam, inverter, irradiance, pvarray, solarposition, temperature
from scipy.ndimage import gaussian_filter1d

from service.demo.scenario import DemoSite, Fault, Roof

Array = NDArray[np.float64]

DAYS = 7
DAY_MIN = 1440
READING_NOISE = UNHEARD = 0.01
SORTED_WITHIN = 0.02
"""Modules are sorted at the factory: none is below its rating, the best lie this far above."""

DIRT = 0.945
"""Soiling, connections, first light: what is left of the modules' rated power."""

COVER = {"clear": 0.0, "fair": 0.18, "broken": 0.5, "grey": 1.0}
"""Share of the sky that each kind of day has under cloud."""

ADR = {"k_a": 1.0, "k_d": -6.0, "tc_d": 0.02, "k_rs": 0.05, "k_rsh": 0.15}
"""Efficiency of a crystalline module over that at test conditions; with these values -0.3 % per degC."""

DC_VOLTAGE = 36.0


@dataclass(frozen=True)
class DemoReadings:
    """What the units of a site sent: a row of energies, Wh as sent, for every serial heard; NaN where missing."""

    start: pd.Timestamp
    interval_min: int
    energy_wh: dict[str, Array]

    def table(self) -> dict[str, Any]:
        """Return the contract's table."""
        rows = {serial: _json_row(row) for serial, row in self.energy_wh.items()}
        return {"interval_min": self.interval_min, "start": self.start.isoformat(), "energy_wh": rows}


@dataclass(frozen=True)
class Sky:
    """The weather of the window by the minute, and where the sun is."""

    minutes: pd.DatetimeIndex
    zenith: Array
    azimuth: Array
    dni: Array
    dhi: Array
    air_c: Array
    wind_m_s: Array


@dataclass
class Plant:
    """The roof by the minute while faults befall it: (U, N) DC power, whether output is on, whether heard."""

    sky: Sky
    beam_share: dict[str, Array]
    dc_by_roof: dict[str, Array]
    dc: Array
    on: NDArray[np.bool_]
    heard: NDArray[np.bool_]
    roofs: list[str]
    spread: Array


def simulate(site: DemoSite, end: date) -> DemoReadings:
    """Return the site's readings of the seven local days before `end`; the same site and date give the same."""
    rng = np.random.default_rng(crc32(site.name.encode()))
    minutes = _minutes(site, end)
    plant = _plant(rng, site, _sky(rng, site, minutes))
    for fault in site.faults:
        FAULTS[fault.cause](plant, fault, rng)
    sent = _sent(rng, site, plant) * site.scale
    begin, stop = _heard_bounds(site, minutes)
    silent = {n for fault in site.faults if fault.cause == "not_reporting" for n in fault.units}
    rows = {serial: sent[n, begin:stop] for n, serial in enumerate(site.serials) if n not in silent}
    start = minutes[begin * site.interval_min].tz_convert(site.timezone)
    return DemoReadings(start, site.interval_min, rows)


def _json_row(row: Array) -> list[float | None]:
    return [None if np.isnan(value) else float(f"{value:.5g}") for value in row]


def _minutes(site: DemoSite, end: date) -> pd.DatetimeIndex:
    first, last = (pd.Timestamp(day, tz=site.timezone) for day in (end - timedelta(DAYS), end))
    return pd.date_range(first, last, freq="1min", inclusive="left").tz_convert("UTC")


def _heard_bounds(site: DemoSite, minutes: pd.DatetimeIndex) -> tuple[int, int]:
    """Return the first and the last interval sent: all, or hours of the last day on a new site."""
    count = len(minutes) // site.interval_min
    if site.heard_from_h is None:
        return 0, count
    per_h = 60 / site.interval_min
    return count - round((24 - site.heard_from_h) * per_h), count - round((24 - site.heard_until_h) * per_h)


# Sky


def _sky(rng: Generator, site: DemoSite, minutes: pd.DatetimeIndex) -> Sky:
    middle = minutes + pd.Timedelta(seconds=30)
    sun = solarposition.get_solarposition(middle, site.latitude, site.longitude, altitude=site.elevation_m)
    zenith = sun["apparent_zenith"].to_numpy(float)
    clear = clearsky.simplified_solis(
        np.maximum(90 - zenith, 0.5),
        aod700=site.haze,
        precipitable_water=1.8,
        pressure=atmosphere.alt2pres(site.elevation_m),
        dni_extra=irradiance.get_extra_radiation(minutes).to_numpy(float),
    )
    beam, diffuse = _clouds(rng, site, len(minutes))
    light = zenith < 90
    dni, dhi = np.where(light, clear["dni"] * beam, 0.0), np.where(light, clear["dhi"] * diffuse, 0.0)
    air_c, wind = _air(rng, site, minutes)
    return Sky(minutes, zenith, sun["azimuth"].to_numpy(float), dni, dhi, air_c, wind)


def _clouds(rng: Generator, site: DemoSite, count: int) -> tuple[Array, Array]:
    """Return beam and diffuse as shares of the cloudless ones, day after day."""
    days = [_cloudy_day(rng, COVER[sky]) for sky in site.skies]
    beam, diffuse = (np.concatenate(parts) for parts in zip(*days, strict=True))
    pad = (0, max(count - len(beam), 0))  # the day on which clocks go back has an hour more
    return np.pad(beam, pad, "edge")[:count], np.pad(diffuse, pad, "edge")[:count]


def _cloudy_day(rng: Generator, cover: float) -> tuple[Array, Array]:
    haze = 1 + 0.015 * _noise(rng, 90)
    if cover >= 1:
        return np.zeros(DAY_MIN), np.exp(0.4 + 0.35 * _noise(rng, 40) + 0.05 * _noise(rng, 2))
    if cover <= 0:
        return np.clip(haze, 0, 1.05), 2 - haze
    field = _noise(rng, 3.5) + 0.7 * _noise(rng, 25)
    opacity = np.clip(3.0 * (field - np.quantile(field, 1 - cover)), 0, 1)
    around = gaussian_filter1d(opacity, 12)
    return haze * (1 - opacity * rng.uniform(0.75, 1.0)), 1 + 1.4 * around + 0.1 * opacity


def _noise(rng: Generator, minutes: float) -> Array:
    """Return smooth noise of unit spread that changes over so many minutes."""
    smooth = gaussian_filter1d(rng.normal(size=DAY_MIN), minutes, mode="wrap")
    return np.asarray(smooth / smooth.std())


def _air(rng: Generator, site: DemoSite, minutes: pd.DatetimeIndex) -> tuple[Array, Array]:
    """Return air temperature, degC, and wind, m/s, of this season and hour."""
    coldest, warmest = site.air_c
    season = np.cos(2 * np.pi * (minutes[0].day_of_year - 202) / 365) * np.sign(site.latitude)
    hour = (minutes.hour + minutes.minute / 60).to_numpy(float) + site.longitude / 15
    mean = (coldest + warmest) / 2 + season * (warmest - coldest) / 2 + rng.normal(0, 1.5)
    gusts = np.repeat(rng.gamma(4, 0.4, len(minutes) // 15 + 1), 15)[: len(minutes)]
    return mean + 5 * np.cos(2 * np.pi * (hour - 15) / 24), gusts


# Roof


def _plant(rng: Generator, site: DemoSite, sky: Sky) -> Plant:
    lit = {roof.name: _on_roof(sky, roof) for roof in site.roofs}
    by_roof = {name: _dc_w(site, sky, beam + diffuse) for name, (beam, diffuse) in lit.items()}
    names = [roof.name for roof, _, _ in site.units()]
    spread = 1 + rng.uniform(0, SORTED_WITHIN, (len(names), 1))
    dc = np.array([by_roof[name] for name in names]) * spread
    return Plant(
        sky=sky,
        beam_share={name: beam / np.maximum(beam + diffuse, 1e-9) for name, (beam, diffuse) in lit.items()},
        dc_by_roof=by_roof,
        dc=dc,
        on=np.ones(dc.shape, dtype=bool),
        heard=np.ones(dc.shape, dtype=bool),
        roofs=names,
        spread=spread,
    )


def _on_roof(sky: Sky, roof: Roof) -> tuple[Array, Array]:
    """Return beam and diffuse light behind the glass, W/m2 (Hay and Davies 1980; Martin and Ruiz 2001)."""
    tilt, azimuth = roof.tilt_deg, roof.azimuth_deg
    incidence = irradiance.aoi(tilt, azimuth, sky.zenith, sky.azimuth)
    extra = irradiance.get_extra_radiation(sky.minutes).to_numpy(float)
    diffuse = irradiance.haydavies(tilt, azimuth, sky.dhi, sky.dni, extra, sky.zenith, sky.azimuth)
    beam = sky.dni * np.maximum(np.cos(np.radians(incidence)), 0) * iam.martin_ruiz(incidence)
    ghi = sky.dni * np.maximum(np.cos(np.radians(sky.zenith)), 0) + sky.dhi
    passes = iam.marion_diffuse("martin_ruiz", tilt)
    ground = irradiance.get_ground_diffuse(tilt, ghi, albedo=0.22)
    return beam, diffuse * passes["sky"] + ground * passes["ground"]


def _dc_w(site: DemoSite, sky: Sky, light: Array) -> Array:
    """Return DC power of one module, W (Faiman 2008; Driesse and Stein 2020)."""
    cell = temperature.faiman(light, sky.air_c, sky.wind_m_s, u0=21.0, u1=5.5) + 2.0 * light / 1000
    efficiency = pvarray.pvefficiency_adr(np.maximum(light, 0.1), cell, **ADR)
    return np.asarray(site.module_w * DIRT * efficiency * light / 1000)


def _sent(rng: Generator, site: DemoSite, plant: Plant) -> Array:
    """Return (U, T) energies, Wh, as the units send them."""
    power = np.where(plant.on, _ac_w(site, plant.dc), 0.0)
    by_interval = (len(site.serials), -1, site.interval_min)
    energy = power.reshape(by_interval).sum(axis=2) / 60
    heard = plant.heard.reshape(by_interval).all(axis=2)
    heard &= rng.random(energy.shape) >= UNHEARD
    energy *= 1 + rng.normal(0, READING_NOISE, energy.shape)
    return np.where(heard, np.maximum(energy, 0), np.nan)


def _ac_w(site: DemoSite, dc: Array) -> Array:
    """Return AC power, W (King et al. 2007, SAND2007-5036)."""
    rated = site.inverter_w
    device = {
        "Paco": rated, "Pdco": rated / 0.964, "Vdco": DC_VOLTAGE, "Pso": 0.006 * rated, "Pnt": 0.0,
        "C0": -3e-5, "C1": 0.0, "C2": 0.0, "C3": 0.0,
    }  # fmt: skip
    return np.asarray(np.maximum(inverter.sandia(DC_VOLTAGE, dc, device), 0))


# Faults


def _begin(fault: Fault) -> int:
    return round(fault.from_day * DAY_MIN)


def _no_fault_of_the_roof(_plant: Plant, _fault: Fault, _rng: Generator) -> None:
    """Leave the roof alone: the unit is silent, or the record has another serial for it."""


def _weaken(plant: Plant, fault: Fault, _rng: Generator) -> None:
    plant.dc[list(fault.units), _begin(fault) :] *= fault.share


def _stop(plant: Plant, fault: Fault, _rng: Generator) -> None:
    end = None if fault.until_day is None else round(fault.until_day * DAY_MIN)
    plant.on[list(fault.units), _begin(fault) : end] = False


def _lose_readings(plant: Plant, fault: Fault, _rng: Generator) -> None:
    """Lose the middle of every day's light, `share` of it."""
    up = plant.sky.zenith < 85
    for start in range(0, len(up), DAY_MIN):
        lit = start + np.flatnonzero(up[start : start + DAY_MIN])
        lost = lit[len(lit) // 3 :][: round(fault.share * len(lit))]
        plant.heard[np.ix_(list(fault.units), lost.tolist())] = False


def _shade(plant: Plant, fault: Fault, _rng: Generator) -> None:
    """Let a chimney on the afternoon side take the beam from one substring."""
    towards_sun = plant.sky.azimuth[np.argmin(plant.sky.zenith)]
    turn = (plant.sky.azimuth - towards_sun + 180) % 360 - 180
    behind = (turn > 35) & (turn < 100) & (plant.sky.zenith > 35)
    for unit in fault.units:
        share = plant.beam_share[plant.roofs[unit]]
        plant.dc[unit] *= np.where(behind, np.maximum(0.655, 1 - share), 1.0)


def _interrupt(plant: Plant, fault: Fault, rng: Generator) -> None:
    """Let a loose plug drop the unit out several times a day, for ten minutes to an hour."""
    up = np.flatnonzero(plant.sky.zenith < 75)
    for unit in fault.units:
        for start in rng.choice(up, 5 * DAYS):
            plant.on[unit, start : start + int(rng.uniform(10, 60))] = False


def _swap(plant: Plant, fault: Fault, _rng: Generator) -> None:
    one, other = fault.units
    plant.dc[[one, other]] = plant.dc[[other, one]]


def _turn(plant: Plant, fault: Fault, _rng: Generator) -> None:
    """Mount the unit on the other plane than the record says."""
    for unit in fault.units:
        other = next(name for name in plant.dc_by_roof if name != plant.roofs[unit])
        plant.dc[unit] = plant.dc_by_roof[other] * plant.spread[unit]


FAULTS: dict[str, Callable[[Plant, Fault, Generator], None]] = {
    "not_reporting": _no_fault_of_the_roof,
    "not_on_record": _no_fault_of_the_roof,
    "substring_out": _weaken,
    "low_output": _weaken,
    "no_output": _stop,
    "branch_out": _stop,
    "data_gap": _lose_readings,
    "shaded": _shade,
    "intermittent": _interrupt,
    "swapped": _swap,
    "wrong_plane": _turn,
}
