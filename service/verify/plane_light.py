"""What light the heard units of a plane saw in a window: hours of it, direct sun, the sun's path. No judgement."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from functools import cached_property

import numpy as np

from service.expect.grid import Grid
from service.expect.plane import cos_incidence, horizon_elevation
from service.expect.site import Plane
from service.expect.sun import Sun, sun_for
from service.verify.case import BoolArray, Case, once
from service.verify.causes import shaded
from service.verify.inputs import FloatArray
from service.verify.levels import PEERS_FOR_COMPARISON

LOW_SUN_DEG, LEAST_FACING = 5.0, 0.1
"""Sun's elevation and cosine of incidence below which no beam worth the name falls on a plane."""

SUN_DAY_H = 1.0
"""Hours of direct sun that make a day count (our choice, no source)."""


@dataclass(frozen=True)
class PlaneLight:
    """What one plane's heard units saw of light; hours and minutes are those of the window."""

    case: Case
    plane: Plane
    rows: tuple[int, ...]

    @cached_property
    def lit(self) -> BoolArray:
        """Return where most of the units were heard in light, (D,)."""
        rows = list(self.rows)
        return np.asarray(np.median(self.case.light[rows] & self.case.heard[rows], axis=0) > 0.5)

    @property
    def lit_h(self) -> float:
        """Return the hours of light."""
        return float(self.lit.sum()) * self.case.day.interval_hours

    @cached_property
    def facing(self) -> BoolArray:
        """Return the fine steps in which the sun stands before the plane, (N,)."""
        return _before(self.plane, self.case.day.sun)

    def sunny(self, index: float) -> BoolArray:
        """Return where the sun shone on the plane at a clear-sky index of `index` or more, (D,)."""
        faced = self.facing.reshape(-1, self.case.day.steps).mean(axis=1) > 0.5
        return np.asarray(self.lit & faced & (clear_sky_index(self.case) >= index))

    @cached_property
    def sun_h(self) -> float:
        """Return the hours of direct sun, as far as a clear-sky index tells it.

        Of 60 simulated days with known sunshine (`tests/bench/fleet`) 53 fall on the same side of three hours; a
        bright overcast may count as sun, broken cloud as none.
        """
        return float(self.sunny(shaded.CLEAR_INDEX).sum()) * self.case.day.interval_hours

    @cached_property
    def sun_days(self) -> int:
        """Return the days with SUN_DAY_H of direct sun."""
        days = self.case.day.local_days[self.sunny(shaded.CLEAR_INDEX)]
        _, counts = np.unique(days, return_counts=True)
        return int((counts * self.case.day.interval_hours >= SUN_DAY_H).sum())

    @cached_property
    def path_h(self) -> tuple[float, float]:
        """Return for how many hours of one day the sun stands before the plane, and how many of them were not seen."""
        beam = shaded.BEAM_INDEX if len(self.rows) >= PEERS_FOR_COMPARISON else shaded.CLEAR_INDEX
        sun = self.case.day.sun
        seen = self.facing & self.case.day.on_steps(self.sunny(beam).astype(float)).astype(bool)
        whole, grid = _one_day(self.case)
        before = _before(self.plane, whole)
        unseen = before & ~np.isin(_places(whole.azimuth_deg), _places(sun.azimuth_deg[seen]))
        return float(before.sum()) * grid.step_hours, float(unseen.sum()) * grid.step_hours


def _before(plane: Plane, sun: Sun) -> BoolArray:
    elevation = 90 - sun.apparent_zenith_deg
    above = elevation > np.maximum(horizon_elevation(plane, sun.azimuth_deg), LOW_SUN_DEG)
    return np.asarray(above & (cos_incidence(plane, sun) > LEAST_FACING))


def _places(azimuth_deg: FloatArray) -> FloatArray:
    return np.floor(azimuth_deg / shaded.AZIMUTH_STEP_DEG)


@once
def _one_day(case: Case) -> tuple[Sun, Grid]:
    """Return the sun of the 24 hours around the window's middle."""
    grid, site = case.day.grid, case.day.site
    start = grid.start + (grid.end - grid.start) / 2 - timedelta(hours=12)
    day = Grid(start, 60, 24)
    return sun_for(day, latitude=site.latitude, longitude=site.longitude, elevation_m=site.elevation_m), day


def clear_sky_index(case: Case) -> FloatArray:
    """Return the index that the units told, or measured irradiance where they told none, (D,); 0 where unknown."""
    if case.array_sky.known.any() or case.source != "measured":
        return np.where(case.array_sky.known, case.array_sky.index, 0.0)
    clear = case.clear_wh.sum(axis=0)
    return np.asarray(
        np.divide(case.peers.energy_wh.sum(axis=0), clear, out=np.zeros_like(clear), where=clear > 0)
    )


def plane_lights(case: Case) -> list[PlaneLight]:
    """Return the light of each plane that has heard units."""
    heard = case.ever_heard & case.expected_to_report
    members: dict[str, list[int]] = {}
    for i, unit in enumerate(case.day.site.units):
        if heard[i]:
            members.setdefault(unit.plane, []).append(i)
    return [PlaneLight(case, case.day.site.plane(name), tuple(rows)) for name, rows in members.items()]
