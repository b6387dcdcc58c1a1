"""What is drawn first of a site: where, when, how many units, at what interval, and the causes that strike it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np
from numpy.random import Generator

from tests.bench.stranger.air import DAYS

Window = Literal["30min", "1d", "7d"]
WINDOWS: tuple[Window, ...] = ("30min", "1d", "7d")
INTERVALS: dict[Window, tuple[int, ...]] = {
    "30min": (1, 1, 5, 5, 5),
    "1d": (1, 5, 5, 5, 15, 15, 30, 60),
    "7d": (5, 5, 5, 15, 15, 30, 60),
}

UNIT_CAUSES = {
    "not_reporting": 8, "not_on_record": 6, "no_output": 7, "intermittent": 9, "substring_out": 10,
    "low_output": 9, "shaded": 14, "wrong_plane": 7, "swapped": 6, "branch_out": 5, "voltage_trip": 5,
}  # fmt: skip
SITE_CAUSES = {
    "clock_shift": 6, "plane_misdescribed": 6, "curtailed": 4, "site_low": 5, "unit_scale": 3, "data_gap": 5,
}  # fmt: skip
"""Causes and their odds; no source."""

CAUSES = UNIT_CAUSES | SITE_CAUSES
HOW_MANY = (0.22, 0.33, 0.3, 0.15)
"""Odds of no cause, one, two and three."""


PLACES = (
    ("Europe/London", 53.4, -2.2, 70), ("Europe/Madrid", 37.6, -4.9, 300), ("Europe/Berlin", 48.3, 11.2, 520),
    ("Europe/Oslo", 59.6, 10.4, 90), ("Europe/Rome", 43.4, 12.1, 280), ("Europe/Warsaw", 51.6, 19.8, 180),
    ("America/New_York", 42.1, -71.9, 150), ("America/Denver", 39.9, -104.8, 1620),
    ("America/Phoenix", 33.3, -111.7, 360), ("America/Toronto", 44.1, -78.4, 200),
    ("America/Santiago", -33.6, -70.9, 540), ("America/Sao_Paulo", -23.3, -46.9, 760),
    ("Australia/Melbourne", -37.6, 144.7, 90), ("Australia/Brisbane", -27.4, 152.6, 60),
    ("Australia/Adelaide", -34.8, 138.8, 140), ("Pacific/Auckland", -37.1, 174.9, 40),
    ("Africa/Johannesburg", -26.2, 27.8, 1600), ("Asia/Tokyo", 35.2, 137.2, 60),
    ("Asia/Kolkata", 18.7, 73.9, 560), ("Africa/Nairobi", -1.4, 36.9, 1700),
)  # fmt: skip
"""Time zone, latitude, longitude and height of some countryside."""


@dataclass(frozen=True)
class Plan:
    """A site before it is built. Times are UTC; `kinds` are the kinds of its days, the first the one before it."""

    seed: int
    window: Window
    timezone: str
    latitude: float
    longitude: float
    elevation_m: float
    start: datetime
    minutes: int
    interval_min: int
    units: int
    planes: int
    kinds: tuple[str, ...]
    causes: tuple[str, ...]

    @property
    def warm_c(self) -> float:
        """Return the mean air temperature of the season, degC; a rough fit, from memory."""
        day = self.start.timetuple().tm_yday
        cold = 27 - 0.0075 * self.latitude**2 - 0.005 * self.elevation_m
        return float(cold - 0.2 * self.latitude * np.cos(2 * np.pi * (day - 20) / 365))


def plan(seed: int, window: Window, cause: str | None = None) -> Plan:
    """Return what a seed draws for a window, with one cause among it if asked for."""
    rng = np.random.default_rng([seed, WINDOWS.index(window), 5201])
    zone, latitude, longitude, elevation = PLACES[rng.integers(len(PLACES))]
    latitude, longitude = latitude + rng.uniform(-0.8, 0.8), longitude + rng.uniform(-0.8, 0.8)
    day = datetime(2025, 1, 1, tzinfo=ZoneInfo(zone)) + timedelta(days=int(rng.integers(365)))
    start = day.astimezone(UTC)
    minutes = {"30min": 30, "1d": 1440, "7d": 7 * 1440}[window]
    units = int(np.clip(round(rng.lognormal(np.log(12), 0.5)), 4, 30))
    kinds = rng.choice(list(DAYS), size=minutes // 1440 + 2, p=list(DAYS.values()))
    if window == "30min":
        noon = 720 - longitude * 4
        start = datetime.combine(day.date(), datetime.min.time(), UTC)
        start += timedelta(minutes=5 * round((noon + rng.normal(0, 110)) / 5))
    interval = int(rng.choice(INTERVALS[window]))
    return Plan(
        seed, window, zone, round(latitude, 3), round(longitude, 3), float(elevation),
        _on_grid(start, interval), minutes,
        interval_min=interval,
        units=units,
        planes=min(int(rng.choice([1, 2, 3, 4], p=[0.38, 0.37, 0.17, 0.08])), units // 2),
        kinds=tuple(str(k) for k in kinds),
        causes=_causes(rng, window, cause),
    )  # fmt: skip


def _on_grid(start: datetime, interval_min: int) -> datetime:
    """Return the start of the whole interval in UTC, which a local midnight off the hour is not."""
    return start - timedelta(minutes=(start.hour * 60 + start.minute) % interval_min)


def _causes(rng: Generator, window: Window, wanted: str | None) -> tuple[str, ...]:
    """Return the causes that strike, one of the site's at most."""
    count = max(int(rng.choice(4, p=HOW_MANY)), wanted is not None)
    names, odds = list(CAUSES), np.array(list(CAUSES.values()), float)
    drawn = [str(c) for c in rng.choice(names, size=9, replace=False, p=odds / odds.sum())]
    chosen = [wanted] if wanted else []
    for cause in drawn:
        wide = cause in SITE_CAUSES and any(c in SITE_CAUSES for c in chosen)
        blind = window == "30min" and cause == "clock_shift"
        if len(chosen) < count and cause not in chosen and not wide and not blind:
            chosen.append(cause)
    return tuple(chosen)
