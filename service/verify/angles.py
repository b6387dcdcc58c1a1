"""Orientations of planes and the angles between them."""

from __future__ import annotations

from typing import Protocol

import numpy as np

from service.verify.inputs import FloatArray

LIKE_ANOTHER_DEG = 20.0
"""Planes whose normals are nearer have much the same curve (our choice, no source)."""


class Oriented(Protocol):
    """Anything with an orientation, degrees."""

    @property
    def tilt_deg(self) -> float: ...

    @property
    def azimuth_deg(self) -> float: ...


def apart_deg(plane: Oriented, turn: Oriented) -> float:
    """Return the angle between the normals of two orientations, degrees."""
    towards = normal(plane.tilt_deg, plane.azimuth_deg) @ normal(turn.tilt_deg, turn.azimuth_deg)
    return float(np.degrees(np.arccos(np.clip(towards, -1.0, 1.0))))


def azimuths_apart_deg(one_deg: float, other_deg: float) -> float:
    """Return the angle between two azimuths, degrees."""
    return abs((one_deg - other_deg + 180) % 360 - 180)


def normal(tilt_deg: float, azimuth_deg: float) -> FloatArray:
    """Return the unit vector of an orientation: east, north, up."""
    tilt, azimuth = np.radians(tilt_deg), np.radians(azimuth_deg)
    return np.array([np.sin(tilt) * np.sin(azimuth), np.sin(tilt) * np.cos(azimuth), np.cos(tilt)])
