"""The daylight of a window: what the physics needs once, for the intervals in which the sun is up."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from service.expect.energy import GroupPower, UnitGroup, group_power, unit_groups
from service.expect.grid import Grid
from service.expect.plane import Brightening
from service.expect.site import Site
from service.expect.sky import Irradiance, clear_sky
from service.expect.sun import Sun, sun_for
from service.expect.weather import Weather, air_temperature, air_temperature_sd, poa_on_steps, wind_speed
from service.verify.inputs import FloatArray


@dataclass(frozen=True)
class Daylight:
    """The D intervals of a grid with the sun up, `positions` (D,), and their fine steps N = D * steps."""

    site: Site
    grid: Grid
    positions: NDArray[np.intp]
    groups: tuple[UnitGroup, ...]
    sun: Sun
    clear: Irradiance
    air_temp_c: FloatArray
    air_temp_sd_k: FloatArray
    wind_m_s: FloatArray

    @property
    def steps(self) -> int:
        """Return the number of fine steps in an interval."""
        return self.grid.steps_per_interval

    @cached_property
    def step_hours(self) -> FloatArray:
        """Return for how long the sun is up in each fine step, h, (N,)."""
        return self.grid.step_hours * self.sun.up_share

    @property
    def interval_hours(self) -> float:
        """Return the length of an interval, h."""
        return self.grid.interval_min / 60

    def on_steps(self, per_interval: FloatArray) -> FloatArray:
        """Return values (..., D) repeated onto the fine steps, (..., N)."""
        return np.repeat(per_interval, self.steps, axis=-1)

    @cached_property
    def azimuth_deg(self) -> FloatArray:
        """Return the sun's azimuth in the middle of each interval, degrees, 0-360, (D,); through north, too."""
        turn = np.exp(1j * np.radians(self.sun.azimuth_deg)).reshape(-1, self.steps).mean(axis=1)
        return np.asarray(np.degrees(np.angle(turn)) % 360)

    @cached_property
    def elevation_deg(self) -> FloatArray:
        """Return the sun's mean elevation in each interval, degrees, (D,)."""
        return np.asarray((90 - self.sun.apparent_zenith_deg).reshape(-1, self.steps).mean(axis=1))

    @cached_property
    def local_days(self) -> NDArray[np.datetime64]:
        """Return the day of each interval by the site's own clock, (D,)."""
        return self.grid.local_days(self.site.timezone)[self.positions]

    @cached_property
    def rated_wh(self) -> FloatArray:
        """Return each unit's AC limit in one interval, Wh, (U,)."""
        limits = [self.site.inverter_type(u.inverter_type).ac_rated_w for u in self.site.units]
        return np.array(limits) * self.interval_hours

    def gather(self, power_w: FloatArray) -> FloatArray:
        """Return powers (..., N) summed to energies, Wh, (..., D)."""
        energy = power_w * self.step_hours
        return np.asarray(energy.reshape(*energy.shape[:-1], -1, self.steps).sum(axis=-1))

    def power(
        self,
        group: UnitGroup,
        sky: Irradiance,
        weather: Weather | None = None,
        brightening: Brightening | None = None,
    ) -> GroupPower:
        """Return the powers of one unit of `group` under `sky`, (..., N); a plane's sensor overrules the sky there."""
        sensor = None
        if weather is not None and group.plane.name in weather.poa_w_m2:
            sensor = poa_on_steps(weather, group.plane, self.grid, self.sun, site=self.site)
        return group_power(
            group,
            self.sun,
            sky,
            site=self.site,
            air_temp_c=self.air_temp_c,
            wind_m_s=self.wind_m_s,
            sensor_w_m2=sensor,
            brightening=brightening,
        )

    def for_units(self, per_group: list[FloatArray]) -> FloatArray:
        """Return one (D,) row a group spread onto its units, (U, D)."""
        rows = np.empty((len(self.site.units), per_group[0].shape[-1]))
        for group, values in zip(self.groups, per_group, strict=True):
            rows[list(group.members)] = values
        return rows


def daylight(site: Site, grid: Grid, weather: Weather | None) -> Daylight:
    """Return the daylight of `grid` over `site`; D is 0 where the sun never rises."""
    place = {"latitude": site.latitude, "longitude": site.longitude, "elevation_m": site.elevation_m}
    sun = sun_for(grid, **place, by_night=False)
    return Daylight(
        site=site,
        grid=grid,
        positions=sun.steps[:: grid.steps_per_interval] // grid.steps_per_interval,
        groups=unit_groups(site),
        sun=sun,
        clear=clear_sky(sun, grid, site=site),
        air_temp_c=air_temperature(weather, grid, site=site)[sun.steps],
        air_temp_sd_k=air_temperature_sd(weather, grid)[sun.steps],
        wind_m_s=wind_speed(weather, grid, site=site)[sun.steps],
    )
