"""What is drawn for a seed before anything is simulated: the sky, the size of the site and what befalls it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeVar

import numpy as np
from numpy.random import Generator

Window = Literal["30min", "1d", "7d"]
WINDOWS: tuple[Window, ...] = ("30min", "1d", "7d")
DAYS: dict[Window, int] = {"30min": 1, "1d": 1, "7d": 7}

Name = TypeVar("Name")

SKY_NAMES = ("clear", "broken", "overcast", "mixed", "measured")

HEALTHY, SITE_WIDE, GROUPED = 0.30, 0.15, 0.45
"""Shares of healthy sites and of sites with a cause of their own, and of the rest with a branch or plane struck."""

GOLDEN = 0.6180339887498949

UNITS_BESIDES = 0.4
"""Share of the sites with a cause of their own on which units are struck as well."""

SITE_ODDS = {
    "clock_shift": 0.30,
    "plane_misdescribed": 0.27,
    "curtailed": 0.15,
    "site_low": 0.15,
    "unit_scale": 0.08,
    "data_gap": 0.05,
}
"""A gap is none in half an hour, where one interval more is all."""

GROUPS = ("branch_out", "voltage_trip", "shaded_plane")
"""Under a closed cloud cover only the first: the others need strong light."""

UNIT_CAUSES = (
    "not_reporting",
    "not_on_record",
    "no_output",
    "substring_out",
    "low_output",
    "data_gap",
    "shaded",
    "intermittent",
    "swapped",
    "wrong_plane",
)
PLAIN = ("not_reporting", "no_output", "substring_out")
"""With `branch_out`, what half an hour is enough for."""

INTERVALS: dict[Window, dict[int, float]] = {
    "30min": {5: 0.75, 15: 0.25},
    "1d": {5: 0.72, 15: 0.22, 30: 0.03, 60: 0.03},
    "7d": {5: 0.72, 15: 0.22, 30: 0.03, 60: 0.03},
}
PLANES = {1: 0.40, 2: 0.46, 3: 0.14}


@dataclass(frozen=True)
class Plan:
    """A site to be made: `site_cause` for the whole of it, `group` for a branch or a plane, `causes` for units."""

    seed: int
    window: Window
    sky: str
    interval_min: int
    units: int
    planes: int
    site_cause: str | None = None
    group: str | None = None
    causes: tuple[str, ...] = ()

    def has(self, cause: str) -> bool:
        """Return whether that cause is planned, in any form; "site" stands for any of a whole site."""
        names = {self.site_cause, self.group, *self.causes}
        if cause == "site":
            return self.site_cause is not None
        return cause in names or (cause == "shaded" and "shaded_plane" in names)


def plan(seed: int, window: Window) -> Plan:
    """Return the plan of a seed; skies come in turn, all else is drawn."""
    rng = np.random.default_rng([seed, WINDOWS.index(window), 1])
    sky = SKY_NAMES[seed % len(SKY_NAMES)]
    units, fate = int(rng.integers(4, 31)), _fate(seed)
    planes = _weighted(rng, PLANES) if units >= 6 else int(rng.integers(1, 3))
    site_cause = group = None
    causes: tuple[str, ...] = ()
    if HEALTHY <= fate < HEALTHY + SITE_WIDE:
        site_cause = _site_cause(rng, window)
        causes = _unit_causes(rng, window, planes, units // 4) if rng.random() < UNITS_BESIDES else ()
    elif fate >= HEALTHY:
        group = _group(rng, window, sky)
        causes = _unit_causes(rng, window, planes, units // (4 if group else 3), least=0 if group else 1)
    interval = _weighted(rng, INTERVALS[window])
    if group == "voltage_trip":
        interval = min(interval, 15)
    return Plan(seed, window, sky, interval, units, planes, site_cause, group, causes)


def _fate(seed: int) -> float:
    """Return a number in 0-1 that consecutive seeds spread evenly under every sky: small runs keep the shares."""
    turn, sky = divmod(seed, len(SKY_NAMES))
    return (turn * GOLDEN + sky / len(SKY_NAMES)) % 1


def _weighted(rng: Generator, odds: dict[Name, float]) -> Name:
    weights = np.array(list(odds.values()))
    return list(odds)[rng.choice(len(odds), p=weights / weights.sum())]


def _site_cause(rng: Generator, window: Window) -> str:
    return _weighted(rng, {c: o for c, o in SITE_ODDS.items() if (window, c) != ("30min", "data_gap")})


def _group(rng: Generator, window: Window, sky: str) -> str | None:
    if rng.random() >= GROUPED:
        return None
    if sky == "overcast" or (window == "30min" and rng.random() < 0.8):
        return "branch_out"
    return str(rng.choice(GROUPS))


def _unit_causes(
    rng: Generator, window: Window, planes: int, most: int, *, least: int = 1
) -> tuple[str, ...]:
    """Return causes for single units, few more often than many."""
    most = max(most, 1)
    count = min(int(rng.integers(least, most + 1)), int(rng.integers(least, most + 1)))
    return tuple(_unit_cause(rng, window, planes) for _ in range(count))


def _unit_cause(rng: Generator, window: Window, planes: int) -> str:
    if window == "30min" and rng.random() < 0.8:
        return str(rng.choice(PLAIN))
    odd = rng.random() < 0.25  # on a roof of one plane: on a dormer, say, that nobody noted
    unfit = {"swapped"} if planes == 1 else set()
    unfit |= {"wrong_plane"} if planes == 1 and not odd else set()
    unfit |= {"data_gap"} if window == "30min" else set()
    fitting = [c for c in UNIT_CAUSES if c not in unfit]
    return str(rng.choice(fitting))
