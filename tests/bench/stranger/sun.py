"""Where the sun stands: the Astronomical Almanac's low-precision formulae, good to 0.01 degrees from 1950 to 2050."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SOLAR_CONSTANT = 1361.0
"""W/m2, Kopp & Lean 2011, doi:10.1029/2010GL045777."""

J2000_MINUTES = 10_957.5 * 1440
"""From 1970-01-01 00:00 UTC to 2000-01-01 12:00 UTC."""


class Sun(NamedTuple):
    """Towards the sun in east, north, up (3, T); its distance in astronomical units (T,)."""

    towards: Floats
    distance: Floats

    @property
    def elevation_deg(self) -> Floats:
        """Return the apparent elevation, degrees."""
        return np.asarray(np.degrees(np.arcsin(np.clip(self.towards[2], -1, 1))))

    @property
    def azimuth_deg(self) -> Floats:
        """Return the azimuth, degrees clockwise from north."""
        return np.asarray(np.degrees(np.arctan2(self.towards[0], self.towards[1])) % 360)

    @property
    def extra_w_m2(self) -> Floats:
        """Return the irradiance outside the atmosphere, W/m2."""
        return np.asarray(SOLAR_CONSTANT / self.distance**2)


def sun(minutes: Floats, latitude: float, longitude: float) -> Sun:
    """Return the sun at UTC minutes since 1970, seen through the air.

    Astronomical Almanac, section C, as given by Michalsky 1988, doi:10.1016/0038-092X(88)90045-X.
    """
    days = (minutes - J2000_MINUTES) / 1440
    anomaly = np.radians(357.528 + 0.9856003 * days)
    longitude_of_sun = np.radians(
        280.460 + 0.9856474 * days + 1.915 * np.sin(anomaly) + 0.020 * np.sin(2 * anomaly)
    )
    obliquity = np.radians(23.439 - 0.0000004 * days)
    ascension = np.arctan2(np.cos(obliquity) * np.sin(longitude_of_sun), np.cos(longitude_of_sun))
    declination = np.arcsin(np.sin(obliquity) * np.sin(longitude_of_sun))
    sidereal_h = 6.697375 + 0.0657098242 * days + minutes % 1440 / 60
    hour_angle = np.radians(15 * sidereal_h + longitude) - ascension
    distance = 1.00014 - 0.01671 * np.cos(anomaly) - 0.00014 * np.cos(2 * anomaly)
    return Sun(_lifted(_local(declination, hour_angle, np.radians(latitude))), distance)


def _local(declination: Floats, hour_angle: Floats, latitude: float) -> Floats:
    east = -np.cos(declination) * np.sin(hour_angle)
    north = np.cos(latitude) * np.sin(declination) - np.sin(latitude) * np.cos(declination) * np.cos(
        hour_angle
    )
    up = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(hour_angle)
    return np.stack([east, north, up])


def _lifted(towards: Floats) -> Floats:
    """Return the direction with refraction; Saemundsson 1986 (Meeus, Astronomical Algorithms, 16.4)."""
    flat = np.hypot(towards[0], towards[1])
    true_deg = np.degrees(np.arctan2(towards[2], flat))
    seen_from = np.maximum(true_deg, -1.0)
    arcmin = np.where(true_deg > -1, 1.02 / np.tan(np.radians(seen_from + 10.3 / (seen_from + 5.11))), 0.0)
    seen = np.radians(true_deg + arcmin / 60)
    level = np.cos(seen) / np.maximum(flat, 1e-9)
    return np.stack([towards[0] * level, towards[1] * level, np.sin(seen)])
