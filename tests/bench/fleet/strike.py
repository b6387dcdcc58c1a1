"""What befalls a roof by plan: faults struck one after another, each with what it changes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from tests.bench.fleet.plan import Plan
from tests.bench.fleet.weather import sunny
from tests.fleet.faults import SINGLE, Fault, moment
from tests.fleet.network import total_w, trip
from tests.fleet.plant import energy_wh
from tests.fleet.roof import Facing, Roof
from tests.fleet.shade import Outline, chimney, far, hill, house, near, tree
from tests.fleet.skies import DAY_MIN
from tests.fleet.sun import Array

CERTAIN = ("not_reporting", "not_on_record", "data_gap")
"""Causes that need no light to be told."""

SILENT = ("not_reporting", "not_on_record")
"""Causes behind which no other of the same unit can be seen."""

DEAD = ("no_output", "branch_out")
"""Causes after which no other of the same unit shows."""

MOVED = ("swapped", "wrong_plane")

STEPS = 3
"""Steps of the whole-Wh register that a fault must take away to be told."""

SUN_FOR_SHAPE_H = 3.0
"""Direct sun from which another facing, or another clock, can be told from the curve."""

SUN_HIDDEN_MIN = 30
"""Minutes of direct sun that an object must hide to be told from a weak unit: without, it takes an even share."""

HIDDEN_A_DAY_MIN, DAYS_FOR_SITE_SHADE = 20, 3
"""Days with beam behind an object that shades the whole site alike: on fewer it may have been a cloud."""

DEAD_MIN, DARK_CLOUD_MIN = 10, 60
"""Minutes at nought that tell a dead unit, or a dead site, from a cloud: the darkest let no inverter start."""

WORTH_A_STEP_WH = 0.5

ZERO_INTERVALS = 2
"""Intervals at nought that tell a trip of the whole site from clouds."""

FACING_APART_DEG = 40

PART_OF_PLANE_ODDS = 0.25
"""A house that stands before two thirds of a plane only."""

HOUSE_SPREAD_DEG = 2.0
"""How differently the units of a plane see a house next door; a hill they see alike."""


@dataclass
class Truth:
    """The faults so far, by unit's position, on `roof`; `healthy` (U, T) is what the units would have made, Wh."""

    roof: Roof
    healthy: Array
    faults: dict[int, list[Fault]] = field(default_factory=dict)

    def add(self, cause: str, unit: int, before: Array, *, judgeable: bool = True) -> None:
        """Note a fault by what is left of the unit's energies (T,), Wh, that were `before` heard."""
        lost = float(np.abs(before - heard_wh(self.roof, unit)).sum())
        visible = 1.0 if cause == "not_on_record" else lost / max(float(self.healthy[unit].sum()), 1e-9)
        judgeable &= cause in CERTAIN or lost >= STEPS
        kept = [] if cause in SILENT else self.faults.get(unit, [])
        if cause in DEAD:
            kept = [replace(f, judgeable=False) for f in kept]
        self.faults[unit] = [*kept, Fault(cause, visible, judgeable)]


def heard_wh(roof: Roof, unit: int) -> Array:
    """Return the unit's energies (T,), Wh, nought where it is not heard."""
    return np.where(roof.heard[unit], energy_wh(roof.ac_w(unit), roof.interval_min), 0.0)


def strike(roof: Roof, plan: Plan, rng: Generator) -> Truth:
    """Strike the roof with all that is planned for branches, planes and units; what has no room is left out."""
    truth = Truth(roof, roof.energies())
    everyone = [int(u) for u in rng.permutation(len(roof.facings))]
    moved = [c for c in plan.causes if c in MOVED]  # first: what shades a unit depends on where it is
    taken = set(_move(truth, moved[0], everyone, rng)) if moved else set()
    if plan.group == "branch_out":
        _cut_branch(truth, rng)
    elif plan.group == "voltage_trip":
        _trip(truth, rng)
    elif plan.group == "shaded_plane":
        _shade_plane(truth, rng)
    taken |= set(truth.faults) if plan.group == "branch_out" else set()
    for cause in (c for c in plan.causes if c not in MOVED):
        free = [u for u in everyone if u not in taken]
        if free:
            _strike_unit(truth, cause, free[0], plan, rng)
            taken.add(free[0])
    return truth


