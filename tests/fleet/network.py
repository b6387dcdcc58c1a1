"""What the network does to a whole branch or site: voltage trips and a limit on the total power."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.random import Generator

from tests.fleet.roof import Roof
from tests.fleet.sun import Array

STRONG = 0.6
"""Share of the ratings that the power must reach in the window for the network to take offence."""

LONG_TRIP_ODDS = 0.15
TRIPS_A_DAY = (4, 13)


def total_w(roof: Roof, units: Sequence[int]) -> Array:
    """Return the units' power together by the minute, W."""
    return np.asarray(sum(roof.ac_w(u) for u in units))


def rating_w(roof: Roof, units: Sequence[int]) -> float:
    """Return what the units can give together at most, W."""
    return float(sum(min(roof.inverters[u].ac_rated_w, roof.modules[u].pmax_w) for u in units))


def trip(roof: Roof, units: Sequence[int], rng: Generator) -> bool:
    """Drop the units together for minutes while their power is high; False, and nothing done, if it never is."""
    power = total_w(roof, units)
    if power.max(initial=0.0) < STRONG * rating_w(roof, units):
        return False
    strong = np.flatnonzero(power > rng.uniform(0.75, 0.9) * power.max())
    days = np.unique(strong // 1440)
    for day in days:
        times = min(int(rng.integers(*TRIPS_A_DAY)), max(int((strong // 1440 == day).sum()) // 10, 1))
        for start in rng.choice(strong[strong // 1440 == day], times):
            long = rng.random() < LONG_TRIP_ODDS
            minutes = round(rng.uniform(5, 20) if long else rng.uniform(1, 5))
            roof.on[list(units), start : start + minutes] = False
    return True


def curtail(roof: Roof, share: float, minutes: slice) -> bool:
    """Hold the site to a share of its peak over the given minutes; False, and nothing done, if it is never strong."""
    everyone = range(len(roof.facings))
    power = total_w(roof, everyone)
    if power.max(initial=0.0) < STRONG * rating_w(roof, everyone):
        return False
    limit = share * power.max()
    roof.ac_share[minutes] = np.minimum(1.0, limit / np.maximum(power[minutes], 1e-9))
    return True
