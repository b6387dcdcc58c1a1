"""The same value above zero again and again in changing light: a frozen source that repeats what it last knew.

Whole watt-hours repeat honestly in steady or low light, and every value does at an inverter's limit. So a run counts
where the value is below the unit's highest, and where its neighbours went on changing: so often that chance does not
explain it, or by several of the steps in which it is given. Where nearly all units repeat at once there are no
neighbours: then the sun's height says how much should have changed, if only the sky had stayed as it was; or the rest
of the window does, if in as much light nearly all units never repeated for nearly so long. A unit that freezes at the
very top of its days is not told from a limit.
"""

from __future__ import annotations

import numpy as np

from service.quality.model import LEAST_NEIGHBOURS, Arrived, Finding, finding, runs
from service.store.grids import BoolArray, FloatArray

LEAST_REPEATS, LEAST_MIN = 3, 30
ALONE_MIN = 180
"""So long no unit stands still in daylight, whatever its step, unless at a limit (common practice, no source)."""

LEAST_ODDS = 18.0
"""Natural logarithm: once in sixty million runs."""

ALIKE = 0.6
"""A unit in shade has a light of its own, steadier than its neighbours'."""

FEW_STEPS, LEAST_STEPS = 3, 8
STEPS_OFF, SHARE_OFF = 4, 0.15
ALL = 0.9
LEAST_CHANGES, MOST_OF_A_UNIT = 20.0, 6.0
"""Steps that all units together should have changed by, of each so many at most."""

FINEST_SHARE = 1e-3

UNUSUAL_MIN, UNUSUAL_TIMES = 60, 4
"""All units stand still if they repeat for so long, and so many times longer than ever else in as much light: under a
steady overcast they do for some intervals of five minutes (measured on simulated skies, no source for real ones)."""

UNUSUAL_STEPS, KNOWN_INTERVALS = 4, 100
"""If their values are so many steps, and so many intervals show what is usual."""


def find(arrived: Arrived) -> list[Finding]:
    """Return one finding on single units and one on all of them together."""
    everybody = _all_at_once(arrived)
    single = _single(arrived) & ~everybody
    found = ((everybody, "stale_site"), (single, "stale"))
    return [_finding(arrived, kind, mask) for mask, kind in found if mask.any()]


def _finding(arrived: Arrived, kind: str, mask: BoolArray) -> Finding:
    longest = max(end - first for _, first, end in runs(mask)) + 1
    numbers = {"minutes": float(longest * arrived.interval_min)}
    return finding(arrived, kind, mask, whole_site=kind == "stale_site", numbers=numbers)


def _least(arrived: Arrived) -> int:
    return max(LEAST_REPEATS, arrived.intervals_in(LEAST_MIN) - 1)


def _candidates(arrived: Arrived) -> BoolArray:
    """Return repeated values in light that are not at the top."""
    return np.asarray(arrived.repeats & arrived.lit & ~arrived.at_the_top)


def _single(arrived: Arrived) -> BoolArray:
    found, odds = np.zeros(arrived.heard.shape, dtype=bool), _odds(arrived)
    for unit, first, end in runs(_candidates(arrived)):
        if end - first < _least(arrived):
            continue
        others_changed = odds[unit, first:end].sum() >= LEAST_ODDS and _is_alike(arrived, unit, first, end)
        if others_changed or _should_have_changed(arrived, unit, first - 1, end):
            found[unit, first:end] = True
    return found


def _odds(arrived: Arrived) -> FloatArray:
    """Return the logarithm of the odds against a repetition, by how many of the plane's units repeat, (U, T)."""
    odds = np.zeros(arrived.heard.shape)
    for plane in arrived.planes():
        making = arrived.made[plane].sum(axis=0)
        repeat = arrived.repeats[plane].sum(axis=0)
        chance = (repeat + 0.5) / (making + 1.0)
        odds[plane] = np.where(making >= LEAST_NEIGHBOURS, -np.log(np.minimum(chance, 1.0)), 0.0)
    return odds


def _is_alike(arrived: Arrived, unit: int, first: int, end: int) -> bool:
    due = arrived.reference_wh[unit, first:end]
    value = arrived.energy_wh[unit, first]
    if not np.isfinite(due).any() or value < FEW_STEPS * arrived.step_wh[unit]:
        return False
    return bool(value >= ALIKE * np.nanmin(due))


def _should_have_changed(arrived: Arrived, unit: int, first: int, end: int) -> bool:
    value, due = arrived.energy_wh[unit, first], arrived.reference_wh[unit, first:end]
    due = due[np.isfinite(due)]
    if due.size < (end - first) / 2 or due.mean() <= 0:
        return end - first >= arrived.intervals_in(ALONE_MIN)
    step, change = arrived.step_wh[unit], value * (due.max() - due.min()) / due.mean()
    return bool(value >= LEAST_STEPS * step and change > max(STEPS_OFF * step, SHARE_OFF * value))


def _all_at_once(arrived: Arrived) -> BoolArray:
    candidates = _candidates(arrived)
    making = (arrived.made & ~(arrived.repeats & arrived.at_the_top)).sum(axis=0)
    at_once = np.asarray((candidates.sum(axis=0) >= ALL * making) & (making >= LEAST_NEIGHBOURS))
    found = np.zeros(arrived.heard.shape, dtype=bool)
    for _, first, end in runs(at_once[None]):
        if end - first < _least(arrived):
            continue
        if _sun_moved(arrived, first - 1, end) or _is_unusual(arrived, at_once, first, end):
            found[:, first:end] = candidates[:, first:end]
    return found


def _sun_moved(arrived: Arrived, first: int, end: int) -> bool:
    height = np.sin(np.radians(arrived.elevation_deg[first:end]))
    change = (height.max() - height.min()) / height.mean()
    step = np.maximum(arrived.step_wh, FINEST_SHARE * arrived.most_wh)
    steps = change * arrived.sent_wh[:, end - 1] / step
    return bool(np.minimum(steps, MOST_OF_A_UNIT).sum() >= LEAST_CHANGES)


def _is_unusual(arrived: Arrived, at_once: BoolArray, first: int, end: int) -> bool:
    """Return whether such a run is far longer than any other in at least half as much light."""
    step = np.maximum(arrived.step_wh, FINEST_SHARE * arrived.most_wh)[:, None]
    level = np.median(arrived.sent_wh / step, axis=0)
    known = arrived.lit & (level >= level[first] / 2)
    known[max(0, first - 1) : end + 1] = False
    longest = max((b - a for _, a, b in runs((at_once & known)[None])), default=0)
    return bool(
        end - first >= max(arrived.intervals_in(UNUSUAL_MIN) - 1, UNUSUAL_TIMES * longest)
        and level[first] >= UNUSUAL_STEPS
        and known.sum() >= KNOWN_INTERVALS
    )
