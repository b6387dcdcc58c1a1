"""From light to AC power: plane of array, cell temperature, modules with bypass diodes, small inverters."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from tests.bench.stranger.air import Sky
from tests.bench.stranger.roof import Facing, Spot, Thing, shade, sky_seen
from tests.bench.stranger.sun import Floats, Sun

DIODE = 0.045
"""A bypass diode's forward voltage (0.5 V) over a substring's (11 V); common practice, no source."""

SUBSTRING_V = 11.3
VOLTAGE_PER_C = -0.0028
GLASS = 0.16
"""Martin & Ruiz 2001, doi:10.1016/S0927-0248(00)00408-6: a_r of clean glass is 0.16 to 0.17."""

HULD = (-0.017162, -0.040289, 0.000148, 0.000169, 0.000005)
"""k1, k2, k4, k5, k6 of silicon, Huld et al. 2011, doi:10.1016/j.solmat.2011.07.026; k3 is a datasheet's."""

COARSE_MIN = 4
"""Minutes between the sun positions at which shade is traced."""

Powers = Callable[[Floats, "Build"], Floats]


@dataclass
class Build:
    """The array as it stands: M modules on U units. Faults change it, and what comes out of it (`then`)."""

    facings: list[Facing]
    spots: list[Spot]
    unit_of: NDArray[np.intp]
    alive: NDArray[np.bool_]
    """(M, 3): substrings that are not bridged."""
    gain: Floats
    """(M,): rated power that the module really has, dirt and tolerance taken in, over of a datasheet."""
    pmax_w: Floats
    gamma: Floats
    warmer_c: Floats
    rated_w: Floats
    """(U,)"""
    efficiency: float
    low_light: float
    cooling: tuple[float, float]
    lag_min: float
    least_strings: int
    things: list[Thing] = field(default_factory=list)
    """What hides the sky, and casts shadows unless it is `transparent`."""
    transparent: list[Thing] = field(default_factory=list)
    seen: dict[tuple[object, ...], tuple[Floats, float]] = field(default_factory=dict)
    then: list[Powers] = field(default_factory=list)

    def copy(self) -> Build:
        """Return one that faults can change and the first stays as it is; what was traced is kept by both."""
        return replace(
            self, facings=list(self.facings), spots=list(self.spots), alive=self.alive.copy(),
            gain=self.gain.copy(), then=list(self.then),
        )  # fmt: skip


class Light(NamedTuple):
    """Irradiance behind the glass, W/m2 (T,): what things can shade, the rest of the sky, the ground."""

    beam: Floats
    sky: Floats
    ground: Floats


def plane_light(sky: Sky, facing: Facing, dni: Floats) -> Light:
    """Return a plane's light by Hay & Davies 1980 (Duffie & Beckman, 2.16.4), behind glass of Martin & Ruiz 2001."""
    tilt = np.radians(facing.tilt_deg)
    incidence = np.maximum(facing.axes[2] @ sky.sun.towards, 0)
    up = np.maximum(sky.sun.towards[2], 0.035)
    around = np.clip(dni / sky.sun.extra_w_m2, 0, 1)
    glass = (1 - np.exp(-incidence / GLASS)) / (1 - np.exp(-1 / GLASS))
    beam = (dni + sky.diffuse * around / up) * incidence * glass
    dome = sky.diffuse * (1 - around) * (1 + np.cos(tilt)) / 2
    ghi = dni * np.maximum(sky.sun.towards[2], 0) + sky.diffuse
    return Light(beam, 0.95 * dome, 0.9 * sky.albedo * ghi * (1 - np.cos(tilt)) / 2)


def efficiency(light: Floats, cell_c: Floats, gamma: float, low_light: float) -> Floats:
    """Return the efficiency over that at 1000 W/m2 and 25 degC; Huld et al. 2011 with its low light loss scaled."""
    k1, k2, k4, k5, k6 = HULD
    log, warm = np.log(np.maximum(light, 1) / 1000), cell_c - 25
    relative = (
        1 + low_light * (k1 * log + k2 * log**2) + warm * (gamma + k4 * log + k5 * log**2) + k6 * warm**2
    )
    return np.maximum(relative, 0)