# --- single units


def _strike_unit(truth: Truth, cause: str, unit: int, plan: Plan, rng: Generator) -> None:
    before, told = heard_wh(truth.roof, unit), True
    if cause == "shaded":
        told = _shade_unit(truth.roof, unit, rng)
    elif cause == "no_output" and plan.window == "30min":
        _kill_early(truth.roof, unit, rng)
    else:
        SINGLE[cause](truth.roof, unit, rng)
    if cause == "no_output":
        told = _dead_min(truth, unit) >= DEAD_MIN
    truth.add(cause, unit, before, judgeable=told)


def _dead_min(truth: Truth, unit: int) -> int:
    """Return for how many minutes of worthwhile light the unit gives nothing at all."""
    roof = truth.roof
    dead = (energy_wh(roof.ac_w(unit), roof.interval_min) <= 0) & (truth.healthy[unit] >= WORTH_A_STEP_WH)
    return int(dead.sum()) * roof.interval_min


def _kill_early(roof: Roof, unit: int, rng: Generator) -> None:
    """Take all output, sometimes not before the window has begun."""
    start = 0 if rng.random() < 0.8 else int(rng.uniform(3, 15))
    roof.on[unit, start:] = False


def _shade_unit(roof: Roof, unit: int, rng: Generator) -> bool:
    """Put a chimney or a tree before the unit; return whether it hides the sun for long enough to be told."""
    azimuth, elevation = _lit_position(roof, unit, rng)
    make = chimney if rng.random() < 0.5 else tree
    outline = make(rng, azimuth + rng.uniform(-8, 8), min(elevation + rng.uniform(3, 20), 80))
    light, air = roof.light(roof.facings[unit]), roof.air
    left = near(outline, light, air.azimuth_deg, air.elevation_deg, spread_deg=rng.uniform(0.5, 6))
    roof.dc_share[unit] *= left
    return int(_hidden(roof, outline).sum()) >= SUN_HIDDEN_MIN


def _hidden(roof: Roof, outline: Outline) -> NDArray[np.bool_]:
    """Return the minutes in which direct sun is hidden, (N,)."""
    air = roof.air
    return np.asarray((outline.blocked(air.azimuth_deg, air.elevation_deg) > 0.5) & sunny(air))


def _lit_position(roof: Roof, unit: int, rng: Generator) -> tuple[float, float]:
    """Return a sun position, degrees, from which the unit is well lit: azimuth and elevation."""
    air, beam = roof.air, roof.light(roof.facings[unit]).beam
    bright = np.flatnonzero((beam > 0.3 * max(beam.max(), 1)) & (air.elevation_deg > 5))
    at = bright[rng.integers(len(bright))] if len(bright) else int(np.argmax(air.elevation_deg))
    return float(air.azimuth_deg[at]), float(air.elevation_deg[at])


def _move(truth: Truth, cause: str, free: list[int], rng: Generator) -> tuple[int, ...]:
    """Put a unit on another plane, or exchange two; once a site: two such slips can be taken for one another."""
    roof, unit = truth.roof, free[0]
    apart = [u for u in free[1:] if _apart(roof.facings[u], roof.facings[unit])]
    if cause == "swapped":
        if not apart:
            return ()
        return _turn(truth, cause, {unit: roof.facings[apart[0]], apart[0]: roof.facings[unit]})
    others = sorted({f for f in roof.facings if _apart(f, roof.facings[unit])})
    tilt, azimuth = roof.facings[unit]
    dormer = (tilt, float((azimuth + rng.choice([-90, 90, 180])) % 360))
    return _turn(truth, cause, {unit: others[rng.integers(len(others))] if others else dormer})


def _turn(truth: Truth, cause: str, real: dict[int, Facing]) -> tuple[int, ...]:
    roof = truth.roof
    before = {u: heard_wh(roof, u) for u in real}
    told = float(sunny(roof.air).sum()) / 60 >= SUN_FOR_SHAPE_H
    for unit, facing in real.items():
        roof.facings[unit] = facing
        truth.add(cause, unit, before[unit], judgeable=told)
    return tuple(real)


