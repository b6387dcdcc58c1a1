"""The readings' labels are not the true time.

Reasoning: a clock moves the curves of all planes, and the first and last light of the day, by the same minutes; a plane
that faces elsewhere moves its own curve only and no edge of the day. What was found is undone before anything else is
judged (`verify/alignment.py`), so that it accuses no unit. On one plane a quarter of an hour and some 10 degrees of
azimuth look much alike: then both are said.
"""

from __future__ import annotations

import math
from datetime import datetime
from typing import Any

from service.verify.alignment import WrongClock
from service.verify.case import Case
from service.verify.causes.wording import duration
from service.verify.result import Finding
from service.verify.search import SUMMER_TIME_MIN

LEAST_CONFIDENCE, MOST_CONFIDENCE = 0.5, 0.97


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return the finding for a site whose clock was put right."""
    clock = case.alignment.clock
    return [_finding(case, clock)] if clock else []


def _finding(case: Case, clock: WrongClock) -> Finding:
    labels = case.labels
    last = labels.moment(len(labels.columns) - 1)
    return Finding(
        cause="clock_shift",
        serials=(),
        confidence=confidence(clock.gain, clock.rival),
        evidence=f"{_what(case, clock)}{_else(clock)}",
        advice=_advice(case, clock),
        first_seen=clock.since or labels.start,
        last_seen=clock.until or last,
        lost_wh=0.0,
        details=_details(clock),
    )


def confidence(gain: float, rival: float) -> float:
    """Return the probability of a statement from its log-likelihoods over the record's and over its rival's."""
    sure = 1 / (1 + math.exp(-min(gain / 4, rival, 30.0)))
    return round(min(max(sure, LEAST_CONFIDENCE), MOST_CONFIDENCE), 2)


def _what(case: Case, clock: WrongClock) -> str:
    planes = len({unit.plane for unit in case.day.site.units})
    on = f"all {planes} planes" if planes > 1 else "its one plane"
    late = f"{abs(clock.minutes)} min {'late' if clock.minutes > 0 else 'early'}"
    when = f" from {case.local(clock.since)} on" if clock.since else ""
    when = f" until {case.local(clock.until)}" if clock.until else when
    return (
        f"The labels are {late}{when}: by the true sun the units' curves on {on} come so much "
        f"{'later' if clock.minutes > 0 else 'earlier'}, over {duration(60 * clock.sun_h)} of direct sun; with the "
        "labels put right they fit, and all figures here are computed so"
    )


def _else(clock: WrongClock) -> str:
    if not clock.ambiguous:
        return "."
    return (
        "; another azimuth than the recorded one would explain one plane's curve nearly as well: "
        "the gateway's clock against the true time, or a compass on the roof, decides."
    )


def _advice(case: Case, clock: WrongClock) -> str:
    if clock.since or clock.until:
        return (
            "Set the gateway or the export to UTC or one standard time all year; correct the record's clock."
        )
    if clock.minutes == case.labels.interval_min:
        return "The labels seem to stand at the end of their intervals: label by the start, or say so on the record."
    zone = " or its time zone" if clock.minutes % SUMMER_TIME_MIN == 0 else ""
    return f"Compare the gateway's clock{zone} with the true time, set it, and correct the record's clock."


def _details(clock: WrongClock) -> dict[str, Any]:
    details: dict[str, Any] = {
        "minutes": clock.minutes,
        "correction": {"kind": "clock", "changes": _changes(clock)},
    }
    return {**details, "also_explained_by": "plane_misdescribed"} if clock.ambiguous else details


def _changes(clock: WrongClock) -> list[dict[str, Any]]:
    changes: list[tuple[datetime | None, int]] = [(clock.since, clock.minutes)]
    if clock.until:
        changes.append((clock.until, 0))
    return [{"from": at.isoformat() if at else None, "minutes": minutes} for at, minutes in changes]
