"""The window's minutes and the weather in them, as it truly was, whatever the clock of the readings says."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
from numpy.random import Generator
from numpy.typing import NDArray

from tests.bench.fleet.plan import DAYS, Plan
from tests.fleet.clouds import behind_clouds
from tests.fleet.roof import Air
from tests.fleet.simulate import FIRST_DAY, PLACES, minutes_from, noon_shift, temperature
from tests.fleet.skies import DAY_MIN, SKIES, measured_days_in_order
from tests.fleet.sun import Array, Place, clear_sky, sun

LOWEST_NOON_DEG = 15
LOWEST_SUN_DEG = 10
"""Half an hour is looked at only with the sun above this."""

SUNSHINE_W_M2 = 120
"""Direct sun by the World Meteorological Organization's definition of sunshine duration (WMO-No. 8)."""

Minutes = NDArray[np.int64]


def draw_place(rng: Generator) -> Place:
    """Return a place near one of the fleet's towns."""
    town = PLACES[rng.integers(len(PLACES))]
    away = rng.uniform(-0.4, 0.4, 2)
    return replace(town, latitude=town.latitude + away[0], longitude=town.longitude + away[1])


def draw_day(rng: Generator, place: Place) -> date:
    """Return a first day with sun enough to judge by."""
    while True:
        start = FIRST_DAY + timedelta(days=int(rng.integers(365)))
        if sun(place, minutes_from(start, place, 1))[0].max() >= LOWEST_NOON_DEG:
            return start


def air(rng: Generator, plan: Plan, place: Place, start: date, late_min: Minutes) -> Air:
    """Return the weather of minutes that the readings' clock labels `late_min` (N,) too late."""
    days = DAYS[plan.window]
    labels = minutes_from(start, place, days)
    true = labels - pd.to_timedelta(late_min, unit="min")
    elevation, azimuth = sun(place, true)
    turbidity, water = rng.uniform(0.8, 1.2), rng.uniform(0.8, 3.0)
    dni, dhi = clear_sky(place, true, elevation, turbidity_factor=turbidity, water_cm=water)
    beam, diffuse = _shares(rng, plan.sky, days + 2)
    at = DAY_MIN + np.arange(len(labels)) - late_min - noon_shift(place, labels)
    dni, dhi = behind_clouds(
        dni, dhi, beam=beam[at], diffuse=diffuse[at], elevation_deg=elevation, minutes=true
    )
    temp, wind = temperature(rng, place, start, true)
    return Air(true, elevation, azimuth, dni, dhi, temp, wind)


def _shares(rng: Generator, sky: str, days: int) -> tuple[Array, Array]:
    if sky == "measured":
        ordered = measured_days_in_order()
        first = int(rng.integers(len(ordered) - days + 1))
        drawn = ordered[first : first + days]
    else:
        kinds = [str(rng.choice(list(SKIES))) if sky == "mixed" else sky for _ in range(days)]
        drawn = [SKIES[kind](rng, DAY_MIN) for kind in kinds]
    beam, diffuse = (np.concatenate(parts) for parts in zip(*drawn, strict=True))
    return beam, diffuse


def window_part(rng: Generator, plan: Plan, whole: Air) -> slice:
    """Return the window's minutes within its days: all, or half an hour on the quarter with the sun well up."""
    if plan.window != "30min":
        return slice(0, len(whole.minutes))
    starts = np.arange(0, DAY_MIN - 30, 15)
    up = [s for s in starts if whole.elevation_deg[s : s + 30].min() > LOWEST_SUN_DEG]
    start = int(rng.choice(up))
    return slice(start, start + 30)


def sunny(whole: Air) -> NDArray[np.bool_]:
    """Return the minutes of direct sun, (N,)."""
    return np.asarray((whole.dni > SUNSHINE_W_M2) & (whole.elevation_deg > 5))
