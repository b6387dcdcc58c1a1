"""A house as its record tells it, and the array on it that is just so: the healthy world, before anything strikes."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.random import Generator

from service.expect.site import InverterType, ModuleType, Plane, Site, Unit
from tests.bench.stranger.air import Sky
from tests.bench.stranger.plan import Plan
from tests.bench.stranger.plant import Build
from tests.bench.stranger.roof import LONG, WIDE, Facing, Hill, Spot, Thing
from tests.bench.stranger.sun import Floats

PLANE_NAMES = ("street side", "garden side", "annexe", "porch")


@dataclass
class House:
    """The record, the array, the sky over it, the grid's voltage (T,), and slots that are still free on each plane."""

    plan: Plan
    site: Site
    build: Build
    sky: Sky
    grid_v: Floats
    free: list[list[Spot]]
    of_branch: dict[str, list[int]] = field(default_factory=dict)
    taken: set[int] = field(default_factory=set)
    typed: dict[int, str] = field(default_factory=dict)
    """The serial on the record by unit, where it is not the one that sends."""
    late_min: int = 0
    factor: float = 1.0

    def on_plane(self, plane: int) -> list[int]:
        """Return the units that the record has on a plane."""
        name = self.site.planes[plane].name
        return [n for n, u in enumerate(self.site.units) if u.plane == name]


def draw_house(rng: Generator, plan: Plan, sky: Sky, grid_v: Floats) -> House:
    """Return a house on which all is well."""
    planes = _planes(rng, plan)
    sizes = _sizes(rng, plan)
    modules = 2 if rng.random() < 0.08 else 1
    kinds = [_kind(rng, n, modules) for n in range(2 if plan.planes > 1 and rng.random() < 0.12 else 1)]
    branches = _branches(rng, plan.units)
    numbers, placed = _serials(rng, plan.units), rng.random() > 0.12
    units: list[Unit] = []
    spots: list[Spot] = []
    owners: list[int] = []
    free: list[list[Spot]] = []
    for p, size in enumerate(sizes):
        slots = _slots(rng, p, size + 6, modules)
        free.append([s for slot in slots[size:] for s in slot[1]])
        module, inverter = kinds[min(p, len(kinds) - 1)]
        for (row, column), where in slots[:size]:
            n = len(units)
            units.append(
                Unit(
                    numbers[n], planes[p].name, module.name, inverter.name, modules,
                    row=row if placed else None, column=column + 10 * p if placed else None, branch=branches[n],
                )
            )  # fmt: skip
            spots += where
            owners += [n] * modules
    site = Site(
        f"House {plan.seed}", plan.latitude, plan.longitude, plan.timezone, planes, tuple(k[0] for k in kinds),
        tuple(k[1] for k in kinds), tuple(units), plan.elevation_m,
    )  # fmt: skip
    site, hills = _with_hill(rng, site)
    build = _build(rng, site, spots, owners, hills)
    of_branch = {b: [n for n, x in enumerate(branches) if x == b] for b in sorted({x for x in branches if x})}
    return House(plan, site, build, sky, grid_v, free, of_branch)


def _planes(rng: Generator, plan: Plan) -> tuple[Plane, ...]:
    """Return planes that look more or less towards the sun, the further ones at right angles or away from it."""
    main = (180 if plan.latitude >= 0 else 0) + rng.normal(0, 45)
    tilt = rng.uniform(8, 45)
    turns = [0.0, *rng.permutation([180.0, 90.0, -90.0])][: plan.planes]
    leans = [tilt, *(tilt + rng.normal(0, 4, 3))]
    mounting = "open_rack" if tilt < 15 and rng.random() < 0.4 else "close_roof"
    return tuple(
        Plane(name, round(float(np.clip(lean, 5, 55))), round((main + turn) % 360) % 360, mounting=mounting)
        for name, turn, lean in zip(PLANE_NAMES, turns, leans, strict=False)
    )


def _sizes(rng: Generator, plan: Plan) -> list[int]:
    sizes = np.maximum(np.round(rng.dirichlet(np.full(plan.planes, 4.0)) * plan.units), 1).astype(int)
    sizes[sizes.argmax()] += plan.units - sizes.sum()
    return [int(s) for s in sizes]


def _kind(rng: Generator, number: int, modules: int) -> tuple[ModuleType, InverterType]:
    pmax = float(5 * round(rng.uniform(300, 465) / 5))
    module = ModuleType(f"M{number + 1}", pmax, round(rng.uniform(-0.0041, -0.0026), 4))
    rated = float(5 * round(modules * pmax * rng.uniform(0.72, 1.0) / 5))
    return module, InverterType(f"I{number + 1}", rated, round(rng.uniform(0.945, 0.97), 3))


