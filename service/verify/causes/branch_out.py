"""Every unit of an AC branch stops together and stays off.

Reasoning: like units do not fail at the same moment; what they share is the branch's cable, connectors and breaker.
The finding speaks of the branch, so that no unit is taken off the roof for it. Where the whole site is one branch
there is no neighbour to prove the light: only an hour without any output, with the sun well up, counts then, or one
that followed full output at once.
Many units take their own supply from the branch, or speak over it: cut off, they are not heard instead of giving
nothing (circuit logic, no source needed). That counts as off if all of them fall silent together in light and are not
heard again, while most of the others are; whatever else may silence them together, all hang on one branch. Most units
sleep at night: of those that do not wake when all others do, or that others go on speaking without, the same is said,
less surely. What comes back is a gap in the readings.
"""

from __future__ import annotations

import numpy as np

from service.expect.grid import IntArray
from service.verify.case import BoolArray, Case, once
from service.verify.causes import channels, darkness
from service.verify.causes.no_output import least_unused
from service.verify.causes.wording import duration, energy
from service.verify.result import Finding
from service.verify.sentence import Quantity, Sentence, sentence
from service.verify.silence import SILENT

PROVEN = 0.97
"""Confidence with light that is proven."""

NOT_HEARD = 0.85
"""The same where the units are not heard: what hears a branch may fail instead (judgement)."""

NOT_HEARD_FROM_NIGHT = 0.7
"""The same from a night on, when what hears units may have been changed as well (judgement)."""

AWAKE_MINUTES, MOSTLY_AWAKE = 120, 0.5
"""Minutes of the dark before a silence, and the share of them in which a unit must be heard to be no sleeper (our
choice): what keeps one awake after dusk does not last so long."""

LEAST_UNITS = 2
OTHERS_HEARD = 0.5
"""Share of the other units that must be heard where a branch's silence counts."""

SAME_MOMENT = 2
"""How many lit intervals apart the units of a branch may stop and still count as together."""

MOST_OF_BRANCH = 0.5
"""Share of a branch's units that must have stopped for those that no light would show to be off with them."""

HIDDEN_STEPS = 2
"""Steps of the register that must have been due from each unit on average: one can hide in each, not in all at once."""


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return one finding for each branch that is off."""
    return [_finding(case, branch, off) for branch, off in _branches_off(case).items()]


def cut_off(case: Case) -> BoolArray:
    """Return where a unit is not heard because its branch is off, (U, D)."""
    silent = np.zeros(case.heard.shape, dtype=bool)
    for off in _branches_off(case).values():
        rows = list(off)
        silent[rows] = _fell_silent(case, rows)
    return silent


@once
def _branches_off(case: Case) -> dict[str, dict[int, BoolArray]]:
    """Return the branches that are off, each with its units' dead intervals."""
    heard = set(np.flatnonzero(case.ever_heard))
    found = {branch: _off(case, [i for i in rows if i in heard]) for branch, rows in _branches(case).items()}
    return {branch: off for branch, off in found.items() if off}


def _branches(case: Case) -> dict[str, list[int]]:
    branches: dict[str, list[int]] = {}
    for i, unit in enumerate(case.day.site.units):
        if unit.branch is not None:
            branches.setdefault(unit.branch, []).append(i)
    return branches


def _off(case: Case, rows: list[int]) -> dict[int, BoolArray]:
    """Return the units that stopped together, each with its dead intervals (D,); empty where the branch is not off."""
    if len(rows) < LEAST_UNITS:
        return {}
    lit = (case.heard[rows] | _fell_silent(case, rows)) & case.light[rows]
    with np.errstate(invalid="ignore"):
        gave = case.heard[rows] & (case.measured_wh[rows] > SILENT * case.peers.energy_wh[rows])
    last = np.array([_last(g) for g in gave], dtype=int)
    later = np.arange(lit.shape[1]) > last.max(initial=-1)
    after = lit & later
    if not _proven(case, rows, after):
        return {}
    early = np.array([lit[k, last[k] + 1 : last.max() + 1].sum() for k in range(len(rows))])
    together = (early <= SAME_MOMENT) & after.any(axis=1)
    if together.sum() < LEAST_UNITS:
        return {}
    if together.mean() >= MOST_OF_BRANCH:
        together |= (early <= SAME_MOMENT) & (case.heard[rows] & later).any(axis=1)
    return {
        rows[k]: np.asarray(lit[k] & (np.arange(lit.shape[1]) > last[k])) for k in np.flatnonzero(together)
    }


def _fell_silent(case: Case, rows: list[int]) -> BoolArray:
    """Return when these units were not heard any more that fell silent together, and others were, (R, D)."""
    lasts, there = _last_heard(case)[rows], case.day.positions
    others = np.delete(case.heard, rows, axis=0)[np.delete(case.ever_heard, rows)]
    after = there > lasts.max(initial=-1)
    if len(others) < LEAST_UNITS or not after.any():
        return np.zeros((len(rows), len(there)), dtype=bool)
    told = after & (others.mean(axis=0) >= OTHERS_HEARD)
    if _in_light(case, rows):
        return np.asarray((lasts.max() - lasts <= SAME_MOMENT)[:, None] & told)
    all_back = bool(others[:, after].any(axis=1).all())
    together = _in_one_night(case, rows) or _at_once_by_night(case, rows)
    return np.asarray(np.full((len(rows), 1), all_back and together) & told)


