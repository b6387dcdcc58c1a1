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
from service.verify.causes.clock_shift import beyond, confidence
from service.verify.causes.wording import duration, lateness, percent
from service.verify.result import Finding
from service.verify.sentence import Sentence, joined, sentence

MOST_IF_LOW = 0.6
"""How sure it is at most that a plane is described wrongly whose light a lower level explains nearly as well (our
choice)."""

MOST_IF_ELSEWHERE = 0.7
"""How sure it is at most that a plane of two units is described wrongly, and not both recorded on it by mistake: one
slip is likelier than two (our choice, no source)."""


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
        confidence=min(confidence(wrong.gain, wrong.rival, wrong.log_odds), _most_sure(wrong)),
        evidence=joined(_what(wrong), "; ", _tilt(wrong), beyond(wrong.beyond), _else(wrong)),
        advice=_advice(wrong),
        first_seen=first,
        last_seen=last,
        lost_wh=0.0,
        plane=wrong.recorded.name,
        details=_details(wrong),
    )


def _advice(wrong: WrongPlane) -> Sentence:
    if wrong.may_lie_on:
        return sentence(
            "Look whether the modules recorded on %(plane)s lie on %(other)s and record them there if so; if not, "
            "measure azimuth (compass or map) and tilt of %(plane)s and correct the record; nothing is broken.",
            plane=wrong.recorded.name,
            other=wrong.may_lie_on,
        )
    if wrong.may_be_low:
        return sentence(
            "Measure azimuth (compass or map) and tilt of %(plane)s and correct the record if they differ; if not, "
            "look at the modules on %(other)s first: dirt, film, their rating.",
            plane=wrong.recorded.name,
            other=wrong.may_be_low.plane,
        )
    return sentence(
        "Measure azimuth (compass or map) and tilt of %(plane)s and correct the record; nothing is broken.",
        plane=wrong.recorded.name,
    )


def _most_sure(wrong: WrongPlane) -> float:
    if wrong.may_be_low:
        return MOST_IF_LOW
    return MOST_IF_ELSEWHERE if wrong.may_lie_on else 1.0


def _what(wrong: WrongPlane) -> Sentence:
    recorded = wrong.recorded
    return sentence(
        "The units on %(plane)s have the curve of azimuth %(azimuth)s and tilt %(tilt)s degrees, not of the recorded "
        "%(recorded_azimuth)s and %(recorded_tilt)s, over %(time)s of direct sun; all figures here are computed so",
        plane=recorded.name,
        azimuth=wrong.azimuth_deg,
        tilt=wrong.tilt_deg,
        recorded_azimuth=recorded.azimuth_deg,
        recorded_tilt=recorded.tilt_deg,
        time=duration(60 * wrong.sun_h),
    )


def _tilt(wrong: WrongPlane) -> Sentence:
    if wrong.tilt_told:
        return sentence("the tilt shows in shape and level")
    return sentence("the tilt cannot be told from this window, so the recorded one is kept")


def _else(wrong: WrongPlane) -> str:
    if wrong.log_odds is not None:
        return sentence("; this is likelier than the record, and not sure: a clear day decides.")
    if wrong.may_lie_on:
        return sentence(
            "; modules that lie on %(other)s would have this curve, too: a look at the roof decides.",
            other=wrong.may_lie_on,
        )
    if wrong.may_be_low:
        return sentence(
            "; units on %(other)s that make %(share)s less by the record would explain it nearly as well: measuring "
            "azimuth and tilt decides.",
            other=wrong.may_be_low.plane,
            share=percent(1 - wrong.may_be_low.level),
        )
    if not wrong.ambiguous:
        return "."
    return sentence(
        "; labels %(late)s would explain it nearly as well: a compass on the roof, or the gateway's clock against the "
        "true time, decides.",
        late=lateness(wrong.rival_minutes),
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
    if wrong.may_lie_on:
        return {**details, "also_explained_by": "wrong_plane"}
    if wrong.may_be_low:
        return {**details, "also_explained_by": "low_output"}
    return {**details, "also_explained_by": "clock_shift"} if wrong.ambiguous else details
