"""Skies by the minute: invented clouds and skies measured at Payerne, as shares of a clear sky's beam and diffuse.

The clear sky is one with a high sun; `clouds.py` lays them over any.

Not the service's idea of a sky: the split of beam and diffuse is drawn or measured here, never derived from
a correlation that the service could invert.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.random import Generator
from scipy.ndimage import gaussian_filter1d
from scipy.signal import lfilter

from tests.fleet.clouds import CLEAR_DIFFUSE
from tests.fleet.sun import Array, Place, clear_sky, sun

PAYERNE = Path(__file__).parent / "data" / "payerne_2016_06_shares.parquet"
STATION = Place("Payerne", 46.815, 6.944, 491, "Europe/Zurich")
FIRST_MINUTE = "2016-06-01 23:32Z"
"""Mean solar midnight, with which the file begins."""

DAY_MIN = 1440
MEASURED_SHARE = 1 / 3
CLEAR_BEAM, OVERCAST_BEAM = 0.75, 0.10
"""Mean beam share of a measured day above which it counts as clear, below which as overcast."""

Shares = tuple[Array, Array]
"""Beam and diffuse of a day's minutes as shares of those of a clear sky of which `CLEAR_DIFFUSE` is diffuse."""


def day_shares(rng: Generator, sky: str) -> Shares:
    """Return one day's shares for a 'clear', 'broken', 'overcast' or 'mixed' sky, a third of them measured ones."""
    measured = measured_days().get(sky, [])
    if measured and rng.random() < MEASURED_SHARE:
        return measured[rng.integers(len(measured))]
    return SKIES[sky](rng, DAY_MIN)


def _wander(rng: Generator, count: int, *, minutes: float, spread: float) -> Array:
    """Return an AR(1) series of standard deviation `spread` that forgets itself in `minutes`."""
    keep = np.exp(-1 / minutes)
    steps = rng.normal(0, spread * np.sqrt(1 - keep**2), count)
    steps[0] = rng.normal(0, spread)
    wandering: Array = lfilter([1.0], [1.0, -keep], steps)
    return wandering


def clear(rng: Generator, count: int) -> Shares:
    """Return a cloudless sky whose haze wanders by a per cent."""
    haze = _wander(rng, count, minutes=120, spread=0.012)
    return np.clip(1 + haze, 0, 1.06), np.clip(1 - 2.5 * haze, 0.7, 1.4)


def broken(rng: Generator, count: int) -> Shares:
    """Return passing clouds: ramps within a minute or two, bright edges, more diffuse than without clouds."""
    cover = rng.uniform(0.25, 0.8)
    shade = _clouds(rng, count, cover=cover, cloud_min=rng.uniform(1.5, 9))
    soft = gaussian_filter1d(shade, rng.uniform(0.4, 1.2))
    thick = np.clip(rng.uniform(0.7, 1.0) + _wander(rng, count, minutes=12, spread=0.2), 0.2, 1.0)
    near = gaussian_filter1d(shade, 15)
    diffuse = 1 + rng.uniform(0.8, 1.8) * near + 0.15 * soft + _wander(rng, count, minutes=20, spread=0.08)
    return np.clip(1 - soft * thick, 0, 1), np.clip(diffuse, 0.6, 3.5)


def _clouds(rng: Generator, count: int, *, cover: float, cloud_min: float) -> Array:
    """Return 1 under a cloud and 0 beside it: a two-state Markov chain with the given cover and mean cloud."""
    clear_min = cloud_min * (1 - cover) / cover
    spells = rng.exponential(1.0, size=2 * count + 4)
    spells[0::2] *= cloud_min
    spells[1::2] *= clear_min
    ends = np.cumsum(np.maximum(spells, 0.5))
    return np.where(np.searchsorted(ends, np.arange(count)) % 2 == 0, 1.0, 0.0)


def overcast(rng: Generator, count: int) -> Shares:
    """Return a closed cloud cover: no beam, diffuse light that wanders between dark and bright."""
    level = rng.uniform(0.8, 2.8)
    swell = np.exp(_wander(rng, count, minutes=50, spread=0.35) + _wander(rng, count, minutes=4, spread=0.05))
    return np.zeros(count), np.clip(level * swell, 0.25, 4.5)


def mixed(rng: Generator, count: int) -> Shares:
    """Return hours of clear, broken and closed sky one after another."""
    beam, diffuse = np.empty(count), np.empty(count)
    at = 0
    while at < count:
        size = min(int(rng.uniform(60, 200)), count - at)
        kind = (clear, broken, overcast)[rng.integers(3)]
        beam[at : at + size], diffuse[at : at + size] = kind(rng, size)
        at += size
    return gaussian_filter1d(beam, 1.0), gaussian_filter1d(diffuse, 3.0)


SKIES: dict[str, Callable[[Generator, int], Shares]] = {
    "clear": clear,
    "broken": broken,
    "overcast": overcast,
    "mixed": mixed,
}


@cache
def measured_days() -> dict[str, list[Shares]]:
    """Return Payerne's days of June 2016 by kind, centred on solar noon; what no instrument saw is held over."""
    days: dict[str, list[Shares]] = {"clear": [], "broken": [], "overcast": []}
    for day in _payerne_days():
        mean_beam = float(day["beam"].mean())
        kind = "clear" if mean_beam > CLEAR_BEAM else "overcast" if mean_beam < OVERCAST_BEAM else "broken"
        days[kind].append(_held(day))
    return {**days, "mixed": days["broken"]}


@cache
def measured_days_in_order() -> list[Shares]:
    """Return Payerne's days of June 2016 as they followed one another."""
    return [_held(day) for day in _payerne_days()]


def _payerne_days() -> list[pd.DataFrame]:
    table = pd.read_parquet(PAYERNE).astype(float)
    of_clouds = (table["diffuse"] - table["beam"]).clip(lower=0)
    table["diffuse"] += of_clouds * (_diffuse_at_payerne(len(table)) / CLEAR_DIFFUSE - 1)
    return [table.iloc[start : start + DAY_MIN] for start in range(0, len(table) - DAY_MIN + 1, DAY_MIN)]


def _diffuse_at_payerne(count: int) -> Array:
    """Return what of the clear sky's global light was diffuse in the file's minutes, 0 by night."""
    minutes = pd.date_range(FIRST_MINUTE, periods=count, freq="1min")
    elevation, dni, dhi = clear_at_payerne(minutes)
    beam = dni * np.sin(np.radians(np.maximum(elevation, 0.0)))
    return dhi / np.where(dhi > 0, beam + dhi, 1.0)


def clear_at_payerne(minutes: pd.DatetimeIndex) -> tuple[Array, Array, Array]:
    """Return the sun's elevation, degrees, and the DNI and DHI, W/m2, that the file's shares are of.

    With this turbidity over climatology the clearest days of the month come out at a beam share near one.
    """
    elevation, _ = sun(STATION, minutes)
    return elevation, *clear_sky(STATION, minutes, elevation, turbidity_factor=0.8, water_cm=2.0)


def _held(day: pd.DataFrame) -> Shares:
    held = day.ffill().bfill()
    return held["beam"].to_numpy(), held["diffuse"].to_numpy()