def cell_temperature(build: Build, light: Floats, sky: Sky) -> Floats:
    """Return the cells' temperature, degC; Faiman 2008, doi:10.1002/pip.813, following the light with a lag."""
    still, windy = build.cooling
    keep = float(np.exp(-1 / build.lag_min))
    over = light / (still + windy * sky.wind)
    return np.asarray(sky.air_c + lfilter([1 - keep], [1, -keep], over, zi=[keep * over[0]])[0])


def best_point(strings: Floats, level: Callable[[Floats], Floats], least: int) -> tuple[Floats, Floats]:
    """Return power over rated and the number of substrings in use, (T,), from the light on each substring (3, T).

    All in use carry the weakest one's current; the others are bypassed, and each costs a diode's voltage.
    """
    ordered = -np.sort(-strings, axis=0)
    powers = np.zeros((4, strings.shape[1]))
    for n in range(least, 4):
        one = ordered[n - 1]
        powers[n] = one / 1000 * level(one) * (n - (3 - n) * DIODE) / 3
    return powers.max(axis=0), powers.argmax(axis=0)


def module(build: Build, m: int, sky: Sky) -> tuple[Floats, Floats]:
    """Return a module's DC power, W, and voltage, V, (T,)."""
    spot = build.spots[m]
    facing = build.facings[spot.plane]
    east, north, _ = facing.point(spot.x, spot.y)
    light = plane_light(sky, facing, sky.beam * sky.through_at(east, north))
    lets, open_sky = _shaded(build, spot, facing, sky.sun)
    # what hides the sky is itself lit: a tenth of the hidden light comes back
    even = light.sky * (open_sky + 0.1 * (1 - open_sky)) + light.ground
    strings = np.maximum(light.beam * lets + even, 0)  # (3, T)
    cell = cell_temperature(build, strings.mean(axis=0), sky) + build.warmer_c[m] * light.beam / 1000
    share, used = best_point(
        strings * build.alive[m][:, None],
        lambda on: efficiency(on, cell, build.gamma[m], build.low_light),
        build.least_strings,
    )
    volts = (used - (3 - used) * DIODE) * SUBSTRING_V * (1 + VOLTAGE_PER_C * (cell - 25))
    return build.pmax_w[m] * build.gain[m] * share, np.where(used > 0, volts, 0.0)


def _shaded(build: Build, spot: Spot, facing: Facing, sun: Sun) -> tuple[Floats, float]:
    """Return the beam that each substring gets and the share of the sky, traced once for each place."""
    if not build.things:
        return np.ones((3, 1)), 1.0
    casting = [t for t in build.things if t not in build.transparent]
    key = (*spot[1:], facing.tilt_deg, facing.azimuth_deg, *facing.middle, *build.things, *build.transparent)
    if key not in build.seen:
        count = sun.towards.shape[1]
        at = np.arange(0, count + COARSE_MIN, COARSE_MIN).clip(max=count - 1)
        high = sun.towards[2, at] > 0
        coarse = np.ones((3, len(at)))
        coarse[:, high] = shade(spot, facing, casting, sun.towards[:, at[high]])
        fine = np.stack([np.interp(np.arange(count), at, row) for row in coarse])
        build.seen[key] = (fine, sky_seen(spot, facing, build.things))
    return build.seen[key]


def inverter(dc_w: Floats, rated_w: float, nominal: float) -> Floats:
    """Return AC power, W: losses that are constant, linear and quadratic (Schmidt & Sauer 1996), cut at the rating."""
    full = rated_w / nominal
    load = dc_w / full
    constant, square = 0.005, 0.013
    linear = 1 - nominal - constant - square
    return np.clip(full * (load - constant - linear * load - square * load**2), 0, rated_w)


def power(build: Build, sky: Sky) -> tuple[Floats, Floats]:
    """Return AC power, W, and DC voltage, V, (U, T), after all that befell the array."""
    units, count = len(build.rated_w), len(sky.beam)
    dc, volts = np.zeros((units, count)), np.zeros((units, count))
    for m, unit in enumerate(build.unit_of):
        one, volt = module(build, m, sky)
        dc[unit] += one
        volts[unit] = volt
    ac = np.stack([inverter(row, r, build.efficiency) for row, r in zip(dc, build.rated_w, strict=True)])
    for change in build.then:
        ac = change(ac, build)
    return ac, volts