def _branches(rng: Generator, units: int) -> list[str | None]:
    """Return each unit's branch, one to three of them; some records note none."""
    if rng.random() < 0.15:
        return [None] * units
    count = min(int(rng.choice([1, 2, 3], p=[0.4, 0.4, 0.2])), units // 3 or 1)
    cuts = np.sort(rng.permutation(np.arange(2, units - 1))[: count - 1])
    return ["ABC"[int(np.searchsorted(cuts, n, side="right"))] for n in range(units)]


def _serials(rng: Generator, units: int) -> list[str]:
    """Return serials from two boxes: runs of numbers with a few sold to others."""
    first = rng.integers(10**11, 9 * 10**11, 2)
    steps = np.cumsum(rng.choice([1, 1, 1, 2, 7], size=units))
    return [str(first[int(n >= units * 0.7)] + step) for n, step in enumerate(steps)]


def _slots(rng: Generator, plane: int, count: int, modules: int) -> list[tuple[tuple[int, int], list[Spot]]]:
    """Return row and column of places on a plane, the first row the highest, and where their modules lie."""
    width = int(rng.integers(2, 8))
    out = []
    for n in range(count):
        row, column = divmod(n, width)
        left = (column - (width - 1) / 2) * WIDE * modules
        out.append(
            ((row + 1, column + 1), [Spot(plane, left + k * WIDE, (1 - row) * LONG) for k in range(modules)])
        )
    return out


def _with_hill(rng: Generator, site: Site) -> tuple[Site, list[Thing]]:
    """Return the site with a skyline on its record, seldom, and what makes it."""
    if rng.random() > 0.1:
        return site, []
    hill = Hill(
        rng.choice([rng.uniform(60, 130), rng.uniform(230, 300)]), rng.uniform(6, 20), rng.uniform(15, 40)
    )
    azimuth = np.arange(0.0, 360, 10)
    skyline = tuple(
        (float(a), round(float(e), 1)) for a, e in zip(azimuth, hill.skyline(azimuth), strict=True)
    )
    return replace(site, planes=tuple(replace(p, horizon=skyline) for p in site.planes)), [hill]


def _build(rng: Generator, site: Site, spots: list[Spot], owners: list[int], things: list[Thing]) -> Build:
    """Return the array with its spread: tolerance, dirt and warmth of each module."""
    count, units = len(owners), len(site.units)
    types = [site.module_type(site.units[n].module_type) for n in owners]
    spread = rng.uniform(0.003, 0.01)
    own_dirt = {p.name: rng.uniform(-0.008, 0.008) for p in site.planes}
    plane_dirt = np.array([own_dirt[site.units[n].plane] for n in owners])
    gain = rng.uniform(0.93, 1.0) * (
        1 + plane_dirt + rng.normal(0, spread, count) + rng.uniform(0, 0.008, count)
    )
    open_rack = site.planes[0].mounting == "open_rack"
    return Build(
        facings=[Facing(p.tilt_deg, p.azimuth_deg, _middle(p, n)) for n, p in enumerate(site.planes)],
        spots=spots,
        unit_of=np.array(owners),
        alive=np.ones((count, 3), bool),
        gain=gain,
        pmax_w=np.array([t.pmax_w for t in types]),
        gamma=np.array([t.gamma_pmax_per_c for t in types]) + rng.normal(0, 0.0001),
        warmer_c=rng.normal(0, 1.2, count),
        rated_w=np.array([site.inverter_type(u.inverter_type).ac_rated_w for u in site.units]),
        efficiency=site.inverter_types[0].efficiency + rng.normal(0, 0.003) * np.ones(units).mean(),
        low_light=rng.uniform(0.15, 0.6),
        cooling=(rng.uniform(24, 28), rng.uniform(5, 7)) if open_rack else (rng.uniform(17, 23), rng.uniform(3, 6)),
        lag_min=rng.uniform(4, 10),
        least_strings=int(rng.choice([1, 2])),
        things=list(things),
    )  # fmt: skip


def _middle(plane: Plane, number: int) -> tuple[float, float, float]:
    """Return where a plane's array is: out from the ridge the way it faces, an annexe further."""
    out, way = 3.0 + 2.5 * (number >= 2), np.radians(plane.azimuth_deg)
    return float(out * np.sin(way)), float(out * np.cos(way)), 6.0 - 1.5 * (number >= 2)
