"""Two sources that say different things of the same unit and interval. Of each value the one that came last counts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations

import numpy as np

from service.quality.model import Arrived, Finding, Touch
from service.store.grids import BoolArray, FloatArray, IntArray, Samples, moment

ENERGIES = ("energy_wh", "power_w")
SAME = 1e-3
"""Share by which two values may differ that only were rounded differently."""


def find(arrived: Arrived) -> list[Finding]:
    """Return a finding for each two sources that contradict each other in the window."""
    pairs = combinations(sorted(arrived.said), 2)
    found = (_between(arrived, one, other) for one, other in pairs)
    return [finding for finding in found if finding]


def _between(arrived: Arrived, one: str, other: str) -> Finding | None:
    both = list(_in_common(arrived.said[one], arrived.said[other]))
    differing = [(s, starts[d], (b - a)[d]) for s, starts, a, b in both for d in [_differ(a, b)] if d.any()]
    if not differing:
        return None
    total = float(arrived.sent_wh.sum())
    count = sum(len(starts) for _, starts, _ in differing)
    off = np.concatenate([diff for _, _, diff in differing])
    starts = np.concatenate([s for _, s, _ in differing])
    step = 60 * differing[0][0].interval_min
    return Finding(
        kind="two_sources",
        serials=tuple(sorted({s.serial for s, _, _ in differing})),
        first=moment(int(starts.min())),
        last=moment(int(starts.max()) + step),
        values=count,
        share=min(1.0, count / max(1, int(arrived.due.sum()))),
        energy_share=float(np.abs(off).sum() / total) if total > 0 else 0.0,
        numbers={
            "both": float(sum(len(starts) for _, starts, _, _ in both)),
            "difference_wh": float(off.sum()),
        },
        names={"one": one, "other": other},
        touches=tuple(_touches(differing)),
    )


def _in_common(
    one: Sequence[Samples], other: Sequence[Samples]
) -> Iterator[tuple[Samples, IntArray, FloatArray, FloatArray]]:
    """Give what both said in intervals of one length, as energies."""
    theirs: dict[tuple[str, str, int], list[Samples]] = {}
    for samples in other:
        theirs.setdefault((samples.serial, samples.channel, samples.interval_min), []).append(samples)
    for mine in one:
        for samples in theirs.get((mine.serial, mine.channel, mine.interval_min), ()):
            starts, a, b = np.intersect1d(mine.starts, samples.starts, return_indices=True)
            if starts.size and mine.channel in ENERGIES:
                hours = 1.0 if mine.channel == "energy_wh" else mine.interval_min / 60
                yield mine, starts, mine.values[a] * hours, samples.values[b] * hours


def _differ(one: FloatArray, other: FloatArray) -> BoolArray:
    return np.asarray(np.abs(one - other) > SAME * np.maximum(np.abs(one), np.abs(other)))


def _touches(differing: Sequence[tuple[Samples, IntArray, FloatArray]]) -> Iterator[Touch]:
    for samples, starts, diff in differing:
        days = starts // 86_400
        for day in np.unique(days).tolist():
            own = days == day
            yield Touch(samples.serial, day, int(own.sum()), round(float(diff[own].sum()), 1))
