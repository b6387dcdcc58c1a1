"""A unit that is heard but gives no energy in light, from a moment on until the last it was heard.

Reasoning: a dead unit, an open DC plug or a missing AC supply leaves zero at any light, where every sky leaves at
least 2 % of what the neighbours give (common practice, no source). The neighbours' output is the proof of light:
without any, what darkness or snow may have done is not held against a unit. A unit that comes back is not this cause,
nor is one that came back from like silences before.
"""

from __future__ import annotations

import numpy as np

from service.verify.case import STANDBY, BoolArray, Case, once
from service.verify.causes import channels, darkness
from service.verify.causes.wording import duration, energy
from service.verify.result import Finding
from service.verify.sentence import Quantity, Sentence, sentence
from service.verify.silence import SILENT

LEAST_MINUTES, LEAST_MINUTES_SHORT = 20, 10
LEAST_ENERGY_LONG_H, LEAST_ENERGY_H = 0.02, 0.01
"""Least light that must have gone unused: 20 minutes and 0.02 h at rating (7 Wh of a 350 W unit), half of both in a
window of less than SHORT_MINUTES of light."""

SHORT_MINUTES = 120

EARLIER, LIKE_EARLIER = 2, 2
"""So many silences that the unit came back from, and how much longer than them the last may be to be another such."""

PROVEN = 0.99
"""Confidence with light that is proven."""


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return one finding for each dead unit."""
    found = []
    for i, serial in enumerate(case.serials):
        dead = dead_units(case)[i]
        if serial not in named and dead.any() and is_long_enough(case, i, dead):
            found.append(_finding(case, i, dead))
    return found


@once
def dead_units(case: Case) -> BoolArray:
    """Return where each unit gave nothing and stayed off, (U, D)."""
    dead = np.zeros(case.giving_nothing.shape, dtype=bool)
    for i in np.flatnonzero(case.giving_nothing.any(axis=1)):
        dead[i] = _dead_since(case, int(i))
    return dead


def _dead_since(case: Case, i: int) -> BoolArray:
    """Return the lit and heard intervals after the unit's last output, (D,); none where it may well come back."""
    lit = case.heard[i] & case.light[i]
    last = np.flatnonzero(lit)[-1:]
    if not case.giving_nothing[i, last].any():
        return np.zeros_like(lit)
    with np.errstate(invalid="ignore"):
        least = np.maximum(SILENT * case.peers.energy_wh[i], STANDBY * case.day.rated_wh[i])
        some = case.heard[i] & (case.measured_wh[i] > least)
    giving = np.flatnonzero(np.where(lit, ~case.giving_nothing[i], some))
    since = giving[-1] + 1 if len(giving) else 0
    after = np.zeros(lit.shape, dtype=bool)
    after[since:] = True
    dead = np.asarray(lit & after)
    return np.zeros_like(dead) if _is_one_of_many(case.giving_nothing[i][lit], int(dead.sum())) else dead


def _is_one_of_many(silent: BoolArray, last: int) -> bool:
    """Return whether the unit came back from silences of its own length before, by the lit intervals (L,)."""
    before = np.concatenate(([False], silent[: len(silent) - last], [False]))
    starts, ends = (np.flatnonzero(np.diff(before.astype(int)) == step) for step in (1, -1))
    return len(starts) >= EARLIER and last <= LIKE_EARLIER * int((ends - starts).max())


def is_long_enough(case: Case, i: int, dead: BoolArray) -> bool:
    """Return whether enough light went unused to be sure."""
    if darkness.may_be_dark(case, [i], dead):
        return False
    minutes = dead.sum() * case.day.grid.interval_min
    unused_h = case.peers.energy_wh[i, dead].sum() / case.day.rated_wh[i] * case.day.interval_hours
    least_minutes, least_h = least_unused(case, [i])
    return bool(minutes >= least_minutes and unused_h >= least_h)


def least_unused(case: Case, rows: list[int]) -> tuple[float, float]:
    """Return the least light that these units must have left unused, minutes and hours at rating."""
    lit = (case.light[rows] & case.heard[rows]).any(axis=0).sum() * case.day.grid.interval_min
    short = lit < SHORT_MINUTES
    return (LEAST_MINUTES_SHORT, LEAST_ENERGY_H) if short else (LEAST_MINUTES, LEAST_ENERGY_LONG_H)


def _finding(case: Case, i: int, dead: BoolArray) -> Finding:
    first, last = case.first_and_last(dead)
    assert first is not None  # noqa: S101 (dead has a true value)
    lost = case.lost_wh(i, dead)
    whole = not (case.heard[i] & case.light[i] & ~dead).any()
    minutes = float(dead.sum() * case.day.grid.interval_min)
    finding = Finding(
        cause="no_output",
        serials=case.named([i]),
        confidence=darkness.confidence(case, [i], dead, proven=PROVEN),
        evidence=_evidence(
            duration(minutes),
            energy(float(case.peers.energy_wh[i, dead].sum())),
            since=None if whole else case.local(first),
        ),
        advice=sentence(
            "Isolate first, secured against falling: look at the DC plugs (pushed home until locked?), then the AC "
            "connector and the branch's breaker, then the unit itself."
        ),
        first_seen=first,
        last_seen=last,
        lost_wh=round(lost, 1),
    )
    return channels.sharpened(finding, channels.of_silence(case, i, dead))


def _evidence(minutes: Quantity, due: Quantity, *, since: Quantity | None) -> Sentence:
    if since is None:
        return sentence(
            "Heard, but no energy in the whole window: %(time)s of light, in which a unit like it should have made "
            "%(due)s.",
            time=minutes,
            due=due,
        )
    return sentence(
        "Heard, but no energy since %(moment)s: %(time)s of light, in which a unit like it should have made %(due)s.",
        moment=since,
        time=minutes,
        due=due,
    )