def _apart(one: Facing, other: Facing) -> bool:
    return abs((one[1] - other[1] + 180) % 360 - 180) > FACING_APART_DEG


# --- branches and planes


def _members(names: Sequence[str]) -> dict[str, list[int]]:
    return {n: [u for u, b in enumerate(names) if b == n] for n in sorted(set(names))}


def _cut_branch(truth: Truth, rng: Generator) -> None:
    """Switch a branch off, from the start or from some moment on; often the largest."""
    roof = truth.roof
    branches = {n: units for n, units in _members(roof.branches).items() if len(units) > 1}
    if not branches:
        return
    name = max(branches, key=lambda n: len(branches[n])) if rng.random() < 0.5 else rng.choice(list(branches))
    units = branches[str(name)]
    whole_site = len(units) == len(roof.facings)
    start = 0 if rng.random() < 0.4 and not whole_site else moment(roof, units[0], rng)
    before = {u: heard_wh(roof, u) for u in units}
    roof.on[units, start:] = False
    for unit in units:
        told = _dead_min(truth, unit) >= (DARK_CLOUD_MIN if whole_site else DEAD_MIN)
        truth.add("branch_out", unit, before[unit], judgeable=told)


def _trip(truth: Truth, rng: Generator) -> None:
    """Let a branch, or all of them, trip."""
    roof = truth.roof
    branches = [units for units in _members(roof.branches).values() if len(units) > 1]
    everyone = list(range(len(roof.facings)))
    together = not branches or rng.random() < 0.25
    units = everyone if together else branches[rng.integers(len(branches))]
    before = {u: heard_wh(roof, u) for u in units}
    if not trip(roof, units, rng):
        return
    told = len(units) < len(everyone) or _zero_intervals(roof, units) >= ZERO_INTERVALS
    for unit in units:
        truth.add("voltage_trip", unit, before[unit], judgeable=told)


def _zero_intervals(roof: Roof, units: list[int]) -> int:
    down = energy_wh(total_w(roof, units), roof.interval_min) <= 0
    return int((down & (roof.air.elevation_deg.reshape(-1, roof.interval_min).min(axis=1) > 10)).sum())


def _shade_plane(truth: Truth, rng: Generator) -> None:
    """Put a hill before the whole site, or a neighbour's house before one plane or most of it."""
    roof = truth.roof
    everyone = list(range(len(roof.facings)))
    if rng.random() < 0.5:
        azimuth, elevation = _lit_position(roof, int(rng.choice(everyone)), rng)
        outline = hill(rng, azimuth + rng.uniform(-20, 20), min(elevation + rng.uniform(2, 10), 30))
        units, spread = everyone, 0.0
    else:
        chosen = roof.facings[int(rng.choice(everyone))]
        units = [u for u in everyone if roof.facings[u] == chosen]
        if rng.random() < PART_OF_PLANE_ODDS:
            units = units[: max(len(units) * 2 // 3, 1)]
        azimuth, elevation = _lit_position(roof, units[0], rng)
        outline = house(rng, azimuth + rng.uniform(-15, 15), min(elevation + rng.uniform(2, 12), 45))
        spread = HOUSE_SPREAD_DEG
    before = {u: heard_wh(roof, u) for u in units}
    for unit in units:
        light, air = roof.light(roof.facings[unit]), roof.air
        turn = rng.normal(0, spread)
        roof.dc_share[unit] *= far(outline, light, air.azimuth_deg, air.elevation_deg, turn_deg=turn)
        truth.add("shaded", unit, before[unit], judgeable=_told(roof, outline, len(units) == len(everyone)))


def _told(roof: Roof, outline: Outline, alike: bool) -> bool:
    """Return whether an object can be told: from a weak unit and, where it strikes all units alike, from clouds."""
    hidden = np.flatnonzero(_hidden(roof, outline))
    days = int((np.bincount(hidden // DAY_MIN, minlength=1) >= HIDDEN_A_DAY_MIN).sum())
    return len(hidden) >= SUN_HIDDEN_MIN and (not alike or days >= DAYS_FOR_SITE_SHADE)
