"""A unit on the record that was never heard in the window.

Reasoning: the crew counts units heard against units fitted (common practice, no source). Nothing is known about
what such a unit makes, so its whole expected energy stands as unproven. Where every unit is missing the path of
the data is at fault, not each unit: the advice says so.
"""

from __future__ import annotations

import numpy as np

from service.verify.case import Case
from service.verify.causes import channels
from service.verify.causes.wording import energy
from service.verify.result import Finding
from service.verify.sentence import Sentence, sentence


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return one finding for each unit never heard."""
    silent = np.flatnonzero(case.expected_to_report & ~case.ever_heard)
    fitted = int(case.expected_to_report.sum())
    return [_finding(case, int(i), len(silent), fitted) for i in silent]


def _finding(case: Case, i: int, silent: int, fitted: int) -> Finding:
    start, end = case.labels.start, case.labels.end
    lost = float(np.where(case.active[i], case.peers.energy_wh[i], 0.0).sum())
    finding = Finding(
        cause="not_reporting",
        serials=case.named([i]),
        confidence=0.99,
        evidence=sentence(
            "No reading came between %(start)s and %(end)s, while %(heard)s of %(fitted)s units were heard; up to "
            "%(lost)s is not proven.",
            start=case.local(start),
            end=case.local(end),
            heard=fitted - silent,
            fitted=fitted,
            lost=energy(lost),
        ),
        advice=_advice(silent, fitted),
        first_seen=start,
        last_seen=end,
        lost_wh=round(lost, 1),
    )
    return channels.sharpened(finding, channels.of_missing(case, i))


def _advice(silent: int, fitted: int) -> Sentence:
    if silent > fitted / 2:
        return sentence(
            "Look at the path to the gateway first: power, signal, distance; most units are not heard."
        )
    return sentence(
        "Compare the serial on the roof plan with the label; then, isolated and secured against falling, "
        "the unit's AC connector and its DC plugs."
    )
