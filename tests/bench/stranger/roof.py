"""The roof in space, east, north, up in metres: where modules lie, and what stands between them and the sky."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np

from tests.bench.stranger.sun import Floats

WIDE, LONG = 1.15, 1.78
"""A module upright with its gap, m."""

RAYS = 160
"""Directions from which a module's share of the sky is counted."""

HALF_CELLS = np.array(
    [[[(x + dx, side * y) for dx in (-0.12, 0.12) for y in (0.15, 0.75)] for side in (1, -1)]
     for x in (-0.37, 0.0, 0.37)]
)  # fmt: skip
"""Points of an upright module with half cells: (substring, upper and lower half, point, x and y), m from its middle."""


@dataclass
class Facing:
    """A roof plane as it really is: the middle of its array and how it leans."""

    tilt_deg: float
    azimuth_deg: float
    middle: tuple[float, float, float] = (0.0, 0.0, 5.0)

    @property
    def axes(self) -> tuple[Floats, Floats, Floats]:
        """Return along the eaves, up the slope, and away from the plane."""
        t, a = np.radians(self.tilt_deg), np.radians(self.azimuth_deg)
        along = np.array([-np.cos(a), np.sin(a), 0])
        slope = np.array([-np.cos(t) * np.sin(a), -np.cos(t) * np.cos(a), np.sin(t)])
        return along, slope, np.array([np.sin(t) * np.sin(a), np.sin(t) * np.cos(a), np.cos(t)])

    def point(self, x: float, y: float, out: float = 0.0) -> Floats:
        """Return a point of the plane, `out` metres above it."""
        along, slope, away = self.axes
        return np.array(self.middle) + x * along + y * slope + out * away


class Spot(NamedTuple):
    """Where a module lies: number of its plane, metres along the eaves and up the slope."""

    plane: int
    x: float
    y: float


class Thing(Protocol):
    """Anything that stands in the light."""

    def lets(self, points: Floats, towards: Floats) -> Floats:
        """Return the share of light let through to points (P, 3) from directions (3, N): (P, N)."""
        ...


@dataclass(frozen=True)
class Box:
    """A chimney, a dormer or a house: upright, turned by an angle."""

    middle: tuple[float, float, float]
    half: tuple[float, float, float]
    turned_deg: float

    def lets(self, points: Floats, towards: Floats) -> Floats:
        """Return 0 where the ray meets the box."""
        turn = np.radians(self.turned_deg)
        c, s = np.cos(turn), np.sin(turn)
        into = np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])
        start = (points - self.middle) @ into.T
        way = into @ towards
        way = np.where(np.abs(way) < 1e-9, 1e-9, way)
        near = np.full((len(points), way.shape[1]), 0.0)
        far = np.full_like(near, np.inf)
        for axis in range(3):
            one = (-self.half[axis] - start[:, axis, None]) / way[axis]
            two = (self.half[axis] - start[:, axis, None]) / way[axis]
            near, far = np.maximum(near, np.minimum(one, two)), np.minimum(far, np.maximum(one, two))
        return np.where(near < far, 0.0, 1.0)


@dataclass(frozen=True)
class Crown:
    """A tree's crown, an ellipsoid that is not quite dense."""

    middle: tuple[float, float, float]
    half: tuple[float, float, float]
    clear: float

    def lets(self, points: Floats, towards: Floats) -> Floats:
        """Return what the crown lets through where the ray meets it, less the longer its way inside."""
        start, way = (points - self.middle) / self.half, towards / np.array(self.half)[:, None]
        a, b = (way**2).sum(axis=0), start @ way
        root = b**2 - a * ((start**2).sum(axis=1)[:, None] - 1)
        inside = np.sqrt(np.maximum(root, 0)) / np.sqrt(a)
        met = (root > 0) & (b < 0)
        return np.where(met, self.clear**inside, 1.0)


@dataclass(frozen=True)
class Hill:
    """A skyline far off: a ridge of some height and width in one direction."""

    towards_deg: float
    height_deg: float
    width_deg: float

    def skyline(self, azimuth_deg: Floats) -> Floats:
        """Return the ridge's elevation, degrees."""
        off = (azimuth_deg - self.towards_deg + 180) % 360 - 180
        return np.asarray(self.height_deg * np.exp(-((off / self.width_deg) ** 2)))

    def lets(self, points: Floats, towards: Floats) -> Floats:
        """Return 0 below the ridge."""
        azimuth = np.degrees(np.arctan2(towards[0], towards[1]))
        seen = np.degrees(np.arcsin(np.clip(towards[2], -1, 1))) > self.skyline(azimuth)
        return np.broadcast_to(seen.astype(float), (len(points), len(seen)))


def shade(spot: Spot, facing: Facing, things: Sequence[Thing], towards: Floats) -> Floats:
    """Return the beam let through to each of a module's substrings, (3, N): its darkest cell is the one that counts.

    Upper and lower half run side by side, so each half has a darkest cell of its own.
    """
    cells = HALF_CELLS.reshape(-1, 2)
    points = np.array([facing.point(spot.x + x, spot.y + y, 0.08) for x, y in cells])
    lets = _through_all(points, things, towards).reshape(*HALF_CELLS.shape[:3], -1)
    return np.asarray(lets.min(axis=2).mean(axis=1))


def sky_seen(spot: Spot, facing: Facing, things: Sequence[Thing]) -> float:
    """Return the share of a plane's diffuse light from the sky that things leave."""
    n = np.arange(RAYS) + 0.5
    up, turn = n / RAYS, np.pi * (1 + 5**0.5) * n
    flat = np.sqrt(1 - up**2)
    towards = np.stack([flat * np.sin(turn), flat * np.cos(turn), up])
    weight = np.maximum(facing.axes[2] @ towards, 0)
    lets = _through_all(facing.point(spot.x, spot.y, 0.08)[None], things, towards)[0]
    return float((lets * weight).sum() / weight.sum())


def _through_all(points: Floats, things: Sequence[Thing], towards: Floats) -> Floats:
    out = np.ones((len(points), towards.shape[1]))
    for thing in things:
        out *= thing.lets(points, towards)
    return out
