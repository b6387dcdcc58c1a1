"""Every unit of an AC branch stops together and stays off.

Reasoning: like units do not fail at the same moment; what they share is the branch's cable, connectors and breaker.
The finding speaks of the branch, so that no unit is taken off the roof for it. Where the whole site is one branch
there is no neighbour to prove the light: only an hour without any output, with the sun well up, counts then.
"""

from __future__ import annotations

import numpy as np

from service.verify.case import BoolArray, Case
from service.verify.causes import channels
from service.verify.causes.no_output import dead_since, is_long_enough
from service.verify.causes.wording import duration, energy
from service.verify.result import Finding

LEAST_UNITS = 2
SAME_MOMENT = 2
"""How many intervals apart the units of a branch may stop and still count as together."""


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return one finding for each branch that is off."""
    found = []
    for branch, rows in _branches(case).items():
        dead = {i: dead_since(case, i) for i in rows if case.heard[i].any()}
        if len(dead) >= LEAST_UNITS and _together(case, dead):
            found.append(_finding(case, branch, dead))
    return found


def _branches(case: Case) -> dict[str, list[int]]:
    branches: dict[str, list[int]] = {}
    for i, unit in enumerate(case.day.site.units):
        if unit.branch is not None:
            branches.setdefault(unit.branch, []).append(i)
    return branches


def _together(case: Case, dead: dict[int, BoolArray]) -> bool:
    """Return whether all are dead and none was for more than SAME_MOMENT lit intervals while another still gave."""
    if not all(d.any() and is_long_enough(case, i, d) for i, d in dead.items()):
        return False
    gave = np.flatnonzero(
        np.any([case.heard[i] & case.light[i] & ~case.giving_nothing[i] for i in dead], axis=0)
    )
    last = int(gave[-1]) if len(gave) else -1
    return all(int(d[: last + 1].sum()) <= SAME_MOMENT for d in dead.values())


def _finding(case: Case, branch: str, dead: dict[int, BoolArray]) -> Finding:
    off = np.asarray(np.any(list(dead.values()), axis=0))
    first, last = case.first_and_last(off)
    lost = sum(case.lost_wh(i, d) for i, d in dead.items())
    since = f" since {case.local(first)}" if first else ""
    finding = Finding(
        cause="branch_out",
        serials=case.named(dead),
        confidence=0.97,
        evidence=(
            f"All {len(dead)} units heard on branch {branch} have given nothing{since}, "
            f"{duration(float(off.sum() * case.day.grid.interval_min))} of light; lost: {energy(lost)}."
        ),
        advice=(
            f"Look at branch {branch} before its units: breaker, isolator, the trunk cable's first connector; "
            "work on mains is for a licensed electrician."
        ),
        first_seen=first,
        last_seen=last,
        lost_wh=round(lost, 1),
        branch=branch,
    )
    return channels.sharpened(finding, channels.of_branch(case, dead, off))
