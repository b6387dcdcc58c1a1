"""Faults laid over units that were sound: each changes what the units give and notes what it took from them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from tests.bench.fleet.plan import Plan
from tests.bench.fleet.strike import (
    DARK_CLOUD_MIN,
    DEAD_MIN,
    SILENT,
    STEPS,
    SUN_FOR_SHAPE_H,
    SUN_HIDDEN_MIN,
    ZERO_INTERVALS,
)
from tests.bench.roofs.light import Made, with_dc_share
from tests.bench.roofs.plan import MOVED
from tests.fleet.faults import Fault
from tests.fleet.roof import Facing
from tests.fleet.sun import Array

SUNNY = 0.5
"""Share of a clear sky's beam on a plane from which the sun shines; thin cloud before it leaves less (our choice)."""

WORTH = 0.02
"""Power over the rating from which a unit that gives nothing is seen to."""

SUBSTRING = (0.653, 0.667)
"""Share of a healthy module's DC power behind two of three bypass diodes (`tests/fleet/faults.py`)."""

LOWER_VOLTAGE = 0.99
"""What of it an inverter makes at two thirds of the voltage (from memory: about a per cent less)."""

SHADE_H = (1.0, 3.5)
DROP_OUTS, DROP_OUT_MIN = (4, 12), (5, 40)
"""How many drop-outs a day, and for how long each."""

TRIPS, TRIP_MIN, HIGH_POWER = (2, 6), (4, 20), 0.6
"""How many trips a day, for how long, and from which share of the day's top on."""


