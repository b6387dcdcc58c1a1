"""A unit whose curve is that of another orientation than its plane's.

Reasoning: a curve's shape tells its orientation within a few degrees where daily energy does not (scaled-profile
deviations at 5 and 10 degrees of azimuth are 18 and 36 W/m2). The recorded planes are tried first; where a second unit
fits the other way round the pair is `swapped`. A unit that fits none of them may be on a dormer that nobody noted: then
every orientation is tried, with three hours of sun at least, and the unit must be as bright as that orientation makes
it, which one in a shadow is not.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from service.verify.case import Case
from service.verify.causes.misplaced import Misplaced, Turned, misplaced_units, turned_units
from service.verify.causes.wording import percent
from service.verify.result import Finding


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return one finding for each unit that is elsewhere."""
    left = [i for i, serial in enumerate(case.serials) if serial not in named]
    elsewhere = [m for m in misplaced_units(case) if m.unit in left]
    still = [i for i in left if i not in {m.unit for m in elsewhere}]
    return [_finding(case, m) for m in elsewhere] + [_turned(case, t) for t in turned_units(case, still)]


def _finding(case: Case, m: Misplaced) -> Finding:
    return Finding(
        **_common(case, m),
        evidence=(
            f"{percent(m.misfit_recorded)} of its energy comes at the wrong time for {m.recorded}, but only "
            f"{percent(m.misfit_fits)} for {m.fits}."
        ),
        advice=f"Compare the label with the roof plan: this unit seems to be fitted on {m.fits}; correct the record.",
        details={
            "fits": m.fits,
            "correction": {"kind": "move", "serial": case.serials[m.unit], "plane": m.fits},
        },
    )


def _turned(case: Case, t: Turned) -> Finding:
    return Finding(
        **_common(case, t),
        evidence=(
            f"{percent(t.misfit_recorded)} of its energy comes at the wrong time for {t.recorded}; it has the curve of "
            f"azimuth {t.azimuth_deg:.0f} degrees ({percent(t.misfit_fits)} at the wrong time), that no plane has."
        ),
        advice=(
            f"Compare the label with the roof plan: this unit seems to face {t.azimuth_deg:.0f} degrees, as on a "
            "dormer; enter its plane on the record."
        ),
        details={"azimuth_deg": round(t.azimuth_deg), "tilt_deg": round(t.tilt_deg)},
    )


def _common(case: Case, m: Misplaced | Turned) -> dict[str, Any]:
    first, last = case.first_and_last(np.asarray(case.heard[m.unit] & case.light[m.unit]))
    return {
        "cause": "wrong_plane",
        "serials": case.named([m.unit]),
        "confidence": round(float(np.clip(0.95 - m.misfit_fits / m.misfit_recorded / 4, 0.6, 0.95)), 2),
        "first_seen": first,
        "last_seen": last,
        "lost_wh": 0.0,
    }
