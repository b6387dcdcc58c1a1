"""Modules and small inverters by the minute: reflection, cell temperature, DC power, AC power.

An engine of its own: Fresnel reflection, nominal-operating-cell-temperature heat balance with a thermal lag,
logarithmic low-light loss, quadratic inverter losses with a start-up threshold.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from tests.fleet.sun import Array, PlaneLight

GLASS_INDEX = 1.526
DIFFUSE_TRANSMISSION = 0.955
"""Share of isotropic sky and ground light that passes the glass (59-70 deg effective incidence); from memory."""

MIN_PER_H = 60


@dataclass(frozen=True)
class Module:
    """One module as it really is: `nameplate` is its true power over the rated one."""

    pmax_w: float
    gamma_per_c: float
    low_light: float
    nameplate: float = 1.0


@dataclass(frozen=True)
class Inverter:
    """Quadratic losses as shares of the rating, and the power below which it does not start."""

    ac_rated_w: float
    own: float = 0.004
    linear: float = 0.016
    quadratic: float = 0.012
    start: float = 0.012

    @property
    def efficiency(self) -> float:
        """Return the mean of the efficiencies at half and at full load, as a datasheet would round it."""
        loads = np.array([0.5, 1.0])
        return round(
            float(np.mean(1 - (self.own + self.linear * loads + self.quadratic * loads**2) / loads)), 3
        )


def glass(incidence_deg: Array) -> Array:
    """Return the share of beam that passes the glass, 1 at normal incidence (Fresnel, unpolarised)."""
    angle = np.radians(np.clip(incidence_deg, 0.01, 89.99))
    inside = np.arcsin(np.sin(angle) / GLASS_INDEX)
    perpendicular = (np.sin(inside - angle) / np.sin(inside + angle)) ** 2
    parallel = (np.tan(inside - angle) / np.tan(inside + angle)) ** 2
    at_normal = ((GLASS_INDEX - 1) / (GLASS_INDEX + 1)) ** 2
    return np.asarray((1 - (perpendicular + parallel) / 2) / (1 - at_normal))


def effective(light: PlaneLight) -> tuple[Array, Array]:
    """Return beam and diffuse light behind the glass, W/m2."""
    return light.beam * glass(light.incidence_deg), DIFFUSE_TRANSMISSION * (light.sky + light.ground)


def cell_temperature(
    irradiance: Array, air_c: Array, wind_m_s: Array, *, noct_c: float, lag_min: float
) -> Array:
    """Return cell temperature, degC, from the heat balance at nominal operating conditions, lagging behind.

    T = Ta + (G / 800) (NOCT - 20) 9.5 / (5.7 + 3.8 v), as in Duffie and Beckman, first-order lag `lag_min`.
    """
    rise = irradiance / 800 * (noct_c - 20) * 9.5 / (5.7 + 3.8 * wind_m_s)
    keep = np.exp(-1 / lag_min)
    return np.asarray(air_c + lfilter([1 - keep], [1, -keep], rise))


def dc_power(module: Module, irradiance: Array, cell_c: Array) -> Array:
    """Return the module's DC power, W."""
    suns = np.maximum(irradiance, 0) / 1000
    low = np.maximum(1 + module.low_light * np.log(np.maximum(suns, 1e-3)), 0)
    heat = 1 + module.gamma_per_c * (cell_c - 25)
    return module.pmax_w * module.nameplate * suns * low * heat


def ac_power(inverter: Inverter, dc_w: Array) -> Array:
    """Return AC power, W: losses taken off, nothing below the threshold, never above the rating."""
    load = dc_w / inverter.ac_rated_w
    losses = inverter.own + inverter.linear * load + inverter.quadratic * load**2
    power = np.minimum((load - losses) * inverter.ac_rated_w, inverter.ac_rated_w)
    return np.where(load > inverter.start, np.maximum(power, 0), 0.0)


def energy_wh(power_w: Array, interval_min: int) -> Array:
    """Return energy per interval, Wh, of power by the minute (last axis)."""
    shape = (*power_w.shape[:-1], -1, interval_min)
    return np.asarray(power_w.reshape(shape).sum(axis=-1) / MIN_PER_H)
