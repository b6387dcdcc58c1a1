"""The readings' labels are not the true time.

Reasoning: a clock moves the curves of all planes, and the first and last light of the day, by the same minutes; a plane
that faces elsewhere moves its own curve only and no edge of the day. What was found is undone before anything else is
judged (`verify/alignment.py`), so that it accuses no unit. On one plane a quarter of an hour and some 10 degrees of
azimuth look much alike: then both are said.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from service.verify.alignment import WrongClock
from service.verify.case import Case
from service.verify.causes.wording import duration, lateness, percent
from service.verify.odds import probability
from service.verify.result import Finding
from service.verify.search import SUMMER_TIME_MIN
from service.verify.sentence import Quantity, Sentence, counted_sentence, joined, sentence

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
        evidence=joined(*_what(case, clock), beyond(clock.beyond), _else(clock)),
        advice=_advice(case, clock),
        first_seen=clock.since or labels.start,
        last_seen=clock.until or last,
        lost_wh=0.0,
        details=_details(clock),
    )


def confidence(gain: float, rival: float, log_odds: float | None = None) -> float:
    """Return the probability of a statement from its log-likelihoods over the record's and over its rival's.

    Where only all signs together tell it, their log odds say how likely it is at most.
    """
    told = min(gain / 4, rival, 30.0)
    sure = probability(told if log_odds is None else min(told, log_odds))
    return round(min(max(sure, LEAST_CONFIDENCE), MOST_CONFIDENCE), 2)


def beyond(share: float) -> str:
    """Return what is said of light beyond what any sky gives by the record, nothing where there is too little."""
    if not share:
        return ""
    return sentence(
        "; by the record %(share)s of the light would be beyond what any sky gives", share=percent(share)
    )


def _what(case: Case, clock: WrongClock) -> tuple[Sentence, Sentence]:
    if clock.sensed:
        return _labels_are(case, clock), _by_sensor(clock)
    if clock.band:
        return _labels_are(case, clock), _by_night(clock.band)
    planes = len({unit.plane for unit in case.day.site.units})
    come = _come_later if clock.minutes > 0 else _come_earlier
    return _labels_are(case, clock), come(planes, duration(60 * clock.sun_h))


def _labels_are(case: Case, clock: WrongClock) -> Sentence:
    late = lateness(clock.minutes)
    if clock.until:
        return sentence("The labels are %(late)s until %(moment)s", late=late, moment=case.local(clock.until))
    if clock.since:
        return sentence(
            "The labels are %(late)s from %(moment)s on", late=late, moment=case.local(clock.since)
        )
    return sentence("The labels are %(late)s", late=late)


def _by_sensor(clock: WrongClock) -> Sentence:
    if clock.minutes > 0:
        return sentence(
            ": the units' curves come so much later than the measured irradiance, unless the sensor's clock is wrong; "
            "with the labels put right they fit, and all figures here are computed so"
        )
    return sentence(
        ": the units' curves come so much earlier than the measured irradiance, unless the sensor's clock is wrong; "
        "with the labels put right they fit, and all figures here are computed so"
    )


def _by_night(band: tuple[int, int]) -> Sentence:
    least, most = sorted(abs(minutes) for minutes in band)
    return sentence(
        ", which is but roughly told: units give power while the sun is down by the labels, as none does under any "
        "sky, and anything from %(least)s to %(most)s would put that right; what lies between is taken for all figures "
        "here",
        least=duration(least),
        most=duration(most),
    )


def _come_later(num: int, time: Quantity) -> Sentence:
    return counted_sentence(
        ": by the true sun the units' curves on its one plane come so much later, over %(time)s of direct sun; with "
        "the labels put right they fit, and all figures here are computed so",
        ": by the true sun the units' curves on all %(num)s planes come so much later, over %(time)s of direct sun; "
        "with the labels put right they fit, and all figures here are computed so",
        num,
        time=time,
    )


def _come_earlier(num: int, time: Quantity) -> Sentence:
    return counted_sentence(
        ": by the true sun the units' curves on its one plane come so much earlier, over %(time)s of direct sun; with "
        "the labels put right they fit, and all figures here are computed so",
        ": by the true sun the units' curves on all %(num)s planes come so much earlier, over %(time)s of direct sun; "
        "with the labels put right they fit, and all figures here are computed so",
        num,
        time=time,
    )


def _else(clock: WrongClock) -> str:
    if not clock.ambiguous:
        return "."
    return sentence(
        "; another azimuth than the recorded one would explain one plane's curve nearly as well: "
        "the gateway's clock against the true time, or a compass on the roof, decides."
    )


def _advice(case: Case, clock: WrongClock) -> Sentence:
    if clock.since or clock.until:
        return sentence(
            "Set the gateway or the export to UTC or one standard time all year; correct the record's clock."
        )
    if clock.minutes == case.labels.interval_min:
        return sentence(
            "The labels seem to stand at the end of their intervals: label by the start, or say so on the record."
        )
    if clock.minutes % SUMMER_TIME_MIN == 0:
        return sentence(
            "Compare the gateway's clock or its time zone with the true time, set it, and correct the record's clock."
        )
    return sentence("Compare the gateway's clock with the true time, set it, and correct the record's clock.")


def _details(clock: WrongClock) -> dict[str, Any]:
    details: dict[str, Any] = {
        "minutes": clock.minutes,
        "correction": {"kind": "clock", "changes": _changes(clock)},
    }
    if clock.band:
        details["minutes_between"] = list(clock.band)
    return {**details, "also_explained_by": "plane_misdescribed"} if clock.ambiguous else details


def _changes(clock: WrongClock) -> list[dict[str, Any]]:
    changes: list[tuple[datetime | None, int]] = [(clock.since, clock.minutes)]
    if clock.until:
        changes.append((clock.until, 0))
    return [{"from": at.isoformat() if at else None, "minutes": minutes} for at, minutes in changes]
