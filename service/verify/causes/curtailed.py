"""A common limit on the site's total power: an export limit or the network operator's order.

Reasoning: the sum of all units stands at one level while the light goes on changing; a clear noon is flat too, but
there the light is as flat as the power, and single inverters at their rating are `clipping` (the sum then stands at
the sum of the ratings). IEC TS 61724-2 calls such operation constrained and keeps it out of a unit's judgement: the
units share the limit, so that no one of them is low.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.verify.case import BoolArray, Case
from service.verify.causes.wording import duration
from service.verify.inputs import FloatArray
from service.verify.levels import rated_wh
from service.verify.result import Finding

FLATNESS = 0.012
"""Relative distance from the limit within which the site counts as standing at it."""

LEAST_MINUTES = 60
LEAST_LIGHT_CHANGE = 0.10
"""How much the clear-sky power must change, relative, while the site's stands still."""

LEAST_LEVEL, BELOW_RATING = 0.25, 0.93
"""Shares of the ratings between which a limit is looked for: below, weak light stands still by itself."""

ABOVE_SHARE = 0.01
CROWDING = 4.0
"""How many times more intervals must stand at the limit than in an equal band just below it."""


@dataclass(frozen=True)
class _Limit:
    share: float
    at_limit: BoolArray


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return the finding for a site that stands at a limit."""
    if case.source == "clear_sky":
        return []
    limit = _limit(case)
    return [_finding(case, limit)] if limit else []


def _limit(case: Case) -> _Limit | None:
    """Return the limit and when the site stood at it, day by day: it may hold on some days only."""
    power, clear = _shares(case)
    found = [
        _limit_in(power, clear, day & np.isfinite(power), case.day.grid.interval_min)
        for day in _solar_days(case)
    ]
    limits = [limit for limit in found if limit is not None]
    if not limits:
        return None
    at_limit = np.any([limit.at_limit for limit in limits], axis=0)
    return _Limit(float(np.median([limit.share for limit in limits])), np.asarray(at_limit))


def _solar_days(case: Case) -> list[BoolArray]:
    """Return the daylight intervals of each day from solar midnight on."""
    starts = case.day.grid.starts()[case.day.positions]
    solar = np.floor(np.asarray(starts.to_julian_date()) + case.day.site.longitude / 360 + 0.5)
    return [np.asarray(solar == day) for day in np.unique(solar)]


def _limit_in(power: FloatArray, clear: FloatArray, known: BoolArray, interval_min: int) -> _Limit | None:
    least = LEAST_MINUTES / interval_min
    if known.sum() < least:
        return None
    level = _most_crowded(power[known])
    at_limit = np.asarray(known & (np.abs(power / level - 1) <= FLATNESS))
    if at_limit.sum() < least or not LEAST_LEVEL <= level <= BELOW_RATING:
        return None
    above = float((power[known] > level * (1 + 2 * FLATNESS)).sum()) / float(known.sum())
    below = float((np.abs(power[known] / (level * (1 - 3 * FLATNESS)) - 1) <= FLATNESS).sum())
    low, high = np.quantile(clear[at_limit], [0.1, 0.9])
    changing = high > low * (1 + LEAST_LIGHT_CHANGE) and high > level
    crowded = float(at_limit.sum()) >= CROWDING * max(below, 1.0)
    return _Limit(level, at_limit) if above <= ABOVE_SHARE and changing and crowded else None


def _shares(case: Case) -> tuple[FloatArray, FloatArray]:
    """Return the live units' power and their clear-sky power, both over their ratings, (D,), NaN in weak light."""
    live = case.heard & (np.nansum(case.measured_wh, axis=1) > 0)[:, None]
    rated = np.where(live, rated_wh(case.day)[:, None], 0.0).sum(axis=0)
    power = np.where(live, case.measured_wh, 0.0).sum(axis=0)
    clear = np.where(live, case.clear_wh, 0.0).sum(axis=0)
    lit = (rated > 0) & (clear > 0.1 * rated)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(lit, power / rated, np.nan), np.where(lit, clear / rated, np.nan)


def _most_crowded(power: FloatArray) -> float:
    """Return the level near the top of the window at which the most values stand."""
    top = np.sort(power)[int(0.6 * len(power)) :]
    counts = [(np.abs(top / level - 1) <= FLATNESS).sum() for level in top]
    return float(np.median(top[np.abs(top / top[int(np.argmax(counts))] - 1) <= FLATNESS]))


def _finding(case: Case, limit: _Limit) -> Finding:
    first, last = case.first_and_last(limit.at_limit)
    minutes = float(limit.at_limit.sum() * case.day.grid.interval_min)
    total_w = limit.share * rated_wh(case.day).sum() / case.day.interval_hours
    return Finding(
        cause="curtailed",
        serials=(),
        confidence=0.9,
        evidence=(
            f"The site's total stood at {100 * limit.share:.0f} % of its ratings (about {total_w / 1000:.1f} kW) for "
            f"{duration(minutes)} while the light went on changing, and never passed it."
        ),
        advice=(
            "Ask whether an export limit is set or was ordered; if none should be, check the limiter's setting and its "
            "meter. No unit is to blame."
        ),
        first_seen=first,
        last_seen=last,
        lost_wh=None,
        details={"limit_w": round(total_w)},
    )
