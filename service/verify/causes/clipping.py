"""Units at their inverter's rating: as designed, for information.

Reasoning: an inverter smaller than its module holds its rated power in strong light; the curve is flat there and
the energy above it is given away by design (IEC TS 61724-2 calls such operation constrained).
"""

from __future__ import annotations

import numpy as np

from service.verify.case import Case
from service.verify.causes.wording import duration, energy
from service.verify.levels import rated_wh
from service.verify.result import Finding

AT_RATING = (0.975, 1.03)
LEAST_MINUTES = 30
FLATNESS = 0.02


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return one finding with all units that were at their rating for half an hour or more."""
    share = case.measured_wh / rated_wh(case.day)[:, None]
    with np.errstate(invalid="ignore"):
        at_limit = (share >= AT_RATING[0]) & (share <= AT_RATING[1])
    minutes = at_limit.sum(axis=1) * case.day.grid.interval_min
    units = [
        i for i in range(len(case.serials)) if minutes[i] >= LEAST_MINUTES and _is_flat(share[i], at_limit[i])
    ]
    if not units:
        return []
    first, last = case.first_and_last(at_limit[units].any(axis=0))
    above = sum(_above_limit_wh(case, i, at_limit[i]) for i in units)
    return [
        Finding(
            cause="clipping",
            serials=case.named(units),
            confidence=0.95,
            evidence=(
                f"{len(units)} unit(s) held their rated power for {duration(float(minutes[units].mean()))} on average; "
                f"about {energy(above)} above it was given away, as designed."
            ),
            advice="Nothing to mend: the inverter is smaller than its module's peak. Mention it in the handover.",
            first_seen=first,
            last_seen=last,
            lost_wh=None,
        )
    ]


def _is_flat(share: np.ndarray, at_limit: np.ndarray) -> bool:  # type: ignore[type-arg]
    """Return whether the values near the rating form a plateau and nothing lies above it."""
    top = share[np.isfinite(share)].max()
    return bool(top <= AT_RATING[1] and np.std(share[at_limit]) <= FLATNESS)


def _above_limit_wh(case: Case, i: int, at_limit: np.ndarray) -> float:  # type: ignore[type-arg]
    unit = case.day.site.units[i]
    efficiency = case.day.site.inverter_type(unit.inverter_type).efficiency
    above = case.peers.dc_wh[i, at_limit] * efficiency - case.measured_wh[i, at_limit]
    return float(np.maximum(above, 0.0).sum())
