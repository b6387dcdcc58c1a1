"""Planes that make less than the others let expect, at all hours alike: by film, snow, a cover or another module.

Like units agree with one another then, and no comparison among them shows it. All planes see one sky: the skies under
which the others make what they do say what is due, and how surely; where these leave it open, or the plane is as it
should be in the morning, at noon or in the afternoon, its level is not read. A plane that is described wrongly makes
less, too: the light of all planes must fit its level better than any facing or clock, and far better than the record.
Names no cause.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from service.verify.case import BoolArray, Case, once
from service.verify.elsewhere import voices
from service.verify.explained import gain_over_record, needed
from service.verify.inputs import FloatArray
from service.verify.least_sky import agreed_beside, likely_by_sky
from service.verify.levels import AT_LIMIT
from service.verify.plane_beam import solar_places
from service.verify.search import AS_LIKELY, best_clock, best_turns
from service.verify.turn_bounds import DIMMED, is_possible
from service.verify.window import Window, window

LOW, LOW_THROUGHOUT, PARTS = 0.84, 0.88, 3
"""Level below which a plane is low, and each third of its energy, from morning to evening."""

AT_ALL = 0.95
"""Share of what the brightest like units make by the sky that all show from which none are low (our choice)."""

MOST_SPREAD, LEAST_LIGHT_H, LEAST_YIELD_H = 0.2, 2.0, 1.0
"""How far the skies that explain the others may let differ what is due, as a share of it, in how many hours at least,
and least yield at the rating due in these."""

STEPS, BELOW_LIMIT = 5, 0.9
"""Steps of a register from which an interval is read, and share of the rating up to which."""

FOR_LEVEL, PER_DAY, CLEARLY, NEAR = 15.0, 4.0, 1.15, 0.12
"""Log-likelihood over the record's by which a plane's level is told, and for each further day; how many times as much
as by any facing or clock it must be; and how near the level is to what the others let expect. Of 900 simulated days and
440 weeks (`tests/bench/fleet` and another engine's, not kept) with the levels above seven planes that are not low
reach 13 on a day at most and 33 in a week; sixteen low ones of a day 12 to 59, ten of a week 54 to 310."""

REFUTED = 2.0
"""How many times as much a turn that no roof has may explain at most: then something else than a level is the cause. Of
36 weeks of the fleet in which a plane was made low it was 1.65 at most, of a plane with its back to the sun 3.7."""


@dataclass(frozen=True)
class LowPlane:
    """The rows of `units` like units on a plane that make `level` of what the others let expect, in intervals (D,).

    What lies nearer to that than to the level is whole, and is not among the rows.
    `gain` is the log-likelihood over what was needed to tell it; `told` whether no facing or clock fits about as well.
    """

    plane: str
    units: int
    rows: tuple[int, ...]
    level: float
    where: BoolArray
    gain: float = 0.0
    told: bool = False


@once
def low_planes(case: Case) -> list[LowPlane]:
    """Return the like units of planes that are, or may be, low beside the others, as all units together show them."""
    if case.of_all is not None:
        return low_planes(case.of_all)
    shaded = {s.plane for s in case.shades}
    if case.source == "clear_sky" or len({unit.plane for unit in case.day.site.units}) < 2:
        return []
    behind = [g for g in _behind_others(case) if case.day.groups[g].plane.name not in shaded]
    read = [low for g in behind if (low := _read(case, g))]
    seen = window(case.alignment.site, case.alignment.readings, scale=case.scale) if read else None
    return [fit for low in read if seen and (fit := _by_its_fit(seen, low))]


def _behind_others(case: Case) -> list[int]:
    """Return the groups that make less than another by the sky that all show: so few are looked at closely."""
    due = case.peers.energy_wh[[group.members[0] for group in case.day.groups]]
    told = np.isfinite(case.agreed_wh) & np.isfinite(due)
    made_wh, due_wh = (np.where(told, wh, 0.0).sum(axis=1) for wh in (case.agreed_wh, due))
    share = made_wh / np.maximum(due_wh, 1e-9)
    return [int(g) for g in np.flatnonzero(share < AT_ALL * share.max())]


def _read(case: Case, g: int) -> LowPlane | None:
    """Return a group of like units as the other planes let see them, None where they are as they should be."""
    day, group = case.day, case.day.groups[g]
    here = [i for i, unit in enumerate(day.site.units) if unit.plane == group.plane.name]
    apart = [i for i in range(len(day.site.units)) if i not in group.members]
    due, spread = (of[g] for of in likely_by_sky(case, agreed_beside(case, voices(case), here)))
    made = agreed_beside(case, voices(case), apart)[g]
    most = BELOW_LIMIT * AT_LIMIT * day.rated_wh[group.members[0]]
    where = np.isfinite(due) & np.isfinite(made) & (due > STEPS * case.resolution_wh) & (due < most)
    hours, yield_h = where.sum() * day.interval_hours, due[where].sum() / day.rated_wh[group.members[0]]
    if hours < LEAST_LIGHT_H or yield_h * day.interval_hours < LEAST_YIELD_H:
        return None
    level = float(made[where].sum() / due[where].sum())
    sure = spread[where].sum() <= MOST_SPREAD * due[where].sum()
    if not sure or level > LOW or max(_by_hours(case, made, due, where)) > LOW_THROUGHOUT:
        return None
    halfway = (1 + level) / 2
    rows = tuple(i for i in group.members if case.levels.relative[i] * level < halfway)
    return LowPlane(group.plane.name, len(group.members), rows, level, where)


def _by_hours(case: Case, made: FloatArray, due: FloatArray, where: BoolArray) -> list[float]:
    """Return the level in each third of the energy due, by solar time."""
    place, (_, bins) = solar_places(case.day)
    order = np.flatnonzero(where)[np.argsort((place % bins)[where], kind="stable")]
    sums = np.cumsum(due[order]) / due[order].sum()
    parts = np.minimum((sums * PARTS).astype(int), PARTS - 1)
    by_part = (np.bincount(parts, weights=wh[order], minlength=PARTS) for wh in (made, due))
    return [float(m / max(d, 1e-9)) for m, d in zip(*by_part, strict=True)]


def _by_its_fit(seen: Window, low: LowPlane) -> LowPlane | None:
    """Return a low group if the light of all planes fits its level better than the record, told if than a turn, too."""
    plane = next((p for p, one in enumerate(seen.planes) if one.name == low.plane), None)
    if plane is None:
        return None
    gains = [gain_over_record(seen, seen.dimmed(plane, level, level)) for level in DIMMED]
    best, level = max(gains), float(DIMMED[int(np.argmax(gains))])
    enough = needed(seen, FOR_LEVEL, PER_DAY)
    if best < enough or abs(level - low.level) > NEAR:
        return None
    turns = best_turns(seen)
    rivals = [t.worth for t in turns if t.worth >= REFUTED * best or is_possible(seen, t)]
    rival = max(best_clock(seen).gain, *rivals, 0.0)
    return replace(low, gain=best - enough, told=best >= max(rival + AS_LIKELY, CLEARLY * rival))
