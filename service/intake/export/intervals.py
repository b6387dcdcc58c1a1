"""How a table goes on in time: one interval, several of them, or times of any distance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import ceil, log

import numpy as np

from service.intake.export.survey import Trace
from service.intake.fields import INTERVALS_MIN
from service.store.grids import FloatArray, IntArray

RUN = 4
"""So many equal steps one after another are an interval, and no gap."""

BY_CHANCE = 0.001
"""How rarely gaps of single rows may make a run of such steps in a file, for it to be an interval."""

LONGEST_MIN = 60
JITTER = 0.1
"""Of a step, by which times may miss their interval: a poll that is late now and then."""

REGULAR_SHARE = 0.6
SHUFFLED = 0.1
"""Of the steps, which go the other way: the rows stand in no order of time."""

Changes = tuple[tuple[int, int], ...]
EVER = -(1 << 62)


@dataclass(frozen=True)
class Steps:
    """The usual step in seconds, the share of steps that have it (or a unit's own), their number and the direction.

    `changes` holds for each unit from which of its times on a value is of how many minutes, if units differ or change.
    """

    usual_s: int
    share: float
    count: int
    newest_first: bool
    changes: Mapping[str, Changes] = field(default_factory=dict)
    is_shuffled: bool = False
    """The rows stand in no order of time."""

    grid_s: int = 0
    """What all steps are multiples of."""

    @property
    def keeps_to_a_grid(self) -> bool:
        """Return whether times are those of a kept interval of which many are missing; no poll is so exact."""
        return self.grid_s in [60 * minutes for minutes in INTERVALS_MIN] and not self.is_regular

    @property
    def is_regular(self) -> bool:
        """Return whether the times keep to intervals."""
        return self.share >= REGULAR_SHARE

    @property
    def minutes(self) -> tuple[int, ...]:
        """Return the intervals that there are, in minutes."""
        return tuple(sorted({m for changes in self.changes.values() for _, m in changes})) or (
            self.usual_s // 60,
        )


def steps_of(traces: Mapping[str, Trace]) -> Steps | None:
    """Return the steps, None where no unit has two times."""
    found = [np.diff(t.naive) for t in traces.values() if t.naive.size > 1]
    joined = np.concatenate(found) if found else np.empty(0, dtype=np.int64)
    steps: IntArray = joined[joined != 0]
    if not steps.size:
        return None
    is_shuffled = bool(min(np.mean(steps > 0), np.mean(steps < 0)) > SHUFFLED)
    if is_shuffled:
        steps = np.concatenate([np.diff(np.unique(t.naive)) for t in traces.values()])
    newest_first = bool(np.median(np.sign(steps)) < 0)
    sizes, counts = np.unique(np.abs(steps), return_counts=True)
    usual, share = int(sizes[np.argmax(counts)]), float(counts.max() / steps.size)
    if share < REGULAR_SHARE:
        usual, share = _with_jitter(np.abs(steps), usual, share)
    grid = int(np.gcd.reduce(steps))
    changes = _changes(traces, newest_first=newest_first)
    if len({m for c in changes.values() for _, m in c}) < 2:
        return Steps(usual, share, int(steps.size), newest_first, is_shuffled=is_shuffled, grid_s=grid)
    known = [60 * m for m in {m for c in changes.values() for _, m in c}]
    share = float(np.isin(np.abs(steps), known).mean())
    return Steps(usual, share, int(steps.size), newest_first, changes, is_shuffled)


def _with_jitter(steps: IntArray, usual: int, share: float) -> tuple[int, float]:
    """Return the whole minutes that most steps nearly keep to, if they do."""
    minutes = max(1, round(float(np.median(steps)) / 60))
    near = float((np.abs(steps - 60 * minutes) <= max(JITTER * 60 * minutes, 10)).mean())
    return (60 * minutes, near) if near > max(share, REGULAR_SHARE) else (usual, share)


def _changes(traces: Mapping[str, Trace], *, newest_first: bool) -> dict[str, Changes]:
    order = -1 if newest_first else 1
    times = {name: t.naive[::order] for name, t in traces.items() if t.naive.size > RUN}
    least = _least_runs([_runs(at) for at in times.values()])
    found = {name: _changes_of(at, least) for name, at in times.items()}
    return {name: changes for name, changes in found.items() if changes}


def _runs(times: IntArray) -> tuple[IntArray, IntArray, IntArray]:
    """Return where runs of equal steps begin, how long the steps are, and how many there are."""
    steps = np.diff(times)
    begins = np.flatnonzero(np.diff(steps, prepend=-1))
    return begins, steps[begins], np.diff(begins, append=steps.size)


def _least_runs(found: Sequence[tuple[IntArray, IntArray, IntArray]]) -> dict[int, int]:
    """Return of each length of steps how many in a row are an interval: more than single gaps make by chance."""
    sizes, counts = (np.concatenate([runs[i] for runs in found] or [np.empty(0, int)]) for i in (1, 2))
    total = max(1, int(counts.sum()))
    least = {}
    for size in np.unique(sizes).tolist():
        share = counts[(sizes == size) & (counts < RUN)].sum() / total
        by_chance = log(BY_CHANCE / total) / log(share) if 0 < share < 1 else 0.0
        least[size] = max(RUN, ceil(by_chance))
    return least


def _changes_of(times: IntArray, least: Mapping[int, int]) -> Changes:
    """Return from which time on a unit's steps are of how many minutes; single steps of another length are gaps."""
    runs = [
        (int(times[b]), step // 60)
        for b, step, n in zip(*(part.tolist() for part in _runs(times)), strict=True)
        if n >= least[step] and step % 60 == 0 and 60 <= step <= LONGEST_MIN * 60
    ]
    kept = [run for i, run in enumerate(runs) if i == 0 or run[1] != runs[i - 1][1]]
    return tuple((EVER if i == 0 else at, minutes) for i, (at, minutes) in enumerate(kept))


def by_label(changes: Changes, label: str) -> Changes:
    """Return the changes for values at the start or the end of their intervals: a step's second time is its end."""
    return tuple((at + (label == "end" and at != EVER), minutes) for at, minutes in changes)


def evened(traces: Mapping[str, Trace], steps: Steps) -> dict[str, Trace]:
    """Return energies of intervals as if all were of the usual one, so that they can be compared."""
    return {
        name: Trace(t.naive, _evened(t, steps, steps.changes.get(name, ()))) for name, t in traces.items()
    }


def _evened(trace: Trace, steps: Steps, changes: Changes) -> FloatArray:
    if not changes:
        return trace.values
    at = np.array([begin for begin, _ in changes])
    minutes = np.array([m for _, m in changes])[np.searchsorted(at, trace.naive, side="right") - 1]
    values: FloatArray = trace.values * (steps.usual_s / 60) / minutes
    return values
