"""A unit whose curve is that of another recorded plane than its own.

Reasoning: a curve's shape tells its orientation within a few degrees where daily energy does not (scaled-profile
deviations at 5 and 10 degrees of azimuth are 18 and 36 W/m2). Only recorded planes are tried here; an orientation
that no plane has is not named. Where a second unit fits the other way round the pair is `swapped`.
"""

from __future__ import annotations

import numpy as np

from service.verify.case import Case
from service.verify.causes.misplaced import Misplaced, misplaced_units
from service.verify.causes.wording import percent
from service.verify.result import Finding


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return one finding for each unit that is elsewhere."""
    return [_finding(case, m) for m in misplaced_units(case) if case.serials[m.unit] not in named]


def _finding(case: Case, m: Misplaced) -> Finding:
    first, last = case.first_and_last(np.asarray(case.heard[m.unit] & case.light[m.unit]))
    return Finding(
        cause="wrong_plane",
        serials=case.named([m.unit]),
        confidence=round(float(np.clip(0.95 - m.misfit_fits / m.misfit_recorded / 4, 0.6, 0.95)), 2),
        evidence=(
            f"{percent(m.misfit_recorded)} of its energy comes at the wrong time for {m.recorded}, but only "
            f"{percent(m.misfit_fits)} for {m.fits}."
        ),
        advice=f"Compare the label with the roof plan: this unit seems to be fitted on {m.fits}; correct the record.",
        first_seen=first,
        last_seen=last,
        lost_wh=0.0,
        details={"fits": m.fits},
    )
