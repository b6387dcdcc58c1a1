"""A steady loss that nothing more special explains: dirt on one module, a weak module, a poor contact, a wrong type.

Reasoning: like units on one plane agree to about 1 % (mismatch in unshaded arrays is below 1 %, MacAlpine &
Brandemuehl), and IEC 62446-1 takes 5 % between identical strings as the bound of the usual. A unit is named when it
lies four standard uncertainties, at least 3.5 %, below what its peers let expect, and does so at all times.
What most of a plane lack alike no peers show: then the other planes, under the same sky, say what was due
(`plane_level`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from service.verify.case import GIVES_NOTHING, BoolArray, Case
from service.verify.causes import shaded
from service.verify.causes.steady import SteadyLevel, steady_levels
from service.verify.causes.wording import duration, energy, percent
from service.verify.elsewhere import may_be_the_sky
from service.verify.inputs import FloatArray
from service.verify.plane_level import LowPlane, low_planes
from service.verify.result import Finding
from service.verify.sentence import Quantity, Sentence, joined, sentence

UNSTEADY_LOSS = 0.08
"""Loss from which a unit is named though its level moves."""

SHORT, USUAL = 0.12, 0.9
"""How much less than its like units a unit may give in all, however its level moves, and the share of what is due below
which it is said to lie, two standard uncertainties aside. Of 970 windows (`tests/bench/fleet` and another engine's) no
healthy unit was so short in more than LEAST_LIGHT_H of light, ten with a fault that nothing named were."""

LEAST_STEPS = 40
"""Least energy of like units in steps of their register, with which one that cuts each value leaves no such shortfall:
it is off by so many steps' root at most. With its back to a winter's sun, under fog, a unit of another engine's gave 4
Wh where its like ones gave 5."""

LEAST_SURE_OF_PLANE, MOST_SURE_OF_PLANE = 0.7, 0.95
"""How sure a plane's level is that was just told, and at most (our choice, no source)."""

LEAST_LIGHT_H = 0.1
"""Reference yield, h, below which a register's steps and the inverters' start make as much."""


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return one finding for each unit that is steadily low."""
    found = []
    for i, (serial, steady) in enumerate(zip(case.serials, steady_levels(case), strict=True)):
        if serial in named or steady is None:
            continue
        low = GIVES_NOTHING < steady.level < 1 - case.levels.visible[i]
        if low and not (shaded.explains(case, i, 1 - steady.level) or may_be_the_sky(case, i, steady.where)):
            found.append(_finding(case, i, steady))
    return found


def find_planes(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return one finding for the like units of each plane that is low beside the others, those named already aside."""
    found = []
    for low in low_planes(case):
        rows = [i for i in low.rows if case.serials[i] not in named]
        if rows and low.told:
            found.append(_of_plane(case, low, rows))
    return found


def _of_plane(case: Case, low: LowPlane, rows: list[int]) -> Finding:
    first, last = case.first_and_last(low.where)
    lost_wh = float(np.nansum(case.measured_wh[rows])) * (1 / low.level - 1)
    return Finding(
        cause="low_output",
        serials=case.named(rows),
        confidence=round(min(MOST_SURE_OF_PLANE, LEAST_SURE_OF_PLANE + low.gain / 100), 2),
        evidence=sentence(
            "%(units)s of the %(of)s units on %(plane)s make together %(loss)s less than the light of the other planes "
            "lets expect, in the morning, at noon and in the afternoon alike (%(time)s of light), and no other facing "
            "or clock explains it as well; lost: %(lost)s.",
            units=len(rows),
            of=low.units,
            plane=low.plane,
            loss=percent(1 - low.level),
            time=duration(60 * case.day.interval_hours * int(low.where.sum())),
            lost=energy(lost_wh),
        ),
        advice=sentence(
            "Compare the type labels of the modules on %(plane)s with the record first, then look for film, dust, snow "
            "or a cover on them, from a safe stand.",
            plane=low.plane,
        ),
        first_seen=first,
        last_seen=last,
        lost_wh=round(lost_wh, 1),
        plane=low.plane,
        details={"level": round(low.level, 3)},
    )


def find_unsteady(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return one finding for each unit that is far too low in a way that no cause explains: better said than hidden."""
    found, given = [], _short(case)
    for i, serial in enumerate(case.serials):
        level = float(case.levels.relative[i])
        loss, enough = 1 - level, max(UNSTEADY_LOSS, 2 * float(case.levels.visible[i]))
        read = np.asarray(np.isfinite(case.levels.series[i]))
        if serial in named or not max(level, given[i]) > GIVES_NOTHING or may_be_the_sky(case, i, read):
            continue
        if loss > enough:
            found.append(_finding(case, i, _in_all(level, read)))
        elif given[i] < 1 - SHORT:
            found.append(_of_energy(_finding(case, i, _in_all(float(given[i]), case.heard[i]))))
    return found


def _in_all(level: float, where: BoolArray) -> SteadyLevel:
    """Return a level that holds for nowhere but the whole."""
    return SteadyLevel(level, where, 0.0, from_start=True)


def _of_energy(low: Finding) -> Finding:
    """Return the finding as that of a unit whose level moves too much to be read."""
    said = sentence(
        "It gave %(loss)s less energy than its like units, in no way that tells the cause; lost: %(lost)s.",
        loss=percent(1 - low.details["level"]),
        lost=energy(low.lost_wh or 0.0),
    )
    return replace(low, evidence=said)


def _short(case: Case) -> FloatArray:
    """Return what each unit gave of what its like units let expect, (U,), NaN where it is not surely below USUAL."""
    light = np.where(case.heard, np.nan_to_num(case.peers.reference_yield_h), 0.0).sum(axis=1)
    due_wh = np.where(case.heard, np.nan_to_num(case.peers.energy_wh), 0.0).sum(axis=1)
    fine = case.given_together * due_wh >= LEAST_STEPS * case.resolution_wh
    told = (light >= LEAST_LIGHT_H) & fine & (case.source != "clear_sky")
    short = told & (case.given * (1 + 2 * case.levels.sd) < USUAL)
    return np.where(short, case.given / case.given_together, np.nan)


def _finding(case: Case, i: int, steady: SteadyLevel) -> Finding:
    first, last = case.first_and_last(steady.where)
    lost = case.lost_wh(i, steady.where)
    loss, visible = 1 - steady.level, float(case.levels.visible[i])
    since = None if steady.from_start or first is None else case.local(first)
    return Finding(
        cause="low_output",
        serials=case.named([i]),
        confidence=round(min(0.99, 0.6 + 0.2 * (loss / visible - 1)), 2) if steady.share else 0.5,
        evidence=joined(
            _level(percent(loss), since, steadily=bool(steady.share)),
            sentence(
                " (visible from %(visible)s); lost: %(lost)s.", visible=percent(visible), lost=energy(lost)
            ),
        ),
        advice=sentence(
            "Look for dirt, leaves or film on this module, then its type label against the record, then the DC plugs' "
            "seat, the unit isolated."
        ),
        first_seen=first,
        last_seen=last,
        lost_wh=round(lost, 1),
        details={"level": round(steady.level, 3)},
    )


def _level(loss: Quantity, since: Quantity | None, *, steadily: bool) -> Sentence:
    if since is not None:  # what has a beginning is steady since
        return sentence(
            "DC output is steadily %(loss)s below that of its like units since %(moment)s",
            loss=loss,
            moment=since,
        )
    if steadily:
        return sentence("DC output is steadily %(loss)s below that of its like units", loss=loss)
    return sentence(
        "DC output is on the whole, not steadily, %(loss)s below that of its like units", loss=loss
    )
