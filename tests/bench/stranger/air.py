"""The sky over the roof, minute by minute: Bird's clear sky, five kinds of day, clouds that drift, air and wind."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from scipy.ndimage import uniform_filter1d
from scipy.signal import lfilter

from tests.bench.stranger.sun import Floats, Sun

DAYS = {"clear": 0.3, "broken": 0.3, "overcast": 0.16, "thin": 0.16, "fog": 0.08}
"""Kinds of day and their odds; common practice, no source."""

OZONE_CM = 0.3
FORWARD = 0.84
"""Share of the light that aerosol scatters forward (Bird & Hulstrom 1981)."""

MINUTES_A_DAY = 1440


@dataclass(frozen=True)
class Air:
    """What a day's clear air holds."""

    pressure_pa: float
    water_cm: float
    aerosol_500: float
    albedo: float


@dataclass(frozen=True)
class Sky:
    """Light and air on T minutes: clear beam and what clouds let through of it, diffuse horizontal, W/m2; degC; m/s."""

    sun: Sun
    beam: Floats
    through: Floats
    diffuse: Floats
    air_c: Floats
    wind: Floats
    drift_m_s: float
    drift_from_deg: float
    albedo: float

    @property
    def dni(self) -> Floats:
        """Return the beam that arrives at the middle of the roof, W/m2."""
        return np.asarray(self.beam * self.through)

    @property
    def ghi(self) -> Floats:
        """Return the global horizontal irradiance, W/m2."""
        return np.asarray(self.dni * np.maximum(self.sun.towards[2], 0) + self.diffuse)

    def through_at(self, east: float, north: float) -> Floats:
        """Return the clouds' transmission over a place: the middle's, earlier or later by the way they drift."""
        way = np.radians(self.drift_from_deg)
        late = -(east * np.sin(way) + north * np.cos(way)) / self.drift_m_s / 60
        at = np.arange(len(self.through))
        return np.asarray(np.interp(at - late, at, self.through))


def bird(sun: Sun, air: Air) -> tuple[Floats, Floats]:
    """Return beam normal and diffuse horizontal irradiance of a clear sky, W/m2, 0 at night.

    Bird & Hulstrom 1981, SERI/TR-642-761, with aerosol at 380 nm taken as 1.35 times that at 500 nm.
    """
    up = np.clip(sun.towards[2], 0.01, 1)
    zenith = np.degrees(np.arccos(up))
    mass = 1 / (up + 0.15 * (93.885 - zenith) ** -1.253)
    dense = mass * air.pressure_pa / 101_325
    rayleigh = np.exp(-0.0903 * dense**0.84 * (1 + dense - dense**1.01))
    ozone, water = OZONE_CM * mass, air.water_cm * mass
    t_ozone = 1 - 0.1611 * ozone * (1 + 139.48 * ozone) ** -0.3035
    t_ozone -= 0.002715 * ozone / (1 + 0.044 * ozone + 0.0003 * ozone**2)
    t_water = 1 - 2.4959 * water / ((1 + 79.034 * water) ** 0.6828 + 6.385 * water)
    haze = 0.2758 * 1.35 * air.aerosol_500 + 0.35 * air.aerosol_500
    t_haze = np.exp(-(haze**0.873) * (1 + haze - haze**0.7088) * mass**0.9108)
    gases = t_ozone * np.exp(-0.0127 * dense**0.26) * t_water
    absorbed = 1 - 0.1 * (1 - mass + mass**1.06) * (1 - t_haze)
    beam = 0.9662 * sun.extra_w_m2 * rayleigh * gases * t_haze
    scattered = 0.5 * (1 - rayleigh) + FORWARD * (1 - t_haze / absorbed)
    from_sky = sun.extra_w_m2 * up * 0.79 * gases * absorbed * scattered / (1 - mass + mass**1.02)
    back = 0.0685 + (1 - FORWARD) * (1 - t_haze / absorbed)
    diffuse = (beam * up + from_sky) / (1 - air.albedo * back) - beam * up
    day = sun.towards[2] > 0.01
    return np.where(day, beam, 0.0), np.where(day, diffuse, 0.0)


def noise(rng: Generator, count: int, minutes: float) -> Floats:
    """Return noise of standard deviation 1 whose memory fades within some minutes."""
    keep = float(np.exp(-1 / minutes))
    first = [keep * rng.normal()]
    steps = rng.normal(size=count) * np.sqrt(1 - keep**2)
    return np.asarray(lfilter([1], [1, -keep], steps, zi=first)[0])


