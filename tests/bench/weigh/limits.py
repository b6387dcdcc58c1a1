"""What sites show of a limit on their total: the signs of `service/verify/limit_odds.py`."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from typing import NamedTuple

from service.expect.site import Site
from service.verify.causes import curtailed
from service.verify.inputs import Readings
from service.verify.run import build_case
from tests.bench.fleet.plan import DAYS, Window
from tests.bench.roofs.__main__ import WINDOWS
from tests.bench.roofs.plan import days_of
from tests.bench.roofs.series import ROOFS
from tests.bench.weigh.sites import Key, Known, Row, known, sites
from tests.reference.open_data import readings as readings_of
from tests.reference.open_data import serf_east_2011, serf_east_2016
from tests.reference.open_data import site as site_of

TRIALS: dict[Window, int] = {"1d": 500, "7d": 200}

OWN_DAYS, OWN_EVERY = ("SERF East 2011", "SERF East 2016"), {"1d": 2, "7d": 1}
"""Real roofs whose own tuning days and weeks, every second day, are weighed as they are: none was held to a limit."""


class Own(NamedTuple):
    """A real roof's own days from a first one on."""

    roof: str
    first: date
    window: Window


def keys() -> Iterator[Key | Own]:
    """Return all sites."""
    for window in WINDOWS:
        yield from sites(window, TRIALS[window])
        for roof in OWN_DAYS:
            firsts = days_of(ROOFS[roof][0](), window, "tuning")[:: OWN_EVERY[window]]
            yield from (Own(roof, first, window) for first in firsts)


def rows(key: Key | Own) -> list[Row]:
    """Return what one site shows, if anything."""
    return [one] if (one := row(key)) else []


def row(key: Key | Own) -> Row | None:
    """Return what one site shows, None without a level, and where a limit takes too little to count."""
    origin, site, readings, cause, counts = _own(key) if isinstance(key, Own) else known(key)
    is_limited = cause == "curtailed"
    if is_limited and not counts:
        return None
    case = build_case(site, readings)
    signs = curtailed.signs_of(case)
    if signs is None:
        return None
    return Row(origin, dict(signs.measures), is_limited, curtailed.bounded(case) is not None)


def _own(own: Own) -> Known:
    return Known(f"own, {own.window}", *_halves(own), None, counts=True)


def _halves(own: Own) -> tuple[Site, Readings]:
    """Return a roof as two units that share its power evenly: units that tell the sky from their own readings."""
    roof = serf_east_2011() if own.roof == "SERF East 2011" else serf_east_2016()
    one, two = (
        replace(roof, name=f"{roof.name}, {n}", dc_w=roof.dc_w / 2, ac_w=roof.ac_w / 2, watts=roof.watts / 2)
        for n in (1, 2)
    )
    return site_of(one, two), readings_of(one, two, first=str(own.first), days=DAYS[own.window])
