"""Intervals missing beyond the stated share: of the whole site, or of single units beyond the site's own gaps.

Reasoning: IEC TS 61724-3 reports unavailable data apart and never mixes them into a ratio. One per cent of missing
readings is usual over radio or power line; from 8 per cent on they are a finding of their own (common practice,
no source). Only daylight counts, since many units sleep at night; units that fell silent with their branch are its.
"""

from __future__ import annotations

import numpy as np

from service.verify.case import BoolArray, Case
from service.verify.causes import branch_out, channels
from service.verify.causes.wording import duration, percent
from service.verify.result import Finding
from service.verify.sentence import sentence

MISSING_SHARE = 0.08
SITE_SHARE = 0.9
"""Share of the units that must be missing at once for an interval to be missing on the site."""

LEAST_INTERVALS, LEAST_MIN = 4, 120
"""So many readings, or as long, must be missing (our choice): of hourly ones two are."""


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return the site's finding, if any, and those of units that miss more than the site does."""
    counted = case.ever_heard & case.expected_to_report
    if not counted.any():
        return []
    worth = case.worth_hearing & counted[:, None]
    missing = worth & ~case.heard & ~branch_out.cut_off(case)
    lit = np.asarray(worth.any(axis=0))
    most = missing.sum(axis=0) >= SITE_SHARE * np.maximum(worth.sum(axis=0), 1)
    site_missing = np.asarray(lit & most)
    found = _site_finding(case, site_missing, lit)
    for i in np.flatnonzero(counted):
        own = missing[i] & ~site_missing
        possible = worth[i] & ~site_missing
        if _is_gap(case, own, possible):
            found.append(_unit_finding(case, int(i), own, possible))
    return found


def _is_gap(case: Case, missing: BoolArray, possible: BoolArray) -> bool:
    least = min(LEAST_INTERVALS, LEAST_MIN / case.day.grid.interval_min)
    return bool(missing.sum() >= max(least, MISSING_SHARE * possible.sum()))


def _site_finding(case: Case, missing: BoolArray, lit: BoolArray) -> list[Finding]:
    if not _is_gap(case, missing, lit):
        return []
    first, last = case.first_and_last(missing)
    share = missing.sum() / lit.sum()
    return [
        Finding(
            cause="data_gap",
            serials=(),
            confidence=0.99,
            evidence=sentence(
                "No unit was heard in %(share)s of the daylight (%(time)s in all).",
                share=percent(share),
                time=duration(float(missing.sum() * case.day.grid.interval_min)),
            ),
            advice=sentence(
                "Look at the gateway first: its power, its network, its clock; "
                "fetch the missing readings if it kept them."
            ),
            first_seen=first,
            last_seen=last,
            lost_wh=0.0,
        )
    ]


def _unit_finding(case: Case, i: int, missing: BoolArray, possible: BoolArray) -> Finding:
    first, last = case.first_and_last(missing)
    share = missing.sum() / possible.sum()
    finding = Finding(
        cause="data_gap",
        serials=case.named([i]),
        confidence=0.95,
        evidence=sentence(
            "%(share)s of its daylight readings are missing (%(time)s), when other units were heard.",
            share=percent(share),
            time=duration(float(missing.sum() * case.day.grid.interval_min)),
        ),
        advice=sentence(
            "Look at this unit's signal to the gateway first; with a good signal, at its AC and DC connectors, "
            "isolated and secured against falling."
        ),
        first_seen=first,
        last_seen=last,
        lost_wh=0.0,
    )
    return channels.sharpened(finding, channels.of_missing(case, i))