@once
def _last_heard(case: Case) -> IntArray:
    """Return the last interval of the whole grid in which each unit was heard, (U,), -1 for none."""
    heard = np.isfinite(case.readings.energy_wh)
    return np.asarray(np.where(heard, np.arange(heard.shape[1]), -1).max(axis=1, initial=-1))


def _in_light(case: Case, rows: list[int]) -> bool:
    """Return whether there was light for all of these units just before the last was heard and just after."""
    last, there = int(_last_heard(case)[rows].max()), case.day.positions
    at = int(np.searchsorted(there, last))
    awake = at + 1 < len(there) and case.light[rows, at : at + 2].any(axis=0).all()
    return bool(awake and there[at + 1] == last + 1)


def _in_one_night(case: Case, rows: list[int]) -> bool:
    """Return whether all of these units were heard until the light of one day ended, and not in that of the next."""
    lasts, there = _last_heard(case)[rows], case.day.positions
    lit = np.flatnonzero(case.light[rows].any(axis=0))
    before = np.searchsorted(there[lit], lasts, side="right")
    if before.min() == 0 or before.max() == len(lit) or np.ptp(before) > 0:
        return False
    evening, morning = lit[before[0] - 1], lit[before[0]]
    return bool(there[morning] - there[evening] > morning - evening)


def _at_once_by_night(case: Case, rows: list[int]) -> bool:
    """Return whether these units, heard in the dark as others are, were all not heard any more from one moment on."""
    heard, lasts = np.isfinite(case.readings.energy_wh), _last_heard(case)[rows]
    reach = -(-AWAKE_MINUTES // case.day.grid.interval_min)
    awake = np.arange(lasts.max() - reach + 1, lasts.max() + 2)
    lit = case.day.positions[case.light[rows].any(axis=0)]
    if awake[0] < 0 or awake[-1] == heard.shape[1] or np.isin(awake[:-1], lit).any():
        return False
    others = np.delete(heard, rows, axis=0)[np.delete(case.ever_heard, rows), awake[-1]]
    mostly = heard[rows][:, awake[:-1]].mean(axis=1).min() >= MOSTLY_AWAKE
    return bool(mostly and np.ptp(lasts) <= SAME_MOMENT and others.mean() >= OTHERS_HEARD)


def _last(gave: BoolArray) -> int:
    """Return the last interval that is true, -1 if none is."""
    return int(np.flatnonzero(gave)[-1]) if gave.any() else -1


def _proven(case: Case, rows: list[int], after: BoolArray) -> bool:
    """Return whether enough was due from the units together after the last that any of them gave."""
    if darkness.may_be_dark(case, rows, np.asarray(after.any(axis=0))):
        return False
    due_wh = np.where(after, case.peers.energy_wh[rows], 0.0)
    minutes = after.any(axis=0).sum() * case.day.grid.interval_min
    unused_h = float((due_wh / case.day.rated_wh[rows, None]).sum()) * case.day.interval_hours
    hidden_wh = HIDDEN_STEPS * case.resolution_wh * after.any(axis=1).sum()
    least_minutes, least_h = least_unused(case, rows)
    return bool(minutes >= least_minutes and unused_h >= least_h and due_wh.sum() >= hidden_wh)


def _finding(case: Case, branch: str, dead: dict[int, BoolArray]) -> Finding:
    rows, off = list(dead), np.asarray(np.any(list(dead.values()), axis=0))
    first, last = case.first_and_last(off)
    assert first is not None  # noqa: S101 (a branch is off for some time)
    unheard = {i: d & ~case.heard[i] for i, d in dead.items()}
    silent = any(u.any() for u in unheard.values())
    by_night = silent and not _in_light(case, rows)
    unproven = NOT_HEARD_FROM_NIGHT if by_night else NOT_HEARD
    lost = sum(case.lost_wh(i, d) + float(case.peers.energy_wh[i, unheard[i]].sum()) for i, d in dead.items())
    finding = Finding(
        cause="branch_out",
        serials=case.named(dead),
        confidence=darkness.confidence(case, rows, off, proven=unproven if silent else PROVEN),
        evidence=(_asleep if by_night else _silent if silent else _nothing)(
            num=len(dead),
            branch=branch,
            moment=case.local(first),
            time=duration(float(off.sum() * case.day.grid.interval_min)),
            lost=energy(lost),
        ),
        advice=sentence(
            "Look at branch %(branch)s before its units: breaker, isolator, the trunk cable's first connector; "
            "work on mains is for a licensed electrician.",
            branch=branch,
        ),
        first_seen=first,
        last_seen=last,
        lost_wh=round(lost, 1),
        branch=branch,
    )
    return channels.sharpened(finding, channels.of_branch(case, dead, off))


def _nothing(**said: str | float | Quantity) -> Sentence:
    return sentence(
        "All %(num)s units heard on branch %(branch)s have given nothing since %(moment)s, %(time)s of light; "
        "lost: %(lost)s.",
        **said,
    )


def _silent(**said: str | float | Quantity) -> Sentence:
    return sentence(
        "All %(num)s units of branch %(branch)s fell silent together at %(moment)s and were not heard again in "
        "%(time)s of light, while most of the others were: without the branch's voltage many units cannot speak. "
        "Not proven: up to %(lost)s.",
        **said,
    )


def _asleep(**said: str | float | Quantity) -> Sentence:
    return sentence(
        "All %(num)s units of branch %(branch)s were heard until a night and none since, from %(moment)s on in "
        "%(time)s of light, while all others were: without the branch's voltage many units cannot speak. Not proven: "
        "up to %(lost)s.",
        **said,
    )
