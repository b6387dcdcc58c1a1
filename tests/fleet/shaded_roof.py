"""One roof with one known object before one of its units, over any days: to hold outlines and yearly losses against.

From the fleet's own sun, sky and modules by the minute, as everything here.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import date, timedelta

import numpy as np

from service.expect.site import InverterType, ModuleType, Plane, Site, Unit
from service.verify.inputs import Readings
from tests.fleet.clouds import behind_clouds
from tests.fleet.plant import Inverter, Module, energy_wh
from tests.fleet.roof import Air, Roof
from tests.fleet.shade import Outline, far, near
from tests.fleet.simulate import minutes_from, temperature
from tests.fleet.skies import DAY_MIN, Shares
from tests.fleet.sun import Array, Place, clear_sky, sun

LEIPZIG = Place("Leipzig", 51.34, 12.37, 115, "Europe/Berlin")
PERTH = Place("Perth", -31.95, 115.86, 20, "Australia/Perth")
UNITS = 6
SHADED = 2
FIXED_LOSSES_LEAVE = 0.951
"""What dirt, ageing and contacts leave: the PVWatts v5 defaults that the record assumes (NREL/TP-6A20-62641)."""

NOCT_C = 53.0
"""Cells close to a roof; common practice, no source."""

SPREAD_DEG = 1.0
"""How differently the shaded module's substrings see the object."""


def box(azimuth_deg: float, half_deg: float, top_deg: float, lets_through: float = 0.0) -> Outline:
    """Return an upright box: a chimney, or with some light let through a hedge."""
    around = (azimuth_deg + np.array([-half_deg - 0.1, -half_deg, half_deg, half_deg + 0.1])) % 360
    order = np.argsort(around)
    return Outline(around[order], np.array([0, top_deg, top_deg, 0])[order], lets_through)


@dataclass(frozen=True)
class ShadedRoof:
    """A record, its roof by the minute, and the share of DC power that the object leaves of the shaded unit, (N,)."""

    site: Site
    roof: Roof
    left: Array

    @property
    def unit(self) -> Unit:
        """Return the shaded unit."""
        return self.site.units[SHADED]

    def readings(self, seed: int = 1) -> Readings:
        """Return what the units send, with a per cent of noise."""
        self.roof.dc_share[SHADED] = self.left
        return self._sent(seed)

    def readings_behind(self, outline: Outline, seed: int = 1) -> Readings:
        """Return what the units send where another, far object stands before them all."""
        air, light = self.roof.air, self.roof.light(self.roof.facings[SHADED])
        self.roof.dc_share[:] = far(outline, light, air.azimuth_deg, air.elevation_deg)
        return self._sent(seed)

    def _sent(self, seed: int) -> Readings:
        rng = np.random.default_rng(seed)
        energy = self.roof.energies() * rng.normal(1, 0.01, self.roof.heard.shape)
        return Readings(self.roof.air.minutes[0].to_pydatetime(), self.roof.interval_min, energy)

    def shaded_kwh(self) -> tuple[Array, Array]:
        """Return what the unit makes without the object, and what the object takes of it, kWh by day."""
        self.roof.dc_share[SHADED] = 1.0
        whole = energy_wh(self.roof.ac_w(SHADED), DAY_MIN) / 1000
        self.roof.dc_share[SHADED] = self.left
        return whole, whole - energy_wh(self.roof.ac_w(SHADED), DAY_MIN) / 1000


def shaded_roof(
    outline: Outline,
    *,
    place: Place = LEIPZIG,
    tilt_deg: float = 30.0,
    azimuth_deg: float = 180.0,
    start: date = date(2026, 3, 15),
    days: int = 7,
    every: int = 1,
    shares: list[Shares] | None = None,
    interval_min: int = 5,
) -> ShadedRoof:
    """Return the roof over `days` whole local days, one in `every`; `shares` are their skies in turn, else clear."""
    air = _air(place, [start + timedelta(days=every * k) for k in range(days)], shares)
    module, inverter = Module(400.0, -0.0035, 0.01, nameplate=FIXED_LOSSES_LEAVE), Inverter(370.0)
    roof = Roof(
        place,
        air,
        interval_min,
        0.2,
        NOCT_C,
        6.0,
        [(tilt_deg, azimuth_deg)] * UNITS,
        [module] * UNITS,
        [inverter] * UNITS,
        ["A"] * UNITS,
    )
    light = roof.light((tilt_deg, azimuth_deg))
    left = near(outline, light, air.azimuth_deg, air.elevation_deg, spread_deg=SPREAD_DEG)
    return ShadedRoof(_site(place, tilt_deg, azimuth_deg, inverter), roof, left)


def _air(place: Place, days: list[date], shares: list[Shares] | None) -> Air:
    """Return the air of each day with its season's turbidity and temperature, one after another."""
    parts = [
        _day_of_air(place, day, shares[n % len(shares)] if shares else None) for n, day in enumerate(days)
    ]
    minutes = parts[0].minutes.append([part.minutes for part in parts[1:]])
    names = [f.name for f in fields(Air) if f.name != "minutes"]
    return Air(minutes, *(np.concatenate([getattr(part, name) for part in parts]) for name in names))


def _day_of_air(place: Place, day: date, shares: Shares | None) -> Air:
    minutes = minutes_from(day, place, 1)
    elevation, azimuth = sun(place, minutes)
    dni, dhi = clear_sky(place, minutes, elevation, turbidity_factor=1.0, water_cm=1.5)
    if shares:
        beam, diffuse = shares
        dni, dhi = behind_clouds(
            dni, dhi, beam=beam, diffuse=diffuse, elevation_deg=elevation, minutes=minutes
        )
    temp, wind = temperature(np.random.default_rng(day.toordinal()), place, day, minutes)
    return Air(minutes, elevation, azimuth, dni, dhi, temp, wind)


def _site(place: Place, tilt_deg: float, azimuth_deg: float, inverter: Inverter) -> Site:
    return Site(
        name=f"{place.name} 3",
        latitude=place.latitude,
        longitude=place.longitude,
        timezone=place.timezone,
        elevation_m=place.elevation_m,
        planes=(Plane("front", tilt_deg, azimuth_deg),),
        module_types=(ModuleType("module", 400.0),),
        inverter_types=(InverterType("inverter", inverter.ac_rated_w, inverter.efficiency),),
        units=tuple(
            Unit(f"51{i:04d}", "front", "module", "inverter", row=1, column=i + 1) for i in range(UNITS)
        ),
    )
