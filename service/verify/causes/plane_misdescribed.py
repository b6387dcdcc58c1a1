"""A whole plane faces elsewhere, or leans otherwise, than the record says.

Reasoning: a curve's shape tells its azimuth within a few degrees under a clear sky, and two planes together tell it
through passing clouds too, since they share one sky (orientation from power: median 5 degrees of azimuth, NREL/CP-5K00-
88895). The tilt shows in the shape but weakly, and near the equinox in the level only, which the model knows within 7
to 10 per cent; where it adds nothing the recorded one is kept and that is said. What was found is undone before any
unit is judged (`verify/alignment.py`).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from service.verify.alignment import WrongPlane
from service.verify.case import Case
from service.verify.causes.clock_shift import confidence
from service.verify.causes.wording import duration
from service.verify.result import Finding


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return the finding for a plane that was put right."""
    wrong = case.alignment.plane
    return [_finding(case, wrong)] if wrong else []


def _finding(case: Case, wrong: WrongPlane) -> Finding:
    own = np.array([unit.plane == wrong.recorded.name for unit in case.day.site.units])
    first, last = case.first_and_last(np.asarray((case.heard & case.light)[own].any(axis=0)))
    return Finding(
        cause="plane_misdescribed",
        serials=(),
        confidence=confidence(wrong.gain, wrong.rival),
        evidence=f"{_what(wrong)}; {_tilt(wrong)}{_else(wrong)}",
        advice=(
            f"Measure azimuth (compass or map) and tilt of {wrong.recorded.name} and correct the record; "
            "nothing is broken."
        ),
        first_seen=first,
        last_seen=last,
        lost_wh=0.0,
        plane=wrong.recorded.name,
        details=_details(wrong),
    )


def _what(wrong: WrongPlane) -> str:
    recorded = wrong.recorded
    return (
        f"The units on {recorded.name} have the curve of azimuth {wrong.azimuth_deg:.0f} and tilt "
        f"{wrong.tilt_deg:.0f} degrees, not of the recorded {recorded.azimuth_deg:.0f} and {recorded.tilt_deg:.0f}, "
        f"over {duration(60 * wrong.sun_h)} of direct sun; all figures here are computed so"
    )


def _tilt(wrong: WrongPlane) -> str:
    if wrong.tilt_told:
        return "the tilt shows in shape and level"
    return "the tilt cannot be told from this window, so the recorded one is kept"


def _else(wrong: WrongPlane) -> str:
    if not wrong.ambiguous:
        return "."
    return (
        f"; labels {abs(wrong.rival_minutes)} min {'late' if wrong.rival_minutes > 0 else 'early'} would explain it "
        "nearly as well: a compass on the roof, or the gateway's clock against the true time, decides."
    )


def _details(wrong: WrongPlane) -> dict[str, Any]:
    details: dict[str, Any] = {
        "azimuth_deg": wrong.azimuth_deg,
        "tilt_deg": wrong.tilt_deg,
        "correction": {
            "kind": "plane",
            "plane": wrong.recorded.name,
            "azimuth_deg": wrong.azimuth_deg,
            "tilt_deg": wrong.tilt_deg,
        },
    }
    return {**details, "also_explained_by": "clock_shift"} if wrong.ambiguous else details
