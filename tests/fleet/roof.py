"""A roof as it really is, by the minute: the light on each unit, and what stands between light and meter.

`faults.py` changes a roof; `simulate.py` builds it and reads its meters.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tests.fleet.plant import Inverter, Module, ac_power, cell_temperature, dc_power, effective, energy_wh
from tests.fleet.sun import Array, Place, on_plane

Facing = tuple[float, float]
"""Tilt and azimuth, degrees."""


@dataclass(frozen=True)
class Air:
    """The weather of the window by the minute."""

    minutes: pd.DatetimeIndex
    elevation_deg: Array
    azimuth_deg: Array
    dni: Array
    dhi: Array
    temp_c: Array
    wind_m_s: Array

    def cut(self, part: slice) -> Air:
        """Return a part of the minutes."""
        return Air(*(getattr(self, f.name)[part] for f in fields(self)))


@dataclass(frozen=True)
class Light:
    """Light behind the glass of one facing, W/m2, and the cell temperature there, degC."""

    beam: Array
    diffuse: Array
    cell_c: Array

    def cut(self, part: slice) -> Light:
        """Return a part of the minutes."""
        return Light(self.beam[part], self.diffuse[part], self.cell_c[part])


@dataclass
class Roof:
    """Units on planes; `dc_share` (U, N) and `on` (U, N) by the minute, `heard` (U, T) by the interval.

    `ac_share` (N,) is what a limit on the whole site leaves of every unit's power.
    """

    place: Place
    air: Air
    interval_min: int
    albedo: float
    noct_c: float
    lag_min: float
    facings: list[Facing]
    modules: list[Module]
    inverters: list[Inverter]
    branches: list[str]
    whole: Roof | None = None
    """The roof of the whole day of which this one is `part`: modules are warm when a short window begins."""
    part: slice = field(default_factory=lambda: slice(None))
    dc_share: Array = field(init=False)
    ac_share: Array = field(init=False)
    on: NDArray[np.bool_] = field(init=False)
    heard: NDArray[np.bool_] = field(init=False)
    _lights: dict[Facing, Light] = field(default_factory=dict)

    def __post_init__(self) -> None:
        minutes, units = len(self.air.minutes), len(self.facings)
        self.dc_share = np.ones((units, minutes))
        self.ac_share = np.ones(minutes)
        self.on = np.ones((units, minutes), dtype=bool)
        self.heard = np.ones((units, minutes // self.interval_min), dtype=bool)

    def window(self, part: slice) -> Roof:
        """Return the same roof, no fault planted yet, over a part of its minutes."""
        return replace(self, air=self.air.cut(part), whole=self, part=part, _lights={})

    def light(self, facing: Facing) -> Light:
        """Return the light on a facing, worked out once."""
        if facing not in self._lights:
            whole = self.whole
            self._lights[facing] = whole.light(facing).cut(self.part) if whole else self._work_out(facing)
        return self._lights[facing]

    def _work_out(self, facing: Facing) -> Light:
        air = self.air
        tilt, azimuth = facing
        fallen = on_plane(
            self.place, air.minutes, air.dni, air.dhi, tilt=tilt, azimuth=azimuth, albedo=self.albedo
        )
        beam, diffuse = effective(fallen)
        cell = cell_temperature(
            beam + diffuse, air.temp_c, air.wind_m_s, noct_c=self.noct_c, lag_min=self.lag_min
        )
        return Light(beam, diffuse, cell)

    def dc_w(self, unit: int, facing: Facing | None = None) -> Array:
        """Return the unit's faultless DC power by the minute, W, here or on another facing."""
        light = self.light(facing or self.facings[unit])
        return dc_power(self.modules[unit], light.beam + light.diffuse, light.cell_c)

    def ac_w(self, unit: int) -> Array:
        """Return the unit's AC power by the minute, W, faults and all."""
        power = ac_power(self.inverters[unit], self.dc_w(unit) * self.dc_share[unit])
        return np.where(self.on[unit], power, 0.0) * self.ac_share

    def energies(self) -> Array:
        """Return (U, T) energies, Wh, faults and all, whether heard or not."""
        return np.array([energy_wh(self.ac_w(unit), self.interval_min) for unit in range(len(self.facings))])

    @property
    def lit(self) -> NDArray[np.intp]:
        """Return the positions of the intervals with the sun well up."""
        elevation = self.air.elevation_deg.reshape(-1, self.interval_min).mean(axis=1)
        return np.flatnonzero(elevation > 5)
