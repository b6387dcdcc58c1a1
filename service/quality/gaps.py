"""What did not come in while there was light: of all units at once, and of single ones beyond that.

By night nothing is due: many units live on their module and are silent then. One per cent of missing values is usual
over radio or power line (common practice, no source) and no finding.
"""

from __future__ import annotations

import numpy as np

from service.quality.model import Arrived, Finding, finding, runs
from service.store.grids import BoolArray

USUAL = 0.03
LEAST = 4
ALL = 0.9
SITE_USUAL, SITE_LEAST_MIN, SITE_LONG_MIN = 0.02, 15, 60
EDGE_MIN = 150
HEARD_BY_NIGHT = 0.4
DAYS, SHARE_OF_DAYS = 3, 0.6


def find(arrived: Arrived) -> list[Finding]:
    """Return one finding on gaps of the whole site and one on units that miss more than it does."""
    missing = np.asarray(arrived.due & ~arrived.heard)
    due = arrived.due.sum(axis=0)
    silent = np.asarray((missing.sum(axis=0) >= ALL * due) & (due > 0))
    at_once = _without_edges(arrived, silent)
    found = []
    if _is_much(arrived, at_once):
        found.append(_site(arrived, missing & at_once, at_once))
    own = missing & ~silent
    many = own.sum(axis=1) >= USUAL * arrived.due.sum(axis=1) + LEAST
    if many.any():
        found.append(_units(arrived, own & many[:, None]))
    return found


def _without_edges(arrived: Arrived, at_once: BoolArray) -> BoolArray:
    """Return the gaps less those that belong to a silent night: a clock that is off moves it into the light."""
    dark = np.asarray(arrived.elevation_deg < 0)
    by_night = arrived.heard[:, dark].any(axis=0)
    if by_night.sum() > HEARD_BY_NIGHT * dark.sum():
        return at_once
    kept: BoolArray = at_once.copy()
    longest = arrived.intervals_in(EDGE_MIN)
    for _, first, end in runs(kept[None]):
        at_the_edge = not (arrived.lit[max(first - 1, 0)] and arrived.lit[min(end, len(kept) - 1)])
        if at_the_edge and end - first <= longest:
            kept[first:end] = False
    return kept


def _is_much(arrived: Arrived, at_once: BoolArray) -> bool:
    longest = max((end - first for _, first, end in runs(at_once[None])), default=0)
    usual = max(2, arrived.intervals_in(SITE_LEAST_MIN), SITE_USUAL * arrived.due.any(axis=0).sum())
    return bool(at_once.sum() >= usual or longest >= max(2, arrived.intervals_in(SITE_LONG_MIN)))


def _site(arrived: Arrived, missing: BoolArray, at_once: BoolArray) -> Finding:
    lengths = [end - first for _, first, end in runs(at_once[None])]
    daily = _daily(arrived, at_once)
    numbers = {
        "gaps": float(len(lengths)),
        "longest_min": float(max(lengths) * arrived.interval_min),
        "of_light": float(at_once.sum() / max(1, int(arrived.due.any(axis=0).sum()))),
        **({"daily_minute": daily} if daily is not None else {}),
    }
    return finding(
        arrived, "gap_site", missing, energy_wh=arrived.reference_wh, whole_site=True, numbers=numbers
    )


def _daily(arrived: Arrived, at_once: BoolArray) -> float | None:
    """Return the minute of the UTC day that is missing on most days, None if there is none."""
    minutes = (arrived.start_s // 60 + arrived.interval_min * np.arange(len(at_once))) % 1440
    lit = arrived.due.any(axis=0)
    missed = np.bincount(minutes[at_once], minlength=1440)
    days = np.bincount(minutes[lit], minlength=1440)
    often = (missed >= DAYS) & (missed >= SHARE_OF_DAYS * days)
    return float(np.flatnonzero(often)[0]) if often.any() else None


def _units(arrived: Arrived, missing: BoolArray) -> Finding:
    share = missing.sum(axis=1) / np.maximum(arrived.due.sum(axis=1), 1)
    worst = int(np.argmax(share))
    return finding(
        arrived,
        "gap_units",
        missing,
        energy_wh=arrived.reference_wh,
        numbers={"worst_share": float(share[worst])},
        names={"worst": arrived.serials[worst]},
    )