@dataclass
class Units:
    """The units of a trial by the steps of their roof: power over the rating and what is heard of it, (U, N).

    `made` has for every facing what a sound unit there makes, `clear` what it would under a clear sky; `faults` are by
    the unit's position.
    """

    plan: Plan
    step_min: int
    steps_a_day: int
    made: dict[Facing, Made]
    clear: dict[Facing, Made]
    facings: list[Facing]
    branches: list[str]
    own: Array
    """Each unit's own level, (U, 1)."""
    share: Array = field(init=False)
    heard: NDArray[np.bool_] = field(init=False)
    healthy: Array = field(init=False)
    faults: dict[int, list[Fault]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Begin with what sound units give."""
        self.share = self.own * np.stack([self.made[f].total for f in self.facings])
        self.heard = np.ones(self.share.shape, dtype=bool)
        self.healthy = self.share.copy()

    def sunny(self, facing: Facing) -> NDArray[np.bool_]:
        """Return where the sun shines on a facing, (N,)."""
        made, clear = self.made[facing], self.clear[facing]
        bright = made.total - made.sky > SUNNY * (clear.total - clear.sky)
        return np.asarray(bright & (made.total > WORTH))

    @property
    def sun_h(self) -> float:
        """Return the hours in which the sun shines on any plane."""
        shines = np.any([self.sunny(f) for f in self.made], axis=0)
        return float(shines.sum()) * self.step_min / 60

    def note(self, cause: str, unit: int, before: Array, *, pmax_w: float, judgeable: bool = True) -> None:
        """Note a fault by what is left of the unit's power (N,), that was `before`."""
        now = np.where(self.heard[unit], self.share[unit], 0.0)
        lost = float(np.abs(before - now).sum())
        visible = lost / max(float(self.healthy[unit].sum()), 1e-9)
        lost_wh = lost * pmax_w * self.step_min / 60
        judgeable &= cause in SILENT or lost_wh >= STEPS
        self.faults[unit] = [*self.faults.get(unit, []), Fault(cause, visible, judgeable)]


Strike = Callable[[Units, int, Generator], bool]
"""Strikes a unit and returns whether its energies can tell."""


def lay(units: Units, pmax_w: float, rng: Generator) -> None:
    """Lay all that is planned for branches and units over them."""
    free = [int(u) for u in rng.permutation(len(units.facings))]
    plan = units.plan
    moved = [c for c in plan.causes if c in MOVED]
    taken = _move(units, moved[0], free, pmax_w) if moved else set()
    if plan.group:
        taken |= _strike_branch(units, plan.group, pmax_w, rng)
    for cause in (c for c in plan.causes if c not in MOVED):
        left = [u for u in free if u not in taken]
        if left:
            before = units.share[left[0]].copy()
            told = SINGLE[cause](units, left[0], rng)
            units.note(cause, left[0], before, pmax_w=pmax_w, judgeable=told)
            taken.add(left[0])


# --- single units


def no_output(units: Units, unit: int, rng: Generator) -> bool:
    """Take all output, from some moment on or from the beginning."""
    units.share[unit, _moment(units, unit, rng) :] = 0.0
    return dead_min(units, unit) >= DEAD_MIN


def not_reporting(units: Units, unit: int, _rng: Generator) -> bool:
    """Let nothing be heard."""
    units.heard[unit] = False
    return True


def substring_out(units: Units, unit: int, rng: Generator) -> bool:
    """Take a third of the DC power, and the voltage down."""
    left = rng.uniform(*SUBSTRING) * LOWER_VOLTAGE
    units.share[unit] = with_dc_share(units.share[unit], float(left))
    return True


def shaded(units: Units, unit: int, rng: Generator) -> bool:
    """Hide the sun at the same hours of all days."""
    made = units.made[units.facings[unit]]
    bright = np.flatnonzero(units.sunny(units.facings[unit]))
    middle = bright[rng.integers(len(bright))] if len(bright) else int(made.total.argmax())
    half = rng.uniform(*SHADE_H) / 2 * 60 / units.step_min
    away = np.abs(np.arange(units.share.shape[1]) % units.steps_a_day - middle % units.steps_a_day)
    hidden = away <= half
    left = np.divide(made.sky, made.total, out=np.ones(len(made.sky)), where=made.total > 0)
    units.share[unit, hidden] *= left[hidden]
    return int((hidden & units.sunny(units.facings[unit])).sum()) * units.step_min >= SUN_HIDDEN_MIN


def intermittent(units: Units, unit: int, rng: Generator) -> bool:
    """Let a unit drop out at irregular times of all days."""
    down = np.zeros(units.share.shape[1])
    for day in range(len(down) // units.steps_a_day):
        lit = np.flatnonzero(units.healthy[unit] > WORTH)
        lit = lit[lit // units.steps_a_day == day]
        for _ in range(int(rng.integers(*DROP_OUTS)) if len(lit) else 0):
            down = np.maximum(
                down, down_share(units, float(rng.choice(lit)), rng.uniform(*DROP_OUT_MIN), rng)
            )
    units.share[unit] *= 1 - down
    return True


SINGLE: dict[str, Strike] = {
    "no_output": no_output,
    "not_reporting": not_reporting,
    "substring_out": substring_out,
    "shaded": shaded,
    "intermittent": intermittent,
}


def dead_min(units: Units, unit: int) -> int:
    """Return for how many minutes of worthwhile light the unit gives nothing at all."""
    dead = (units.share[unit] <= 0) & (units.healthy[unit] > WORTH)
    return int(dead.sum()) * units.step_min


def down_share(units: Units, at_step: float, minutes: float, rng: Generator) -> Array:
    """Return the share of each step, (N,), in which something is down that falls somewhere into a step."""
    begins = (at_step + rng.uniform()) * units.step_min
    edges = np.arange(units.share.shape[1]) * units.step_min
    overlap = np.minimum(edges + units.step_min, begins + minutes) - np.maximum(edges, begins)
    return np.asarray(np.clip(overlap / units.step_min, 0, 1))


def _moment(units: Units, unit: int, rng: Generator) -> int:
    """Return a step that has up to nine tenths of the unit's energy before it, often the first."""
    if rng.random() < 0.4:
        return 0
    so_far = np.cumsum(units.healthy[unit])
    return int(np.searchsorted(so_far, rng.uniform(0.1, 0.9) * so_far[-1]))


def _move(units: Units, cause: str, free: Sequence[int], pmax_w: float) -> set[int]:
    """Put a unit on another plane than its record's, or exchange two of planes that face apart."""
    unit = free[0]
    others = [u for u in free[1:] if units.facings[u] != units.facings[unit]]
    if not others:
        return set()
    real = {unit: units.facings[others[0]]}
    if cause == "swapped":
        real[others[0]] = units.facings[unit]
    told = units.sun_h >= SUN_FOR_SHAPE_H
    for moved, facing in real.items():
        before = units.share[moved].copy()
        units.facings[moved] = facing
        units.share[moved] = units.own[moved] * units.made[facing].total
        units.note(cause, moved, before, pmax_w=pmax_w, judgeable=told)
    return set(real)


# --- branches


def _strike_branch(units: Units, cause: str, pmax_w: float, rng: Generator) -> set[int]:
    """Strike all units of one branch alike."""
    name = str(rng.choice(sorted(set(units.branches))))
    members = [u for u, b in enumerate(units.branches) if b == name]
    left = _cut(units, members[0], rng) if cause == "branch_out" else _tripping(units, members, rng)
    before = units.share[members].copy()
    units.share[members] *= left
    for unit, gave in zip(members, before, strict=True):
        told = _branch_told(units, cause, unit, whole_site=len(members) == len(units.branches))
        units.note(cause, unit, gave, pmax_w=pmax_w, judgeable=told)
    return set(members) if cause == "branch_out" else set()


def _branch_told(units: Units, cause: str, unit: int, *, whole_site: bool) -> bool:
    """Return whether a branch's fault can be told from a dark cloud, by the rules of the fleet's benchmark."""
    if cause == "branch_out":
        return dead_min(units, unit) >= (DARK_CLOUD_MIN if whole_site else DEAD_MIN)
    return not whole_site or dead_min(units, unit) >= ZERO_INTERVALS * units.plan.interval_min


def _cut(units: Units, unit: int, rng: Generator) -> Array:
    left = np.ones(units.share.shape[1])
    left[_moment(units, unit, rng) :] = 0.0
    return left


def _tripping(units: Units, members: Sequence[int], rng: Generator) -> Array:
    """Return what is left of a branch, (N,), that trips at high power on every day that has any."""
    power = units.share[list(members)].sum(axis=0)
    down = np.zeros(len(power))
    for day in range(len(power) // units.steps_a_day):
        here = np.flatnonzero(np.arange(len(power)) // units.steps_a_day == day)
        high = here[power[here] > HIGH_POWER * power.max()]
        for _ in range(int(rng.integers(*TRIPS)) if len(high) else 0):
            down = np.maximum(down, down_share(units, float(rng.choice(high)), rng.uniform(*TRIP_MIN), rng))
    return 1 - down
