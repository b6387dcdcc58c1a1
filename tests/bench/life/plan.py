"""Sites of the demo's engine with events in their weeks, drawn by seed. All places and values are invented."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.random import Generator

from service.demo.scenario import DemoSite, Fault, Roof

Place = tuple[str, float, float]
EVENTS = ("none", "mended", "branch_mended", "dies", "branch_dies", "weak", "mended_some")
SKIES = ("clear", "fair", "broken", "grey")
BRANCH = 8


@dataclass(frozen=True)
class Climate:
    """Where and when sites lie: time zones with their places, how many planes, what skies, and how hazy."""

    places: tuple[Place, ...]
    planes: tuple[float, float, float]
    skies: tuple[float, float, float, float]
    haze: tuple[float, float]
    last_days: tuple[int, int]


ANYWHERE = Climate(
    places=(
        ("Europe/London", 53, -1.5), ("Europe/Madrid", 40, -4), ("America/Chicago", 41, -88),
        ("America/Phoenix", 33, -112), ("Australia/Sydney", -33.5, 150), ("Africa/Nairobi", -1, 37),
        ("Asia/Kolkata", 22, 77), ("Europe/Stockholm", 59, 17), ("America/Santiago", -33, -70.5),
    ),
    planes=(0.4, 0.4, 0.2), skies=(1, 1, 1, 0.7), haze=(0.05, 0.2), last_days=(0, 365),
)  # fmt: skip
NORTHERN_WINTER = Climate(
    places=(("Europe/London", 53, -1.5), ("Europe/Stockholm", 59, 17), ("Europe/Berlin", 52, 13)),
    planes=(0.0, 0.8, 0.2), skies=(0.3, 0.6, 1, 2), haze=(0.03, 0.12), last_days=(-40, 33),
)  # fmt: skip


@dataclass(frozen=True)
class Life:
    """A site, the day after its week, what befalls it, and how many of its hours are looked at, up to so many before.

    `struck` are the numbers of the units that it befalls.
    """

    site: DemoSite
    end: date
    event: str
    hours: int
    cut: int
    struck: frozenset[int]


def life(seed: int, climate: Climate = ANYWHERE) -> Life:
    """Return the site of a seed."""
    rng = np.random.default_rng([seed, 77])
    zone, latitude, longitude = climate.places[rng.integers(len(climate.places))]
    roofs = _roofs(rng, climate, 180 if latitude > 0 else 0)
    count = sum(r.rows * r.columns for r in roofs)
    skies = tuple(rng.choice(SKIES, size=7, p=rng.dirichlet(climate.skies)).tolist())
    event = str(rng.choice(EVENTS))
    faults = _faults(rng, event, count)
    site = DemoSite(
        name=f"Site {seed}",
        latitude=latitude + float(rng.uniform(-2, 2)),
        longitude=longitude + float(rng.uniform(-2, 2)),
        elevation_m=float(rng.uniform(0, 600)),
        timezone=zone,
        roofs=roofs,
        module_w=float(rng.choice([370, 400, 430])),
        inverter_w=float(rng.choice([290, 350, 380])),
        box=100000 + seed % 800000,
        skies=skies,
        faults=faults,
        air_c=(5.0, 22.0),
        haze=float(rng.uniform(*climate.haze)),
        interval_min=int(rng.choice([5, 15, 60], p=[0.5, 0.35, 0.15])),
        branch_size=BRANCH,
    )
    first, until = climate.last_days
    end = date(2026, 1, 1) + timedelta(int(rng.integers(first, until)))
    hours = int(rng.choice([168, 168, 168, 120, 72, 48, 24, 30]))
    cut = int(rng.integers(0, 24))
    return Life(site, end, event, hours, cut, frozenset(unit for f in faults for unit in f.units))


def _roofs(rng: Generator, climate: Climate, to_the_sun_deg: float) -> tuple[Roof, ...]:
    """Return one to three planes: one more or less to the sun, the next with its back to it."""
    number = int(rng.choice([1, 2, 3], p=climate.planes))
    first = to_the_sun_deg + rng.uniform(-60, 60)
    return tuple(
        Roof(
            f"roof {n + 1}",
            round(float(rng.uniform(8, 45)), 0),
            round((first + turn + rng.uniform(-10, 10)) % 360),
            int(rng.integers(1, 4)),
            int(rng.integers(2, 6)),
        )
        for n, turn in enumerate((0, 180, 90)[:number])
    )


def _faults(rng: Generator, event: str, count: int) -> tuple[Fault, ...]:
    day = float(rng.uniform(0.5, 6.5))
    some = rng.choice(count, size=min(count, int(rng.integers(1, 4))), replace=False).tolist()
    branch = tuple(range(BRANCH)) if count > BRANCH else ()
    what = {
        "mended": Fault("no_output", (some[0],), until_day=day),
        "mended_some": Fault("no_output", tuple(some), until_day=day),
        "branch_mended": Fault("branch_out", branch, until_day=day),
        "dies": Fault("no_output", (some[0],), from_day=day),
        "branch_dies": Fault("branch_out", branch, from_day=day),
        "weak": Fault("substring_out", (some[0],), share=0.66),
    }.get(event)
    return (what,) if what and what.units else ()
