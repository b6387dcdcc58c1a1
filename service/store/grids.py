"""Samples as sent and series on a regular grid, and the way from the one to the other. No database here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

SUMMED_CHANNELS = frozenset({"energy_wh"})
"""Channels whose values add up over time; of all others a longer interval has the mean."""

SMALLEST_RUN = 12
"""Starts are on a grid if they keep one phase for this many readings on average (or change it once)."""

SMALLEST_COVER = 0.5
"""A cell of which less is covered by readings is not heard."""


@dataclass(frozen=True)
class Samples:
    """Values of one unit and channel as they were sent.

    `starts` (n,) are whole seconds since 1970-01-01 UTC in any order, the last of two equal ones counts;
    `values` (n,), NaN where not heard. Weather has an empty serial.
    """

    serial: str
    channel: str
    interval_min: int
    starts: IntArray
    values: FloatArray


@dataclass(frozen=True)
class Series:
    """Values of one unit and channel on a regular grid: (n,), NaN where not heard, `start` in UTC."""

    serial: str
    channel: str
    start: datetime
    interval_min: int
    values: FloatArray


def keeps_to_a_grid(starts: IntArray, interval_min: int) -> bool:
    """Return whether sorted starts fall on whole minutes and seldom change their phase."""
    if np.any(starts % 60):
        return False
    phase_changes = np.count_nonzero(np.diff(starts) % (interval_min * 60))
    return bool(phase_changes <= 1 or (phase_changes + 1) * SMALLEST_RUN <= starts.size)


def superseded(
    held: IntArray, held_min: int, starts: IntArray, interval_min: int
) -> tuple[BoolArray, IntArray]:
    """Return which held values go and, for each, which new one takes its place.

    A value goes where a new one has the same start, or where a longer interval covers it whole.
    """
    at = np.searchsorted(starts, held, side="right") - 1
    new = starts[np.maximum(at, 0)]
    covered = held + held_min * 60 <= new + interval_min * 60
    gone = (at >= 0) & ((new == held) | covered)
    return gone, at[gone]


def placed(samples: Samples, phase_min: int, first: int, last: int) -> Series:
    """Return samples of one grid as a series over the starts within [first, last), seconds since 1970."""
    step, phase = samples.interval_min * 60, phase_min * 60
    origin = phase - (phase - first) // step * step
    cells = np.full(max(0, -(-(last - origin) // step)), np.nan)
    inside = (samples.starts >= origin) & (samples.starts < last)
    cells[(samples.starts[inside] - origin) // step] = samples.values[inside]
    return Series(samples.serial, samples.channel, moment(origin), samples.interval_min, cells)


def apportioned(found: Sequence[Samples]) -> Samples:
    """Return samples of one unit, channel and interval on the grid of full intervals, by overlap.

    A cell is heard if at least `SMALLEST_COVER` of it is. Sums keep their total: the share of a cell that is not
    heard stays with the cell that has the sample's larger part, so that no reading looks like a dip beside a gap.
    Means are weighted by time.
    """
    step = found[0].interval_min * 60
    starts = np.concatenate([s.starts for s in found])
    values = np.concatenate([s.values for s in found])
    origin = int(starts.min()) // step
    place, later = starts // step - origin, (starts % step) / step
    covered = _spread(place, 1 - later, later)
    if found[0].channel in SUMMED_CHANNELS:
        later = np.where(covered[place + 1] < SMALLEST_COVER, 0.0, later)
        later = np.where(covered[place] < SMALLEST_COVER, 1.0, later)
        result = _spread(place, values * (1 - later), values * later)
    else:
        result = _spread(place, values * (1 - later), values * later) / np.maximum(covered, SMALLEST_COVER)
    heard = np.flatnonzero(covered >= SMALLEST_COVER)
    first = found[0]
    return Samples(first.serial, first.channel, first.interval_min, (heard + origin) * step, result[heard])


def _spread(place: IntArray, here: FloatArray, after: FloatArray) -> FloatArray:
    size = int(place.max()) + 2
    total = np.bincount(place, here, size) + np.bincount(place + 1, after, size)
    return total.astype(np.float64)


def moment(seconds: int) -> datetime:
    """Return the UTC time of seconds since 1970."""
    return datetime.fromtimestamp(seconds, UTC)


def seconds(moment: datetime) -> int:
    """Return whole seconds since 1970; a moment within a second counts as the next."""
    return -int(-moment.timestamp() // 1)
