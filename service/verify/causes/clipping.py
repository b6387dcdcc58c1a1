"""Units at their inverter's rating: as designed, for information.

Reasoning: an inverter smaller than its module holds its rated power in strong light; the curve is flat there and
the energy above it is given away by design (IEC TS 61724-2 calls such operation constrained).
"""

from __future__ import annotations

import numpy as np

from service.verify.case import BoolArray, Case
from service.verify.causes.wording import duration, energy
from service.verify.inputs import FloatArray
from service.verify.result import Finding
from service.verify.sentence import sentence

AT_RATING = (0.965, 1.04)
"""Measured over rated within which a value counts as at the rating, reading noise of 1 % included."""

LEAST_MINUTES = 30


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return one finding with all units that were at their rating for half an hour or more."""
    at_limit = _at_limit(case)
    minutes = at_limit.sum(axis=1) * case.day.grid.interval_min
    units = [i for i in range(len(case.serials)) if minutes[i] >= LEAST_MINUTES]
    if not units:
        return []
    first, last = case.first_and_last(np.asarray(at_limit[units].any(axis=0)))
    above = _above_limit_wh(case, units, at_limit)
    return [
        Finding(
            cause="clipping",
            serials=case.named(units),
            confidence=0.95,
            evidence=sentence(
                "%(num)s unit(s) held their rated power for %(time)s on average; about %(above)s above it was given "
                "away, as designed.",
                num=len(units),
                time=duration(float(minutes[units].mean())),
                above=energy(above),
            ),
            advice=sentence(
                "Nothing to mend: the inverter is smaller than its module's peak. Mention it in the handover."
            ),
            first_seen=first,
            last_seen=last,
            lost_wh=None,
        )
    ]


def _at_limit(case: Case) -> BoolArray:
    """Return where a unit was at its rating and its module could have given more, (U, D)."""
    rated = case.day.rated_wh[:, None]
    share = case.measured_wh / rated
    with np.errstate(invalid="ignore"):
        at_rating = (share >= AT_RATING[0]) & (share <= AT_RATING[1])
    return np.asarray(at_rating & (_unlimited_wh(case) >= rated))


def _unlimited_wh(case: Case) -> FloatArray:
    """Return what the units' modules would have given through an inverter without limit, Wh, (U, D)."""
    site = case.day.site
    efficiency = np.array([site.inverter_type(u.inverter_type).efficiency for u in site.units])
    return np.asarray(case.peers.dc_wh * efficiency[:, None])


def _above_limit_wh(case: Case, units: list[int], at_limit: BoolArray) -> float:
    above = np.where(at_limit, _unlimited_wh(case) - case.measured_wh, 0.0)[units]
    return float(np.maximum(above, 0.0).sum())
