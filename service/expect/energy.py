"""Expected energy of every unit and interval: the chain from light to AC. Judges no measured values."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from service.expect.grid import FloatArray, Grid
from service.expect.inverter import ac_power, dc_limit_w
from service.expect.module import STC_CELL_TEMP_C, STC_IRRADIANCE_W_M2, dc_power
from service.expect.plane import Brightening, on_plane, plane_from_sensor
from service.expect.site import InverterType, ModuleType, Plane, Site
from service.expect.sky import Irradiance, clear_sky
from service.expect.sun import Sun, sun_for
from service.expect.temperature import cell_temperature
from service.expect.weather import Weather, air_temperature, poa_on_steps, sky_from_weather, wind_speed


@dataclass(frozen=True)
class UnitGroup:
    """Units alike in plane, module, inverter and module count; `members` index into `site.units`."""

    plane: Plane
    module: ModuleType
    inverter: InverterType
    module_count: int
    members: tuple[int, ...]


@dataclass(frozen=True)
class GroupPower:
    """What one unit of a group does while the sun is up, arrays (..., N).

    AC and DC power in W, plane-of-array irradiance in W/m2 (no incidence-angle loss), cell temperature in
    degC.
    """

    ac_w: FloatArray
    dc_w: FloatArray
    poa_w_m2: FloatArray
    cell_temp_c: FloatArray


@dataclass(frozen=True)
class Expected:
    """What every unit should have made, arrays (U, T) in the order of `site.units`; NaN where the sky is
    unknown.

    `energy_wh` in Wh; `reference_yield_h` is the plane's irradiation over 1 kW/m2, in h; `corrected_yield_h`
    the same with each step times C = 1 + gamma (T_cell - 25 degC) (IEC 61724-1); `clipped_share` the share of
    the interval (0-1) with the inverter at its limit.
    """

    energy_wh: FloatArray
    reference_yield_h: FloatArray
    corrected_yield_h: FloatArray
    clipped_share: FloatArray


def unit_groups(site: Site) -> tuple[UnitGroup, ...]:
    """Return the site's units gathered so that units alike share one computation, in order of appearance.

    Raises KeyError if a unit names a plane or type that the record does not have.
    """
    members: dict[tuple[str, str, str, int], list[int]] = {}
    for position, unit in enumerate(site.units):
        key = (unit.plane, unit.module_type, unit.inverter_type, unit.module_count)
        members.setdefault(key, []).append(position)
    return tuple(
        UnitGroup(
            site.plane(plane), site.module_type(module), site.inverter_type(inverter), count, tuple(who)
        )
        for (plane, module, inverter, count), who in members.items()
    )


def group_power(
    group: UnitGroup,
    sun: Sun,
    irradiance: Irradiance,
    *,
    site: Site,
    air_temp_c: ArrayLike,
    wind_m_s: ArrayLike,
    sensor_w_m2: FloatArray | None = None,
    brightening: Brightening | None = None,
) -> GroupPower:
    """Return the power of one unit of `group` under `irradiance` (..., N), air (N,) and wind (N,).

    Plane, cell temperature, module and inverter in this order; see there for equations and sources.
    `sensor_w_m2` (N,) replaces the modelled level on the plane where it is not NaN; `brightening` as in `on_plane`.
    """
    light = on_plane(group.plane, sun, irradiance, brightening)
    if sensor_w_m2 is not None:
        light = plane_from_sensor(light, sensor_w_m2)
    poa = light.total
    cell = cell_temperature(poa, air_temp_c=air_temp_c, wind_m_s=wind_m_s, mounting=group.plane.mounting)
    dc = dc_power(
        light.effective, cell, module=group.module, module_count=group.module_count, losses=site.losses
    )
    return GroupPower(ac_power(dc, inverter=group.inverter), dc, poa, cell)


def expected_energy(site: Site, grid: Grid, weather: Weather | None = None) -> Expected:
    """Return what each unit of `site` should have made on `grid`; clear sky unless weather is given.

    Energy is step power times step length times the sun-up share of the step, summed to intervals.
    """
    sun = sun_for(grid, latitude=site.latitude, longitude=site.longitude, elevation_m=site.elevation_m)
    sun = sun.take(sun.up_share > 0)
    irradiance = clear_sky(sun, grid, site=site)
    if weather is not None:
        irradiance = sky_from_weather(weather, grid, sun, irradiance, site=site)
    air = air_temperature(weather, grid, site=site)[sun.steps]
    wind = wind_speed(weather, grid, site=site)[sun.steps]
    out = np.zeros((4, len(site.units), grid.count))
    for group in unit_groups(site):
        sensor = None if weather is None else poa_on_steps(weather, group.plane, grid, sun, site=site)
        power = group_power(
            group, sun, irradiance, site=site, air_temp_c=air, wind_m_s=wind, sensor_w_m2=sensor
        )
        out[:, list(group.members)] = _gathered(group, power, sun, grid)[:, None, :]
    return Expected(*out)


def _gathered(group: UnitGroup, power: GroupPower, sun: Sun, grid: Grid) -> FloatArray:
    """Return energy, reference yield, corrected yield and clipped share of one unit, (4, T)."""
    hours = sun.up_share * grid.step_hours
    warmth = 1 + group.module.gamma_pmax_per_c * (power.cell_temp_c - STC_CELL_TEMP_C)
    at_limit = np.where(np.isnan(power.dc_w), np.nan, power.dc_w >= dc_limit_w(group.inverter))
    sunlit = np.stack(
        [
            power.ac_w * hours,
            power.poa_w_m2 / STC_IRRADIANCE_W_M2 * hours,
            power.poa_w_m2 / STC_IRRADIANCE_W_M2 * warmth * hours,
            at_limit * sun.up_share / grid.steps_per_interval,
        ]
    )
    on_grid = np.zeros((4, grid.step_count))
    on_grid[:, sun.steps] = sunlit
    return grid.to_intervals(on_grid)
