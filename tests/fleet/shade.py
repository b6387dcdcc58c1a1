"""What stands between a module and the sun: near objects and far horizons, and what bypass diodes make of them.

Outlines are elevations by azimuth as seen from the module; diffuse light stays, but for the share of sky covered.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from tests.fleet.roof import Light
from tests.fleet.sun import Array

SUBSTRINGS = 3
BYPASS_LOSS = 0.013
"""Share of a module's power that one conducting bypass diode takes (full-cell module, single-diode model)."""

OPEN_CIRCUIT = 0.2
"""Open-circuit voltage over that of the best point, less one (crystalline silicon, common practice, no source)."""

EDGE_DEG = 0.6
"""Width of a shadow's edge: the sun's disc and a cell's own size."""


@dataclass(frozen=True)
class Outline:
    """What stands before the sky: its elevation at azimuths, degrees, and the share of beam it lets through."""

    azimuth_deg: Array
    elevation_deg: Array
    lets_through: float = 0.0

    def blocked(self, azimuth_deg: Array, elevation_deg: Array, turn_deg: float = 0.0) -> Array:
        """Return the share of beam that is taken (0-1), with the outline turned by `turn_deg`."""
        top = np.interp(azimuth_deg - turn_deg, self.azimuth_deg, self.elevation_deg, period=360)
        covered = np.clip((top - elevation_deg) / EDGE_DEG + 0.5, 0, 1) * (top > 0)
        return covered * (1 - self.lets_through)

    @property
    def sky_share(self) -> float:
        """Return the share of an even sky's light that is covered, as a level plane sees it."""
        around = np.arange(360.0)
        top = np.interp(around, self.azimuth_deg, self.elevation_deg, period=360)
        return float(np.mean(np.sin(np.radians(np.maximum(top, 0))) ** 2) * (1 - self.lets_through))


def chimney(rng: Generator, azimuth_deg: float, top_deg: float) -> Outline:
    """Return a narrow upright box."""
    half = rng.uniform(6, 20)
    around = azimuth_deg + np.array([-half - 0.1, -half, half, half + 0.1])
    return _outline(around, np.array([0, top_deg, top_deg, 0]))


def tree(rng: Generator, azimuth_deg: float, top_deg: float) -> Outline:
    """Return a round crown that lets some light through."""
    offset = np.linspace(-3, 3, 41)
    around = azimuth_deg + offset * rng.uniform(8, 18)
    crown = top_deg * np.exp(-(offset**2) / 2) * (1 + rng.normal(0, 0.04, 41))
    return _outline(around, np.where(np.abs(offset) < 2.9, crown, 0.0), rng.uniform(0.05, 0.25))


def house(rng: Generator, azimuth_deg: float, top_deg: float) -> Outline:
    """Return a neighbour's gable: walls, and a ridge above them."""
    half = rng.uniform(25, 50)
    around = azimuth_deg + np.array([-half - 0.1, -half, 0, half, half + 0.1])
    eaves = top_deg * rng.uniform(0.6, 0.85)
    return _outline(around, np.array([0, eaves, top_deg, eaves, 0]))


def hill(rng: Generator, azimuth_deg: float, top_deg: float) -> Outline:
    """Return a far ridge with its own ups and downs."""
    offset = np.linspace(-1, 1, 61)
    around = azimuth_deg + offset * rng.uniform(50, 100)
    ridge = top_deg * np.cos(offset * np.pi / 2) ** 0.5 * (1 + 0.06 * np.sin(offset * 11 + rng.uniform(0, 6)))
    return _outline(around, ridge)


def _outline(azimuth_deg: Array, elevation_deg: Array, lets_through: float = 0.0) -> Outline:
    order = np.argsort(azimuth_deg % 360)
    return Outline((azimuth_deg % 360)[order], elevation_deg[order].astype(float), lets_through)


def near(
    outline: Outline, light: Light, azimuth_deg: Array, elevation_deg: Array, *, spread_deg: float
) -> Array:
    """Return what a near object leaves of DC power: it reaches the three substrings one after another."""
    turns = spread_deg * np.array([-1, 0, 1])
    blocked = np.array([outline.blocked(azimuth_deg, elevation_deg, turn) for turn in turns])
    return _bypassed(light.beam * (1 - blocked), light.diffuse * (1 - outline.sky_share), light)


def far(
    outline: Outline, light: Light, azimuth_deg: Array, elevation_deg: Array, *, turn_deg: float = 0.0
) -> Array:
    """Return what a far object leaves of DC power: every cell loses the same beam."""
    beam = light.beam * (1 - outline.blocked(azimuth_deg, elevation_deg, turn_deg))
    return (beam + light.diffuse * (1 - outline.sky_share)) / np.maximum(light.beam + light.diffuse, 1e-9)


def _bypassed(beam: Array, diffuse: Array, light: Light) -> Array:
    """Return the best that one, two or three substrings in series give, held to their weakest, over full light."""
    suns = np.sort(beam + diffuse, axis=0)[::-1] / np.maximum(light.beam + light.diffuse, 1e-9)
    return np.asarray(np.max([_in_series(suns[:count]) for count in range(1, SUBSTRINGS + 1)], axis=0))


def _in_series(suns: Array) -> Array:
    """Return the power of the brightest substrings at the weakest one's current, the others bypassed.

    A substring held below its own best current rises towards its open-circuit voltage; at the best point
    dV/V = -dI/I, which sets the slope.
    """
    weakest = suns[-1]
    unused = 1 - weakest / np.maximum(suns, 1e-9)
    volts = (1 + OPEN_CIRCUIT * (1 - np.exp(-unused / OPEN_CIRCUIT))).sum(axis=0) / SUBSTRINGS
    return np.asarray(weakest * (volts - BYPASS_LOSS * (SUBSTRINGS - len(suns))))
