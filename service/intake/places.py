"""Where a timezone is, so that a site far away from its own is noticed. Rough by intent: it refuses no real site.

Coordinates are those of the time zone database's tables of principal cities, in the `tzdata` package.
"""

from __future__ import annotations

import re
import zoneinfo
from collections.abc import Iterator
from difflib import get_close_matches
from functools import cache
from importlib.resources import files
from math import asin, cos, radians, sin, sqrt

EARTH_RADIUS_KM = 6371.0

FAR_KM = 6000.0
"""Farther from every city of its timezone no inhabited place lies (western China is 4,000 km from Shanghai)."""

SWAPPED_FROM_KM = 1500.0
SWAPPED_NEARER = 3.0
"""Swapped if the place is farther than the one, and with the numbers exchanged so many times nearer."""

Place = tuple[float, float]


@cache
def timezone_names() -> frozenset[str]:
    """Return every name of the time zone database."""
    return frozenset(zoneinfo.available_timezones())


def nearest_name(name: str) -> str | None:
    """Return the timezone whose name is most like this one."""
    by_lower = {known.lower(): known for known in sorted(timezone_names())}
    near = get_close_matches(name.lower(), by_lower, n=1, cutoff=0.6)
    return by_lower[near[0]] if near else None


@cache
def listed_timezones() -> tuple[tuple[str, str], ...]:
    """Return the timezones that have a place, by name, each with the code of its country (ISO 3166)."""
    rows = (line.split("\t") for line in _lines("zone.tab"))
    return tuple(sorted((name, country) for country, _, name, *_ in rows))


def timezone_meant(text: str) -> str:
    """Return the timezone that a person means by its name in any case, or by its city alone; else the text."""
    wanted = text.strip().lower().replace(" ", "_")
    names = {name.lower(): name for name in sorted(timezone_names())}
    by_city = {name.rpartition("/")[2].lower(): name for name, _ in reversed(listed_timezones())}
    return names.get(wanted) or by_city.get(wanted) or text.strip()


def distance_km(a: Place, b: Place) -> float:
    """Return the great-circle distance (haversine)."""
    lat_a, lat_b = radians(a[0]), radians(b[0])
    half_chord = sin((lat_b - lat_a) / 2) ** 2 + cos(lat_a) * cos(lat_b) * sin(radians(b[1] - a[1]) / 2) ** 2
    return 2 * EARTH_RADIUS_KM * asin(min(1.0, sqrt(half_chord)))


def distance_to_timezone_km(place: Place, timezone: str) -> float | None:
    """Return the distance to the nearest principal city of the timezone; None for one without a place (UTC)."""
    cities = _cities().get(_canonical(timezone), ())
    return min((distance_km(place, city) for city in cities), default=None)


def looks_swapped(place: Place, timezone: str) -> bool:
    """Return whether latitude and longitude fit the timezone only when exchanged."""
    as_given = distance_to_timezone_km(place, timezone)
    if as_given is None or abs(place[1]) > 90:
        return False
    exchanged = distance_to_timezone_km((place[1], place[0]), timezone)
    return as_given > SWAPPED_FROM_KM and exchanged is not None and exchanged * SWAPPED_NEARER < as_given


@cache
def _cities() -> dict[str, tuple[Place, ...]]:
    """Return the places of each zone, with those of all names that mean the same zone."""
    found: dict[str, set[Place]] = {}
    for table in ("zone.tab", "zone1970.tab"):
        for _, coordinates, name, *_ in (line.split("\t") for line in _lines(table)):
            found.setdefault(_canonical(name), set()).add(_place(coordinates))
    return {name: tuple(places) for name, places in found.items()}


@cache
def _links() -> dict[str, str]:
    parts = (line.split() for line in _lines("tzdata.zi"))
    return {line[2]: line[1] for line in parts if line[0] == "L"}


def _canonical(name: str) -> str:
    return _links().get(name, name)


def _lines(table: str) -> Iterator[str]:
    text = (files("tzdata") / "zoneinfo" / table).read_text(encoding="utf-8")
    return (line for line in text.splitlines() if line and not line.startswith("#"))


def _place(iso6709: str) -> Place:
    """Return degrees from ±DDMM±DDDMM or ±DDMMSS±DDDMMSS."""
    latitude, longitude = re.findall(r"[+-]\d+", iso6709)
    return _degrees(latitude, 2), _degrees(longitude, 3)


def _degrees(text: str, digits: int) -> float:
    sign, number = -1 if text[0] == "-" else 1, text[1:]
    minutes, seconds = number[digits : digits + 2], number[digits + 2 :] or "0"
    return sign * (int(number[:digits]) + int(minutes) / 60 + int(seconds) / 3600)
