"""Two units whose curves fit each other's recorded plane: their serials were exchanged on the roof plan.

Reasoning: a swapped pair is the usual slip when serials are noted on the roof (common practice, no source). On one
plane an exchange changes nothing that energy could show; between planes each curve betrays the other's place.
"""

from __future__ import annotations

import numpy as np

from service.verify.case import Case
from service.verify.causes.misplaced import Misplaced, exchanged_pairs, misplaced_units
from service.verify.causes.wording import percent
from service.verify.result import Finding
from service.verify.sentence import sentence


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return one finding for each pair."""
    found = [m for m in misplaced_units(case) if case.serials[m.unit] not in named]
    # one that stands in shade besides has no plane's curve: the other of the pair shows it
    pairs = (
        sorted(pair, key=lambda m: m.misfit_fits >= m.misfit_recorded) for pair in exchanged_pairs(found)
    )
    return [_finding(case, a, b) for a, b in pairs]


def _finding(case: Case, a: Misplaced, b: Misplaced) -> Finding:
    first, last = case.first_and_last(np.asarray(case.heard[a.unit] & case.light[a.unit]))
    names = case.named([a.unit, b.unit])
    return Finding(
        cause="swapped",
        serials=names,
        confidence=0.93,
        evidence=sentence(
            "%(serial)s, recorded on %(recorded)s, has the curve of %(fits)s (%(there)s of its energy at the wrong "
            "time there, %(here)s here), and %(other)s the other way round.",
            serial=names[0],
            recorded=a.recorded,
            fits=a.fits,
            there=percent(a.misfit_recorded),
            here=percent(a.misfit_fits),
            other=names[1],
        ),
        advice=sentence(
            "Compare both labels with the roof plan; if exchanged, exchange them on the record: nothing is broken."
        ),
        first_seen=first,
        last_seen=last,
        lost_wh=0.0,
        details={"fits": [a.fits, b.fits], "correction": {"kind": "swap", "serials": list(names)}},
    )
