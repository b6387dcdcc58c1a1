"""The site record as the crew would have noted it, before any slip of theirs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.random import Generator

from service.expect.site import Plane, Site, Unit
from tests.bench.fleet.plan import Plan
from tests.fleet.plant import Inverter, Module
from tests.fleet.roof import Air, Facing, Roof
from tests.fleet.simulate import NOISE, named_site, serials, types
from tests.fleet.sun import Place

PLANE_NAMES = ("front", "back", "side")
TWO_TYPES = 0.15
NEARLY_ALIKE = 0.15
MORE_THAN_HALF = 0.25
"""Odds that the first branch takes more than half of the units."""


def record(rng: Generator, place: Place, plan: Plan) -> Site:
    """Return the record of a site."""
    planes = _planes(rng, place, plan.planes)
    kinds = [types(rng, p.name) for p in (planes if rng.random() < TWO_TYPES else planes[:1])]
    on_plane, branches = _plane_of_units(rng, plan), _branches(rng, plan.units)
    width, names = int(rng.integers(3, 8)), serials(rng, plan.units)
    units = []
    for n, at in enumerate(on_plane):
        module, inverter = kinds[min(at, len(kinds) - 1)]
        place_on = n - on_plane.index(at)
        row, column = place_on // width + 1, place_on % width + 1
        units.append(
            Unit(names[n], planes[at].name, module.name, inverter.name, row=row, column=column, branch=branches[n])
        )  # fmt: skip
    return named_site(rng, place, planes, kinds, tuple(units))


def _planes(rng: Generator, place: Place, count: int) -> tuple[Plane, ...]:
    towards_sun = 180 if place.latitude >= 0 else 0
    tilt, azimuth = rng.uniform(8, 48), (towards_sun + rng.uniform(-100, 100)) % 360
    turns = [0.0, *(float(t) + rng.uniform(-8, 8) for t in rng.permutation([90, -90, 180])[: count - 1])]
    if count == 2 and rng.random() < NEARLY_ALIKE:
        turns[1] = rng.uniform(-5, 5)
    leans = [tilt, *np.clip(tilt + rng.uniform(-8, 8, count - 1), 8, 50)]
    return tuple(
        Plane(name, round(float(lean), 1), round(float((azimuth + turn) % 360), 1))
        for name, lean, turn in zip(PLANE_NAMES, leans, turns, strict=False)
    )


def _plane_of_units(rng: Generator, plan: Plan) -> list[int]:
    """Return the plane's position for every unit, plane after plane, each with one unit in five at least."""
    shares = rng.dirichlet(np.full(plan.planes, 6.0))
    sizes = np.maximum(np.round(shares * plan.units).astype(int), max(plan.units // 5, 1))
    sizes[0] = plan.units - sizes[1:].sum()
    return [at for at, size in enumerate(sizes) for _ in range(size)]


def _branches(rng: Generator, units: int) -> list[str]:
    size = int(rng.integers(4, 13))
    if units >= 6 and rng.random() < MORE_THAN_HALF:
        size = int(units * rng.uniform(0.55, 0.8)) + 1
    return ["ABCDEFGH"[n // size] for n in range(units)]


def roof(rng: Generator, site: Site, place: Place, air: Air, interval_min: int) -> Roof:
    """Return the roof as it really is where the record is right: a per cent of spread, its own dirt, glass and air."""
    dirt, drift = rng.uniform(0.93, 0.99), rng.normal(0, 0.00015)
    low_light, own = rng.uniform(0.005, 0.03), rng.uniform(0.003, 0.006)
    return Roof(
        place=place,
        air=air,
        interval_min=interval_min,
        albedo=rng.uniform(0.1, 0.3),
        noct_c=rng.uniform(43, 53),
        lag_min=rng.uniform(4, 12),
        facings=facings(site),
        modules=[
            Module(t.pmax_w, t.gamma_pmax_per_c + drift, low_light, dirt * (1 + rng.normal(0, NOISE)))
            for t in (site.module_type(u.module_type) for u in site.units)
        ],
        inverters=[Inverter(site.inverter_type(u.inverter_type).ac_rated_w, own=own) for u in site.units],
        branches=[u.branch or "" for u in site.units],
    )


def facings(site: Site) -> list[Facing]:
    """Return every unit's facing by the record."""
    planes: Sequence[Plane] = [site.plane(u.plane) for u in site.units]
    return [(p.tilt_deg, p.azimuth_deg) for p in planes]
