"""What a verification costs, as a multiple of one ModelChain run of a single unit for the same week, in one run."""

from __future__ import annotations

from collections.abc import Callable
from statistics import median
from time import perf_counter

import numpy as np

from service.expect.grid import Grid
from service.expect.site import InverterType, ModuleType, Plane, Site, Unit
from service.expect.sky import cloudy_sky
from service.verify.case import expectation
from service.verify.day import daylight
from service.verify.inputs import Readings
from service.verify.run import verify
from tests.bench.modelchain import WEEK, modelchain_week

LARGEST_RATIO = 6.0
ROUNDS = 15


def test_a_site_week_against_one_unit_through_modelchain() -> None:
    site = _site()
    readings = _week(site)
    chain, ours = [], []
    for _ in range(ROUNDS):  # turn by turn, so that a slow moment strikes both
        chain.append(_timed(lambda: modelchain_week(site)))
        ours.append(_timed(lambda: verify(site, readings)))
    ratio = median(ours) / median(chain)
    print(
        f"\nverification of 24 units, 7 days, 5 minutes: {1000 * median(ours):.0f} ms; "
        f"ModelChain, one unit: {1000 * median(chain):.0f} ms; ratio {ratio:.2f}"
    )
    assert ratio <= LARGEST_RATIO


def _timed(run: Callable[[], object]) -> float:
    began = perf_counter()
    run()
    return perf_counter() - began


def _site() -> Site:
    units = tuple(
        Unit(f"81{i:04d}", ("south", "west")[i % 2], "module", "inverter", row=1 + i // 6, column=1 + i % 6)
        for i in range(24)
    )
    return Site(
        name="Quarry Row 2",
        latitude=53.8,
        longitude=-1.55,
        timezone="Europe/London",
        elevation_m=60,
        planes=(Plane("south", 35, 170), Plane("west", 25, 260)),
        module_types=(ModuleType("module", 400.0),),
        inverter_types=(InverterType("inverter", 350.0, 0.965),),
        units=units,
    )


def _week(site: Site) -> Readings:
    """Return a week of broken cloud with noise, a dead unit, a weak one and missing readings."""
    grid = Grid(WEEK[0].floor("5min").to_pydatetime(), 5, len(WEEK))
    day = daylight(site, grid, None)
    rng = np.random.default_rng(4)
    clouds = np.clip(
        0.7 + 0.3 * np.sin(day.positions / 17) + 0.1 * rng.standard_normal(len(day.positions)), 0.1, 1.1
    )
    energy = np.zeros((24, grid.count))
    energy[:, day.positions] = expectation(
        day, cloudy_sky(day.sun, day.clear, index=day.on_steps(clouds))
    ).energy_wh
    energy *= 1 + 0.01 * rng.standard_normal(energy.shape)
    energy[3] = 0.0
    energy[7] *= 0.9
    energy[rng.random(energy.shape) < 0.01] = np.nan
    return Readings(grid.start, 5, energy)