def draw_sky(
    rng: Generator, sun: Sun, *, kinds: list[str], warm_c: float, pressure_pa: float, solar_hour: Floats
) -> Sky:
    """Return the sky over whole days, one kind for each; `solar_hour` (T,) is the mean solar time."""
    albedo = rng.uniform(0.12, 0.28)
    parts = []
    damp, haze = rng.uniform(0.5, 1.1), rng.lognormal(np.log(0.11), 0.5)
    for n, kind in enumerate(kinds):
        of_day = slice(n * MINUTES_A_DAY, (n + 1) * MINUTES_A_DAY)
        air = Air(
            pressure_pa,
            water_cm=max(0.3, 0.13 * (warm_c + 8) * damp * rng.lognormal(0, 0.2)),
            aerosol_500=float(np.clip(haze * rng.lognormal(0, 0.3), 0.03, 0.6)),
            albedo=albedo,
        )
        part = Sun(sun.towards[:, of_day], sun.distance[of_day])
        parts.append(_day(rng, part, air, kind, solar_hour[of_day]))
    beam, through, diffuse, shiny = (np.concatenate(one) for one in zip(*parts, strict=True))
    count = len(beam)
    swing = 2 + 5 * shiny
    air_c = warm_c + swing * np.cos(np.pi / 12 * (solar_hour - 15)) + noise(rng, count, 400) * 1.5
    wind = rng.uniform(0.6, 3.5) * np.exp(0.35 * noise(rng, count, 30) + 0.3 * noise(rng, count, 600))
    return Sky(
        sun, beam, through, diffuse, air_c, wind,
        drift_m_s=rng.uniform(3, 18), drift_from_deg=rng.uniform(0, 360), albedo=albedo,
    )  # fmt: skip


def _day(
    rng: Generator, sun: Sun, air: Air, kind: str, hour: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return clear beam, transmission, diffuse light, and how clear the day is (0 or 1)."""
    beam, clear_diffuse = bird(sun, air)
    up = np.maximum(sun.towards[2], 0)
    depth, cover, dull = CLOUDS[kind](rng, hour)
    through = np.exp(-depth)
    from_cloud = dull * (beam * up + clear_diffuse)
    diffuse = (1 - cover) * clear_diffuse + cover * from_cloud
    if kind == "thin":
        diffuse = clear_diffuse + 0.75 * (1 - through) * beam * up
    shiny = np.full(len(beam), float(kind in ("clear", "thin", "fog")))
    return beam, through, diffuse, shiny


def _clear(_rng: Generator, hour: Floats) -> tuple[Floats, Floats, Floats]:
    none = np.zeros(len(hour))
    return none, none, none


def _broken(rng: Generator, hour: Floats) -> tuple[Floats, Floats, Floats]:
    """Return clouds as wide as some minutes, in fields that come and go within hours."""
    count = len(hour)
    field = 0.75 * noise(rng, count, rng.uniform(3, 12)) + 0.65 * noise(rng, count, 90)
    over = field - np.quantile(field, 1 - rng.uniform(0.15, 0.8))
    depth = np.clip(over * rng.uniform(4, 12), 0, 6)
    cover = uniform_filter1d((over > 0).astype(float), 31)
    return depth, cover, np.full(count, rng.uniform(0.3, 0.5))


def _overcast(rng: Generator, hour: Floats) -> tuple[Floats, Floats, Floats]:
    """Return a closed cover, through which the sun is seldom seen."""
    count = len(hour)
    dull = rng.uniform(0.12, 0.4) * np.exp(0.3 * noise(rng, count, 45))
    depth = np.clip(6 + 1.6 * noise(rng, count, 50), 0.8, None)
    return depth, np.ones(count), np.clip(dull, 0.05, 0.6)


def _thin(rng: Generator, hour: Floats) -> tuple[Floats, Floats, Floats]:
    """Return high ice cloud: of what it scatters half stays so near the sun that a plane takes it for beam.

    Delta scaling with the forward share g squared and g of 0.7 to 0.8 (Joseph, Wiscombe & Weinman 1976).
    """
    count = len(hour)
    return (
        0.5 * rng.uniform(0.08, 0.45) * np.exp(0.5 * noise(rng, count, 60)),
        np.zeros(count),
        np.zeros(count),
    )


def _fog(rng: Generator, hour: Floats) -> tuple[Floats, Floats, Floats]:
    """Return fog that lifts within the hour some time in the morning."""
    lifting = np.clip((hour - rng.uniform(8, 11.5)) / rng.uniform(0.3, 1.2), 0, 1)
    return 6 * (1 - lifting) ** 2, 1 - lifting, np.full(len(hour), rng.uniform(0.25, 0.5))


CLOUDS = {"clear": _clear, "broken": _broken, "overcast": _overcast, "thin": _thin, "fog": _fog}
