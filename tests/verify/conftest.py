"""An invented roof with known faults, for tests of the judgement.

The readings come from the project's own physics on purpose: here only the judgement is tested. That it holds
against another engine is what `tests/fleet` shows.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

import numpy as np
import pytest

from service.expect.grid import Grid
from service.expect.site import InverterType, ModuleType, Plane, Site, Unit
from service.expect.sky import cloudy_sky
from service.verify.case import expectation
from service.verify.day import daylight
from service.verify.inputs import Readings
from service.verify.run import verify

SPREAD, NOISE = 0.008, 0.01


@dataclass
class Roof:
    """A site and its energies (U, T), to be spoilt by a test."""

    site: Site
    grid: Grid
    energy_wh: np.ndarray
    strangers: dict[str, np.ndarray] = field(default_factory=dict)

    def readings(self) -> Readings:
        return Readings(self.grid.start, self.grid.interval_min, self.energy_wh, strangers=self.strangers)

    def interval(self, hour_utc: float, day: int = 0) -> int:
        return round((day * 24 + hour_utc) * 60 / self.grid.interval_min)


def build(  # one argument a property of the roof
    units: int = 12,
    planes: int = 1,
    days: int = 1,
    interval_min: int = 5,
    ac_rated_w: float = 350.0,
    index: float | None = None,
    start: datetime = datetime(2026, 5, 4, tzinfo=UTC),
    seed: int = 1,
) -> Roof:
    names = ("south", "west")[:planes]
    site = Site(
        name="Quarry Row 2",
        latitude=53.8,
        longitude=-1.55,
        elevation_m=60,
        timezone="Europe/London",
        planes=(Plane("south", 35, 170), Plane("west", 25, 260))[:planes],
        module_types=(ModuleType("module", 400.0),),
        inverter_types=(InverterType("inverter", ac_rated_w, 0.965),),
        units=tuple(
            Unit(f"70{i:04d}", names[i % planes], "module", "inverter", row=1 + i // 6, column=1 + i % 6)
            for i in range(units)
        ),
    )
    grid = Grid(start, interval_min, days * 24 * 60 // interval_min)
    rng = np.random.default_rng(seed)
    expected = _clouded(site, grid, index)
    spread = 1 + SPREAD * rng.standard_normal((units, 1))
    noise = 1 + NOISE * rng.standard_normal(expected.shape)
    return Roof(site, grid, np.minimum(expected * spread, ac_rated_w * interval_min / 60) * noise)


def _clouded(site: Site, grid: Grid, index: float | None) -> np.ndarray:
    """Return energies (U, T) under a constant clear-sky index, or under slow waves of it."""
    day = daylight(site, grid, None)
    waves = 0.7 + 0.3 * np.sin(day.positions / 17) if index is None else np.full(len(day.positions), index)
    sky = cloudy_sky(day.sun, day.clear, index=day.on_steps(waves))
    energy = np.zeros((len(site.units), grid.count))
    energy[:, day.positions] = expectation(day, sky).energy_wh
    return energy


def counted_on(energy_wh: np.ndarray) -> np.ndarray:
    """Return what registers of whole Wh show that began anywhere and count on, (U, T)."""
    begun = np.random.default_rng(0).uniform(0, 1, (len(energy_wh), 1))
    shown: np.ndarray = np.diff(np.floor(begun + np.cumsum(energy_wh, axis=1)), axis=1, prepend=0.0)
    return shown


def in_air(r: Roof, turbidity: float) -> Roof:
    """Give the roof clear days in air of another haze than the usual one of its place and month."""
    day = daylight(replace(r.site, turbidity=turbidity), r.grid, None)
    rng = np.random.default_rng(2)
    due = expectation(day, day.clear).energy_wh
    noisy = due * (1 + NOISE * rng.standard_normal(due.shape))
    r.energy_wh[:, day.positions] = noisy * (1 + SPREAD * rng.standard_normal((len(due), 1)))
    return r


@pytest.fixture
def roof() -> Callable[..., Roof]:
    return build


@pytest.fixture
def changed() -> Callable[..., Roof]:
    def change(roof: Roof, **parts: object) -> Roof:
        return replace(roof, **parts)

    return change


def causes(roof: Roof) -> dict[str, str]:
    """Return by serial what is said of the units."""
    faults = (f for f in verify(roof.site, roof.readings()).findings if f.is_fault)
    return {serial: finding.cause for finding in faults for serial in finding.serials}
