"""Faults that befall a roof. Each changes the roof or its record and leaves the rest alone."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from tests.fleet.roof import Roof
from tests.fleet.sun import Array

PRIMARY = ("not_reporting", "not_on_record", "no_output", "substring_out", "low_output", "data_gap")
"""The causes that the bar is set for."""

LATER = ("shaded", "intermittent", "swapped", "wrong_plane", "branch_out")
"""Causes planted to mislead; their own bar comes later."""

ONE_SUBSTRING_LOST, TWO_SUBSTRINGS_LOST = (0.653, 0.667), (0.307, 0.333)
"""Share of a healthy module's DC power at any light (full-cell module, three bypass diodes, single-diode model)."""

LOW_OUTPUT = (0.70, 0.94)
SUBSTRING_ODDS = 0.75
RARELY = 0.15


@dataclass(frozen=True)
class Fault:
    """What is wrong with a unit, and which share of the window's energy that changes.

    `judgeable` is False where no reader of the energies could tell.
    """

    cause: str
    visible: float
    judgeable: bool = True


@dataclass(frozen=True)
class Slip:
    """A fault and where it struck: its cause and the units' positions."""

    cause: str
    units: tuple[int, ...]


def moment(roof: Roof, unit: int, rng: Generator) -> int:
    """Return a minute that has between a tenth and nine tenths of the unit's energy before it."""
    so_far = np.cumsum(roof.ac_w(unit))
    return int(np.searchsorted(so_far, rng.uniform(0.1, 0.9) * so_far[-1]))


def silence(roof: Roof, unit: int, _rng: Generator) -> None:
    """Never heard."""
    roof.heard[unit] = False


def misnote(_roof: Roof, _unit: int, _rng: Generator) -> None:
    """Leave the roof as it is: the slip is in the record, where `simulate` writes it."""


def kill(roof: Roof, unit: int, rng: Generator) -> None:
    """No output at all, or none from some moment on."""
    start = 0 if rng.random() < 0.6 else moment(roof, unit, rng)
    roof.on[unit, start:] = False


def lose_substrings(roof: Roof, unit: int, rng: Generator) -> None:
    """One or two of three substrings bypassed, all the time."""
    low, high = ONE_SUBSTRING_LOST if rng.random() < SUBSTRING_ODDS else TWO_SUBSTRINGS_LOST
    roof.dc_share[unit] *= rng.uniform(low, high)


def weaken(roof: Roof, unit: int, rng: Generator) -> None:
    """A steady loss, seldom beginning at some moment."""
    start = moment(roof, unit, rng) if rng.random() < RARELY else 0
    roof.dc_share[unit, start:] *= rng.uniform(*LOW_OUTPUT)


def gap_positions(roof: Roof, rng: Generator) -> np.ndarray:
    """Return lit intervals, 15 to 60 % of them, in one to four blocks."""
    lit = roof.lit
    blocks = int(rng.integers(1, 5))
    size = max(int(len(lit) * rng.uniform(0.15, 0.60) / blocks), 1)
    spare = len(lit) - blocks * size
    cuts = np.sort(rng.integers(0, spare + 1, blocks)) + size * np.arange(blocks)
    return np.concatenate([lit[cut : cut + size] for cut in cuts])


def lose_readings(roof: Roof, unit: int, rng: Generator) -> None:
    """Readings missing in blocks."""
    roof.heard[unit, gap_positions(roof, rng)] = False


def shade(roof: Roof, unit: int, rng: Generator) -> None:
    """A near object takes the beam from one to three substrings at certain sun positions."""
    light, air = roof.light(roof.facings[unit]), roof.air
    bright = np.flatnonzero((light.beam > 0.3 * max(light.beam.max(), 1)) & (air.elevation_deg > 5))
    at = bright[rng.integers(len(bright))] if len(bright) else int(np.argmax(air.elevation_deg))
    turn = (air.azimuth_deg - air.azimuth_deg[at] + 180) % 360 - 180
    behind = np.abs(turn) < rng.uniform(10, 30)
    behind &= air.elevation_deg < air.elevation_deg[at] + rng.uniform(5, 15)
    roof.dc_share[unit] *= np.where(behind, _bypassed(light.beam, light.diffuse, rng), 1.0)


def _bypassed(beam: Array, diffuse: Array, rng: Generator) -> Array:
    """Return the power left: the lit substrings alone, or all of them in diffuse light, whichever is more."""
    lit = (3 - rng.integers(1, 4)) / 3
    return np.maximum(0.98 * lit, diffuse / np.maximum(beam + diffuse, 1e-9))


def interrupt(roof: Roof, unit: int, rng: Generator) -> None:
    """Several outages of ten minutes to an hour in daylight."""
    up = np.flatnonzero(roof.air.elevation_deg > 5)
    for start in rng.choice(up, int(rng.integers(4, 11)) * max(len(up) // 1440, 1)):
        roof.on[unit, start : start + int(rng.uniform(10, 60))] = False


def turn_plane(roof: Roof, unit: int, rng: Generator) -> None:
    """Mounted facing another way than recorded."""
    tilt, azimuth = roof.facings[unit]
    others = [f for f in set(roof.facings) if abs((f[1] - azimuth + 180) % 360 - 180) > 40]
    roof.facings[unit] = others[0] if others else (tilt, (azimuth + rng.choice([-90, 90, 180])) % 360)


def swap(roof: Roof, unit: int, other: int) -> None:
    """Two units noted on each other's place."""
    roof.facings[unit], roof.facings[other] = roof.facings[other], roof.facings[unit]


SINGLE: dict[str, Callable[[Roof, int, Generator], None]] = {
    "not_reporting": silence,
    "not_on_record": misnote,
    "no_output": kill,
    "substring_out": lose_substrings,
    "low_output": weaken,
    "data_gap": lose_readings,
    "shaded": shade,
    "intermittent": interrupt,
    "wrong_plane": turn_plane,
}


def plant(roof: Roof, causes: Sequence[str], rng: Generator) -> list[Slip]:
    """Strike the roof with each cause in turn, every unit at most once; causes without room are left out."""
    free = list(rng.permutation(len(roof.facings)))
    slips = []
    for cause in causes:
        units = _strike(roof, cause, free, rng)
        if units:
            slips.append(Slip(cause, units))
            free = [u for u in free if u not in units]
    return slips


def _strike(roof: Roof, cause: str, free: list[int], rng: Generator) -> tuple[int, ...]:
    if not free:
        return ()
    if cause == "swapped":
        return _swap_some(roof, free)
    if cause == "branch_out":
        return _cut_branch(roof, free, rng)
    SINGLE[cause](roof, free[0], rng)
    return (int(free[0]),)


def _swap_some(roof: Roof, free: list[int]) -> tuple[int, ...]:
    others = [u for u in free[1:] if abs(roof.facings[u][1] - roof.facings[free[0]][1]) > 40]
    if not others:
        return ()
    swap(roof, free[0], others[0])
    return int(free[0]), int(others[0])


def _cut_branch(roof: Roof, free: list[int], rng: Generator) -> tuple[int, ...]:
    names = sorted(set(roof.branches))
    whole = {n: [u for u, b in enumerate(roof.branches) if b == n] for n in names}
    names = [n for n in names if set(whole[n]) <= set(free) and 2 * len(whole[n]) < len(roof.branches)]
    if not names:
        return ()
    units = whole[names[rng.integers(len(names))]]
    start = moment(roof, units[0], rng)
    roof.on[units, start:] = False
    return tuple(units)
