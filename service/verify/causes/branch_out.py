"""Every unit of an AC branch stops together and stays off.

Reasoning: like units do not fail at the same moment; what they share is the branch's cable, connectors and breaker.
The finding speaks of the branch, so that no unit is taken off the roof for it. Where the whole site is one branch
there is no neighbour to prove the light: only an hour without any output, with the sun well up, counts then.
"""

from __future__ import annotations

import numpy as np

from service.verify.case import BoolArray, Case
from service.verify.causes import channels, darkness
from service.verify.causes.no_output import least_unused
from service.verify.causes.wording import duration, energy
from service.verify.result import Finding
from service.verify.sentence import sentence
from service.verify.silence import SILENT

PROVEN = 0.97
"""Confidence with light that is proven."""

LEAST_UNITS = 2
SAME_MOMENT = 2
"""How many lit intervals apart the units of a branch may stop and still count as together."""

HIDDEN_STEPS = 2
"""Steps of the register that must have been due from each unit on average: one can hide in each, not in all at once."""


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return one finding for each branch that is off."""
    found = []
    for branch, rows in _branches(case).items():
        off = _off(case, [i for i in rows if case.heard[i].any()])
        if off:
            found.append(_finding(case, branch, off))
    return found


def _branches(case: Case) -> dict[str, list[int]]:
    branches: dict[str, list[int]] = {}
    for i, unit in enumerate(case.day.site.units):
        if unit.branch is not None:
            branches.setdefault(unit.branch, []).append(i)
    return branches


def _off(case: Case, rows: list[int]) -> dict[int, BoolArray]:
    """Return the units that stopped together, each with its dead intervals (D,); empty where the branch is not off."""
    lit = case.heard[rows] & case.light[rows]
    with np.errstate(invalid="ignore"):
        gave = case.heard[rows] & (case.measured_wh[rows] > SILENT * case.peers.energy_wh[rows])
    last = np.array([_last(g) for g in gave], dtype=int)
    after = lit & (np.arange(lit.shape[1]) > last.max(initial=-1))
    if not _proven(case, rows, after):
        return {}
    between = [int(lit[k, last[k] + 1 : last.max() + 1].sum()) for k in range(len(rows))]
    together = [k for k, early in enumerate(between) if early <= SAME_MOMENT]
    if len(together) < LEAST_UNITS or after[together].any(axis=1).sum() < LEAST_UNITS:
        return {}
    return {rows[k]: np.asarray(lit[k] & (np.arange(lit.shape[1]) > last[k])) for k in together}


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
    off = np.asarray(np.any(list(dead.values()), axis=0))
    first, last = case.first_and_last(off)
    assert first is not None  # noqa: S101 (a branch is off for some time)
    lost = sum(case.lost_wh(i, d) for i, d in dead.items())
    finding = Finding(
        cause="branch_out",
        serials=case.named(dead),
        confidence=darkness.confidence(case, list(dead), off, proven=PROVEN),
        evidence=sentence(
            "All %(num)s units heard on branch %(branch)s have given nothing since %(moment)s, %(time)s of light; "
            "lost: %(lost)s.",
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
