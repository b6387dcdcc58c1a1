"""A serial that is heard but not on the record.

Reasoning: serials are copied by hand on the roof, so a stranger is mostly a slip of one or two characters of a
recorded serial that is itself never heard. Resemblance is the edit distance with neighbours swapped counting once
(optimal string alignment; Damerau 1964, doi:10.1145/363958.363994).
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from typing import Any

import numpy as np

from service.verify.case import BoolArray, Case
from service.verify.causes.wording import energy
from service.verify.result import Finding
from service.verify.sentence import Quantity, Sentence, sentence

CLOSE = 3
"""Largest number of slips at which two serials still count as alike."""


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return one finding for each stranger that was heard, with the correction where it can be one slip only."""
    heard = case.ever_heard
    awaited = [s for s, due in zip(case.serials, case.expected_to_report & ~heard, strict=True) if due]
    silent = [s for s, h in zip(case.serials, heard, strict=True) if not h]
    spoken = [s for s, h in zip(case.serials, heard, strict=True) if h]
    strangers = sorted(s for s, e in case.readings.strangers.items() if np.isfinite(e).any())
    slipped = mistyped(strangers, silent, spoken)
    return [_finding(case, s, silent, spoken, _correction(s, slipped.get(s), awaited)) for s in strangers]


def _finding(
    case: Case, serial: str, silent: list[str], spoken: list[str], correction: dict[str, Any]
) -> Finding:
    values = case.readings.strangers[serial] / case.scale
    resembled, slips = resembles(serial, silent, spoken)
    sent = energy(float(np.nansum(values)))
    first, last = _span(case, np.asarray(np.isfinite(values)))
    return Finding(
        cause="not_on_record",
        serials=(serial,),
        confidence=0.99,
        evidence=_evidence(serial, sent, resembled, slips, is_silent=resembled in silent),
        advice=_advice(serial, resembled),
        first_seen=first,
        last_seen=last,
        lost_wh=0.0,
        details={"resembles": resembled, **correction},
    )


def _evidence(serial: str, sent: Quantity, resembled: str | None, slips: int, *, is_silent: bool) -> Sentence:
    if resembled is None:
        return sentence(
            "%(serial)s sent %(sent)s but is not on the record; it is like none.", serial=serial, sent=sent
        )
    if not is_silent:
        return sentence(
            "%(serial)s sent %(sent)s but is not on the record; it differs from %(other)s on the record in %(num)s "
            "character(s).",
            serial=serial,
            sent=sent,
            other=resembled,
            num=slips,
        )
    return sentence(
        "%(serial)s sent %(sent)s but is not on the record; it differs from %(other)s on the record in %(num)s "
        "character(s), which is never heard.",
        serial=serial,
        sent=sent,
        other=resembled,
        num=slips,
    )


def _advice(serial: str, resembled: str | None) -> Sentence:
    if resembled is None:
        return sentence(
            "Find out on which roof this unit is fitted: it may belong to another site or be missing on the plan."
        )
    return sentence(
        "Check the label at the place recorded for %(other)s; if it reads %(serial)s, correct the record.",
        other=resembled,
        serial=serial,
    )


def _correction(serial: str, recorded: str | None, awaited: Collection[str]) -> dict[str, Any]:
    if recorded not in awaited:
        return {}
    return {"correction": {"kind": "serial", "recorded": recorded, "heard": serial}}


def _span(case: Case, where: BoolArray) -> tuple[datetime, datetime]:
    positions = np.flatnonzero(where)
    return case.labels.moment(int(positions[0])), case.labels.moment(int(positions[-1]))


def resembles(serial: str, silent: list[str], spoken: list[str]) -> tuple[str | None, int]:
    """Return the recorded serial that `serial` resembles and in how many slips; one never heard goes first."""
    ranked = sorted(
        [(slips(serial, other), 0, other) for other in silent]
        + [(slips(serial, other), 1, other) for other in spoken],
        key=lambda r: (r[0] + r[1], r[1], r[2]),
    )
    if not ranked or ranked[0][0] > min(CLOSE, len(serial) // 2):
        return None, 0
    return ranked[0][2], ranked[0][0]


def mistyped(strangers: list[str], silent: list[str], spoken: list[str]) -> dict[str, str]:
    """Return, by stranger, the serial never heard that it resembles, where neither has another that is as near."""
    alike = {serial: resembles(serial, silent, spoken)[0] for serial in strangers}
    return {
        serial: recorded
        for serial, recorded in alike.items()
        if recorded in silent and not _has_rival(serial, recorded, strangers, silent)
    }


def _has_rival(serial: str, recorded: str, strangers: list[str], silent: list[str]) -> bool:
    nearest = slips(serial, recorded)
    pairs = [(serial, other) for other in silent if other != recorded]
    pairs += [(other, recorded) for other in strangers if other != serial]
    return any(slips(*pair) <= nearest for pair in pairs)


def slips(a: str, b: str) -> int:
    """Return the optimal string alignment distance: insertions, deletions, substitutions, swapped neighbours."""
    before, last = [0] * (len(b) + 1), list(range(len(b) + 1))
    for i in range(1, len(a) + 1):
        row = [i] + [0] * len(b)
        for j in range(1, len(b) + 1):
            row[j] = min(last[j] + 1, row[j - 1] + 1, last[j - 1] + (a[i - 1] != b[j - 1]))
            if i > 1 and j > 1 and a[i - 1] == b[j - 2] and a[i - 2] == b[j - 1]:
                row[j] = min(row[j], before[j - 2] + 1)
        before, last = last, row
    return last[len(b)]
