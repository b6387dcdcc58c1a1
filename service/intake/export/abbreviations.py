"""What short names of zones such as AEST mean, as the time zone database has them: at a site, and everywhere."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from functools import lru_cache
from zoneinfo import ZoneInfo, available_timezones

MONTHS = (1, 7)
"""Summer and winter."""


@lru_cache(1)
def everywhere() -> Mapping[str, frozenset[int]]:
    """Return for each short name the offsets from UTC, in seconds, that zones by this name have today."""
    found: dict[str, set[int]] = {}
    this_year = datetime.now().year  # noqa: DTZ005 - which zones there are changes with years
    for name in available_timezones():
        for short, offset in _of_zone(ZoneInfo(name), (this_year,)):
            found.setdefault(short, set()).add(offset)
    return {short: frozenset(offsets) for short, offsets in found.items()}


def meanings(zone: str, years: Iterable[int]) -> dict[str, frozenset[int]]:
    """Return the offsets that each name may mean at a site of that zone, in those years: one if it is certain."""
    return {**everywhere(), **own_meanings(zone, years)}


def own_meanings(zone: str, years: Iterable[int]) -> dict[str, frozenset[int]]:
    """Return the offsets that a zone has by each of its own short names, in those years."""
    own: dict[str, set[int]] = {}
    for short, offset in _of_zone(ZoneInfo(zone), years):
        own.setdefault(short, set()).add(offset)
    return {short: frozenset(offsets) for short, offsets in own.items()}


def _of_zone(zone: ZoneInfo, years: Iterable[int]) -> Iterable[tuple[str, int]]:
    for year in years:
        for month in MONTHS:
            at = datetime(year, month, 15, tzinfo=zone)
            short, offset = at.tzname() or "", at.utcoffset()
            if short.isalpha() and offset is not None:
                yield short.upper(), round(offset.total_seconds())
