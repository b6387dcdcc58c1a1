"""A sunny roof for the tests of what is the matter with readings: eight units on one plane, no physics."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from service.quality.model import Arrived, Finding
from service.store.grids import FloatArray

INTERVAL_MIN = 15
PER_DAY = 1440 // INTERVAL_MIN
START_S = 1_780_272_000
"""Midnight of UTC, 1 June 2026."""

RATED_W = 350.0
NOON = PER_DAY // 2

Place = int | slice


def roof(
    *, units: int = 8, days: int = 7, step_wh: float = 0.1, silent_at_night: bool = False, seed: int = 1
) -> Arrived:
    """Return readings of days with light from 6 to 18 h, clouds that all units share, noise, one per cent missing."""
    rng = np.random.default_rng(seed)
    count = days * PER_DAY
    hours = np.arange(count) * INTERVAL_MIN / 60 % 24
    height = np.sin((hours - 6) / 12 * np.pi)
    clouds = 0.7 + 0.3 * np.sin(np.arange(count) / 5 + rng.uniform(0, 6)) * rng.uniform(0.3, 1, count)
    levels = rng.uniform(0.94, 1.0, (units, 1))
    power = (
        0.8
        * RATED_W
        * np.clip(height, 0, None)
        * clouds
        * levels
        * (1 + 0.01 * rng.standard_normal((units, count)))
    )
    energy = np.rint(power * INTERVAL_MIN / 60 / step_wh) * step_wh
    energy[rng.random(energy.shape) < 0.01] = np.nan
    elevation = 60 * height
    if silent_at_night:
        energy[:, elevation < 0] = np.nan
    return Arrived(
        serials=tuple(f"77{n:04d}" for n in range(units)),
        start_s=START_S,
        interval_min=INTERVAL_MIN,
        energy_wh=energy,
        fitted=np.ones(energy.shape, dtype=bool),
        rated_wh=np.full(units, RATED_W * INTERVAL_MIN / 60),
        plane=np.zeros(units, dtype=np.int64),
        elevation_deg=elevation,
        day=(START_S // 86_400 + np.arange(count) // PER_DAY).astype(np.int64),
    )


def at(day: int, hour: float) -> int:
    """Return the interval that begins then."""
    return day * PER_DAY + round(hour * 60 / INTERVAL_MIN)


def changed(arrived: Arrived, *changes: tuple[tuple[Place, Place], FloatArray | float]) -> Arrived:
    """Return the readings with some values put in, each at its place."""
    energy = arrived.energy_wh.copy()
    for place, values in changes:
        energy[place] = values
    return replace(arrived, energy_wh=energy)


def kinds(findings: list[Finding] | tuple[Finding, ...]) -> list[str]:
    """Return the findings' kinds."""
    return [finding.kind for finding in findings]
