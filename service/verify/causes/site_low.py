"""The whole site makes less in its own clear hours than the record and the clear-sky model allow.

Reasoning: a wrong rating on record, a cover left on, dirt over all modules or an old degradation take an even share of
every unit, which no comparison among units shows. Under a cloudless sky the site's output over that expected keeps one
level for half an hour and longer; clouds do not. The highest such level is the site's own, and is held against the
model's band: monthly turbidity, temperature and mounting leave 3-7 % of bias a day in the light alone (from memory), 10
% with the rest. Spans at the inverters' limits, at a common limit and behind shade
are left out. Haze or thin even cloud may look like it on one day, so that one day must be lower and flat for longer.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from service.expect.grid import floats
from service.verify.case import BoolArray, Case
from service.verify.causes.wording import duration, energy, percent
from service.verify.inputs import FloatArray
from service.verify.levels import AT_LIMIT
from service.verify.result import Finding

STRETCH_MINUTES, STRETCH_INTERVALS = 30, 4
"""Least length of a stretch, in both."""

FLAT, DRIFT = 0.015, 0.05
"""Scatter and drift of the log level within a stretch up to which its sky counts as cloudless."""

STRONG_LIGHT = 0.25
"""Clear-sky energy over the window's highest from which a level is read."""

BELOW_TOP = 0.96
"""Output over the window's highest from which the site may stand at a common limit."""

HIGH, NEAR = 0.9, 0.05
"""Quantile of the flat stretches' levels that is taken, and how close to it others confirm it."""

LOW_ON_DAYS, DAYS, HOURS_ON_DAYS = 0.90, 2, 0.3
LOW_ON_A_DAY, HOURS_ON_A_DAY = 0.87, 1.0
"""Levels below which a site is low: on two days and more, and on one; and for how long it must have been flat."""

IMPOSSIBLE = 0.35
"""Below this a flat level is that of an even overcast sky."""


@dataclass(frozen=True)
class ClearLevel:
    """The site's level in its clear hours, `hours` of them on `days` days, within the intervals `where` (D,)."""

    level: float
    hours: float
    days: int
    where: BoolArray


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return the finding for a site whose clear hours are too low."""
    if case.source == "clear_sky":
        return []
    clear = clear_level(case)
    return [_finding(case, clear)] if clear and _is_low(clear) else []


def _is_low(clear: ClearLevel) -> bool:
    if clear.days >= DAYS and clear.hours >= HOURS_ON_DAYS:
        return clear.level < LOW_ON_DAYS
    return clear.level < LOW_ON_A_DAY and clear.hours >= HOURS_ON_A_DAY


@lru_cache(maxsize=1)
def clear_level(case: Case) -> ClearLevel | None:
    """Return the site's own level where its sky was cloudless, None where it never was."""
    level = _log_level(case)
    size = max(STRETCH_INTERVALS, STRETCH_MINUTES // case.day.grid.interval_min)
    if len(level) < size:
        return None
    stretches = np.lib.stride_tricks.sliding_window_view(level, size)
    joined = np.lib.stride_tricks.sliding_window_view(case.day.positions, size)
    scatter, drift = _scatter_and_drift(stretches)
    flat = (joined[:, -1] - joined[:, 0] == size - 1) & (scatter < FLAT) & (drift < DRIFT)
    if not flat.any():
        return None
    means = np.exp(stretches.mean(axis=1))
    found = float(np.quantile(means[flat], HIGH))
    if found < IMPOSSIBLE:
        return None
    confirm = np.flatnonzero(flat & (np.abs(means / found - 1) < NEAR))
    where = np.zeros(len(level), dtype=bool)
    where[(confirm[:, None] + np.arange(size)).ravel()] = True
    per_day = 24 * 60 // case.day.grid.interval_min
    days = len(np.unique(case.day.positions[where] // per_day))
    return ClearLevel(found, len(confirm) * case.day.interval_hours, days, where)


def _log_level(case: Case) -> FloatArray:
    """Return the log of the site's output over the clear sky's, or the measured one's, (D,), NaN where unread."""
    day = case.day
    agreed = case.agreed_wh
    allowed = case.stated.energy_wh if case.source == "measured" else case.clear_wh
    clear = np.stack([allowed[group.members[0]] for group in day.groups])
    limit = AT_LIMIT * np.array([[g.inverter.ac_rated_w * day.interval_hours] for g in day.groups])
    told = np.isfinite(agreed) & (agreed < limit) & (clear < limit) & ~_shaded(case)
    units = np.array([[len(group.members)] for group in day.groups]) * told
    made, due = (np.where(told, agreed, 0.0) * units).sum(axis=0), (clear * units).sum(axis=0)
    total = np.nansum(case.measured_wh, axis=0)
    use = (due > STRONG_LIGHT * due.max(initial=0.0)) & (made > 0)
    use &= total < BELOW_TOP * np.quantile(total, 0.99) if len(total) else False
    share = np.divide(made, due, out=np.full(len(made), np.nan), where=use)
    return floats(np.log(share))


def _shaded(case: Case) -> BoolArray:
    """Return where each group is known to be in shade, (G, D)."""
    hidden = np.zeros((len(case.day.groups), len(case.day.positions)), dtype=bool)
    for shade in case.shades:
        hidden[[g.plane.name == shade.plane for g in case.day.groups]] |= shade.where
    return hidden


def _scatter_and_drift(stretches: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the standard deviation about each stretch's line and the line's rise over it, (W,) each, NaN if unread."""
    at = np.arange(stretches.shape[1]) - (stretches.shape[1] - 1) / 2
    slope = stretches @ at / (at @ at)
    rest = stretches - stretches.mean(axis=1, keepdims=True) - slope[:, None] * at
    return rest.std(axis=1), np.abs(slope) * (stretches.shape[1] - 1)


def _finding(case: Case, clear: ClearLevel) -> Finding:
    first, last = case.first_and_last(clear.where)
    made = float(np.nansum(case.measured_wh))
    lost = made * (1 / clear.level - 1)
    on = f" on {clear.days} days" if clear.days > 1 else ""
    return Finding(
        cause="site_low",
        serials=(),
        confidence=round(min(0.95, 0.6 + 2.0 * (LOW_ON_DAYS - clear.level) + 0.05 * min(clear.days, 4)), 2),
        evidence=(
            f"In {duration(60 * clear.hours)} of cloudless light{on} the whole site made {percent(clear.level)} of "
            f"what record and clear-sky model let expect, beyond the model's band of 10 %; missing: {energy(lost)}."
        ),
        advice=(
            "Compare the modules' rating plates with the record first, then look for film, dust or a cover on all "
            "modules, from a safe stand."
        ),
        first_seen=first,
        last_seen=last,
        lost_wh=round(lost, 1),
        details={"factor": round(clear.level, 3)},
    )
