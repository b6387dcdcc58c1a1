"""The whole site makes less in its own clear hours than the record and the clear-sky model allow.

Reasoning: a wrong rating on record, a cover left on, dirt over all modules or an old degradation take an even share of
every unit, which no comparison among units shows. Under a cloudless sky the site's output over that expected keeps one
level for half an hour and longer; clouds do not. The highest such level is the site's own, and is held against the
model's band: monthly turbidity, temperature and mounting leave 3-7 % of bias a day in the light alone (from memory), 10
% with the rest. Spans at the inverters' limits, at a common limit and behind shade
are left out. Haze or thin even cloud may look like it on one day, so that one day must be lower and flat for longer.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from service.expect.grid import floats
from service.verify.case import BoolArray, Case
from service.verify.causes import curtailed
from service.verify.causes.wording import duration, energy, percent
from service.verify.clear_level import ClearLevel, flat_level
from service.verify.inputs import FloatArray
from service.verify.levels import AT_LIMIT
from service.verify.result import Finding
from service.verify.sentence import counted_sentence, sentence

STRONG_LIGHT = 0.25
"""Clear-sky energy over the window's highest from which a level is read."""

BELOW_TOP = 0.96
"""Output over the window's highest from which the site may stand at a common limit."""

IMPOSSIBLE = 0.35
"""Below this a flat level is that of an even overcast sky."""

LOW_ON_DAYS, DAYS, HOURS_ON_DAYS = 0.90, 2, 0.3
LOW_ON_A_DAY, HOURS_ON_A_DAY = 0.87, 1.0
"""Levels below which a site is low: on two days and more, and on one; and for how long it must have been flat."""


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return the finding for a site whose clear hours are too low and that no common limit holds down."""
    if case.source == "clear_sky":
        return []
    clear = clear_level(case)
    held = clear and _is_low(clear) and not curtailed.find(case, named)
    return [_finding(case, clear)] if clear and held else []


def _is_low(clear: ClearLevel) -> bool:
    if clear.days >= DAYS and clear.hours >= HOURS_ON_DAYS:
        return clear.level < LOW_ON_DAYS
    return clear.level < LOW_ON_A_DAY and clear.hours >= HOURS_ON_A_DAY


@lru_cache(maxsize=1)
def clear_level(case: Case) -> ClearLevel | None:
    """Return the site's own level where its sky was cloudless, None where it never was."""
    found = flat_level(_log_level(case), case.day.positions, case.day.grid.interval_min)
    return found if found and found.level >= IMPOSSIBLE else None


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


def _finding(case: Case, clear: ClearLevel) -> Finding:
    first, last = case.first_and_last(clear.where)
    made = float(np.nansum(case.measured_wh))
    lost = made * (1 / clear.level - 1)
    return Finding(
        cause="site_low",
        serials=(),
        confidence=round(min(0.95, 0.6 + 2.0 * (LOW_ON_DAYS - clear.level) + 0.05 * min(clear.days, 4)), 2),
        evidence=counted_sentence(
            "In %(time)s of cloudless light the whole site made %(level)s of what record and clear-sky model let "
            "expect, beyond the model's band of 10 %%; missing: %(lost)s.",
            "In %(time)s of cloudless light on %(num)s days the whole site made %(level)s of what record and clear-sky "
            "model let expect, beyond the model's band of 10 %%; missing: %(lost)s.",
            clear.days,
            time=duration(60 * clear.hours),
            level=percent(clear.level),
            lost=energy(lost),
        ),
        advice=sentence(
            "Compare the modules' rating plates with the record first, then look for film, dust or a cover on all "
            "modules, from a safe stand."
        ),
        first_seen=first,
        last_seen=last,
        lost_wh=round(lost, 1),
        details={"factor": round(clear.level, 3)},
    )
