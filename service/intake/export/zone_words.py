"""Zones in words, such as Eastern Time or EDT: what they mean in the site's country, as CLDR has it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Literal

from babel.core import get_global
from babel.dates import get_timezone_name
from babel.localedata import locale_identifiers

LANGUAGES = ("de", "fr", "es", "it", "nl", "pl")
VARIANTS: tuple[Literal["generic", "standard", "daylight"], ...] = ("generic", "standard", "daylight")
_SHORT = re.compile(r"[A-Z]{2,5}")
_ASIDE = re.compile(r"[\[(]([^()\[\]]+)[\])]")
LONGEST = 400


def zones_named(text: str, site_zone: str) -> tuple[str, ...]:
    """Return the zones that a text names in words, as they are called in the site's country; the usual one first.

    Short names count in brackets only: HE and ET are words elsewhere.
    """
    names, shown = _names(site_zone), text[:LONGEST]
    asides = [aside.strip() for aside in _ASIDE.findall(shown)]
    found = set[str]()
    for name, zones in names.items():
        is_short = _SHORT.fullmatch(name)
        if name in asides if is_short else re.search(rf"(?<![^\W_]){re.escape(name)}(?![^\W_])", shown, re.I):
            found |= zones
    for aside in asides:
        found |= names.get(f"{aside.lower()} time", frozenset())
    usual = set(get_global("windows_zone_mapping").values())
    return tuple(sorted(found, key=lambda zone: (zone != site_zone, zone not in usual, zone)))


@lru_cache(64)
def _names(site_zone: str) -> Mapping[str, frozenset[str]]:
    """Return the zones of the site's country by each name; a name without summer time is that of all the year."""
    found: dict[str, set[str]] = {}
    country, zones = _country_of(site_zone)
    english = f"en_{country}" if f"en_{country}" in locale_identifiers() else "en"
    for zone in zones:
        for name in _names_of(zone, english):
            found.setdefault(name, set()).add(zone)
    return {name: frozenset(zones) for name, zones in found.items()}


def _country_of(site_zone: str) -> tuple[str, list[str]]:
    """Return the country of a zone, none if CLDR knows none, and its zones."""
    of_country = get_global("territory_zones").items()
    return next(((c, zones) for c, zones in of_country if site_zone in zones), ("", [site_zone]))


def _names_of(zone: str, english: str) -> Iterator[str]:
    for language in (english, *LANGUAGES):
        for variant in VARIANTS:
            long, short = (
                get_timezone_name(zone, width=width, zone_variant=variant, locale=language)
                for width in ("long", "short")
            )
            if " " in long or "zeit" in long.lower():
                yield long.lower()
            if language == english and _SHORT.fullmatch(short):
                yield short
