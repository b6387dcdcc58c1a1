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
from service.verify.sentence import sentence


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return one finding for each unit that is elsewhere."""
    left = [i for i, serial in enumerate(case.serials) if serial not in named]
    elsewhere = [m for m in misplaced_units(case) if m.unit in left]
    still = [i for i in left if i not in {m.unit for m in elsewhere}]
    return [_finding(case, m) for m in elsewhere] + [_turned(case, t) for t in turned_units(case, still)]


def _finding(case: Case, m: Misplaced) -> Finding:
    return Finding(
        **_common(case, m),
        evidence=sentence(
            "%(there)s of its energy comes at the wrong time for %(recorded)s, but only %(here)s for %(fits)s.",
            there=percent(m.misfit_recorded),
            recorded=m.recorded,
            here=percent(m.misfit_fits),
            fits=m.fits,
        ),
        advice=sentence(
            "Compare the label with the roof plan: this unit seems to be fitted on %(fits)s; correct the record.",
            fits=m.fits,
        ),
        details={
            "fits": m.fits,
            "correction": {"kind": "move", "serial": case.serials[m.unit], "plane": m.fits},
        },
    )


def _turned(case: Case, t: Turned) -> Finding:
    return Finding(
        **_common(case, t),
        evidence=sentence(
            "%(there)s of its energy comes at the wrong time for %(recorded)s; it has the curve of azimuth %(azimuth)s "
            "degrees (%(here)s at the wrong time), that no plane has.",
            there=percent(t.misfit_recorded),
            recorded=t.recorded,
            azimuth=t.azimuth_deg,
            here=percent(t.misfit_fits),
        ),
        advice=sentence(
            "Compare the label with the roof plan: this unit seems to face %(azimuth)s degrees, as on a dormer; enter "
            "its plane on the record.",
            azimuth=t.azimuth_deg,
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
