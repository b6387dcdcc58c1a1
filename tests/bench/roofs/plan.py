"""What is drawn for a trial before anything is laid over a roof: the roof, its days, its units, what befalls them.

Days come in blocks of seven by their ordinals, counted from 0001-01-01: the even blocks are there to tune on, the odd
ones are kept apart. A week is a block, so that no day of a week that one may tune on is in one that is kept apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.random import Generator

from tests.bench.fleet.plan import DAYS, GOLDEN, WINDOWS, Plan, Window
from tests.bench.roofs.series import ROOFS, Series

BLOCK = 7
SETS = {"tuning": 0, "apart": 1}

HEALTHY, SITE_WIDE = 0.33, 0.25
"""Shares of healthy sites, and of those with a cause of their own."""

SITE_CAUSES = ("clock_shift", "plane_misdescribed", "curtailed", "site_low")
GROUPS = ("branch_out", "voltage_trip")
GROUP_ODDS = 0.25
UNIT_CAUSES = ("no_output", "not_reporting", "substring_out", "shaded", "intermittent")
MOVED = ("wrong_plane", "swapped")
"""On roofs with planes that face apart only, once a site."""

FEWEST, MOST = 6, 24
PLANES = {1: 0.4, 2: 0.45, 3: 0.15}
INTERVALS = {5: 0.5, 15: 0.3, 30: 0.1, 60: 0.1}
"""Odds of the readings' intervals; no shorter than a roof's own steps."""

LONGEST_FOR_TRIPS = 15


@dataclass(frozen=True)
class Trial:
    """A trial: its roof and first day, and the plan of what is laid over it."""

    first: date
    plan: Plan

    @property
    def series(self) -> Series:
        """Return the roof's series."""
        return ROOFS[self.plan.sky][0]()


def days_of(series: Series, window: Window, part: str) -> list[date]:
    """Return the first days of the windows that lie whole in the series and in blocks of that part."""
    there = set(series.days)
    if DAYS[window] == 1:
        return [d for d in series.days if _in_part(d, part)]
    begins = (d for d in series.days if d.toordinal() % BLOCK == 0 and _in_part(d, part))
    return [d for d in begins if all(d + timedelta(days=n) in there for n in range(BLOCK))]


def _in_part(day: date, part: str) -> bool:
    return part == "all" or day.toordinal() // BLOCK % 2 == SETS[part]


def trial(number: int, window: Window, part: str = "all") -> Trial | None:
    """Return the trial of that number; None where the part has no window of its roof."""
    rng = np.random.default_rng([number, WINDOWS.index(window), 7])
    name = _roof_of(number)
    series = ROOFS[name][0]()
    days = days_of(series, window, "all")
    if not days:
        return None
    first = days[rng.integers(len(days))]
    return Trial(first, _plan(rng, number, window, series)) if _in_part(first, part) else None


def _roof_of(number: int) -> str:
    turns = [name for name, (_, share) in ROOFS.items() for _ in range(share)]
    return turns[number % len(turns)]


def _plan(rng: Generator, number: int, window: Window, series: Series) -> Plan:
    units = int(rng.integers(FEWEST, MOST + 1))
    planes = 1 if series.facings else int(_weighted(rng, PLANES))
    interval = int(_weighted(rng, {m: o for m, o in INTERVALS.items() if m >= series.step_min}))
    fate = (number * GOLDEN) % 1
    site_cause = group = None
    causes: tuple[str, ...] = ()
    if HEALTHY <= fate < HEALTHY + SITE_WIDE:
        site_cause = str(rng.choice(SITE_CAUSES))
    elif fate >= HEALTHY:
        group = str(rng.choice(GROUPS)) if rng.random() < GROUP_ODDS else None
        causes = _unit_causes(rng, planes, units, least=0 if group else 1)
    if group == "voltage_trip":
        interval = min(interval, max(LONGEST_FOR_TRIPS, series.step_min))
    return Plan(number, window, series.name, interval, units, planes, site_cause, group, causes)


def _unit_causes(rng: Generator, planes: int, units: int, *, least: int) -> tuple[str, ...]:
    """Return causes of single units, one or two mostly and a quarter of the units at most; a moved one comes first."""
    most = max(units // 4, 1)
    count = min(int(rng.integers(least, most + 1)), int(rng.integers(least, most + 1)))
    able = (*UNIT_CAUSES, *(2 * MOVED if planes > 1 else ()))
    drawn = [str(rng.choice(able)) for _ in range(count)]
    moved, others = [c for c in drawn if c in MOVED], [c for c in drawn if c not in MOVED]
    return (*moved[:1], *others)


def _weighted(rng: Generator, odds: dict[int, float]) -> int:
    weights = np.array(list(odds.values()))
    return int(rng.choice(list(odds), p=weights / weights.sum()))
