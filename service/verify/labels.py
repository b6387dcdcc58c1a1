"""The labels that readings came with, beside their true times: what a wrong clock wrote, and how it is undone.

Not here: how the clock's error is found.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from service.expect.grid import BoolArray, IntArray
from service.verify.inputs import FloatArray, Readings


@dataclass(frozen=True)
class LateClock:
    """A clock whose labels are `before_min` late up to the label column `change`, and `after_min` from it on.

    Negative is early. `change` 0 is a clock that was off all the time by `after_min`.
    """

    before_min: int
    after_min: int
    change: int = 0


@dataclass(frozen=True)
class Labels:
    """The readings' own T labels: their start, and for each of the T' true intervals the column that it came in."""

    start: datetime
    interval_min: int
    count: int
    columns: IntArray

    @property
    def end(self) -> datetime:
        """Return the end of the last labelled interval, UTC."""
        return self.start + timedelta(minutes=self.interval_min * self.count)

    def moment(self, position: int) -> datetime:
        """Return the label of the true interval number `position`, UTC."""
        return self.start + timedelta(minutes=int(self.columns[position]) * self.interval_min)

    def by_label(self, values: FloatArray, *, missing: float) -> FloatArray:
        """Return values (U, T') of true intervals in the order of the labels, (U, T), `missing` where none is."""
        out = np.full((len(values), self.count), missing)
        inside = (self.columns >= 0) & (self.columns < self.count)
        out[:, self.columns[inside]] = values[:, inside]
        return out


def own_labels(readings: Readings) -> Labels:
    """Return the labels of readings that are taken as they are."""
    start = readings.start.astimezone(UTC)
    return Labels(start, readings.interval_min, readings.count, np.arange(readings.count))


def true_time(readings: Readings, clock: LateClock) -> tuple[Readings, Labels]:
    """Return the readings on true time and their labels.

    Where the clock jumped ahead, an hour is labelled twice and the later readings are kept; where it fell back, the
    hour between is unheard. A jump is rounded to whole intervals.
    """
    labels = own_labels(readings)
    start = labels.start - timedelta(minutes=clock.before_min if clock.change else clock.after_min)
    jump = round((clock.before_min - clock.after_min) / readings.interval_min) if clock.change else 0
    columns = np.arange(readings.count + jump)
    late = columns >= clock.change + jump
    columns = np.where(late, columns - jump, columns)
    heard = late | (columns < clock.change)
    moved = replace(
        readings,
        start=start,
        energy_wh=_taken(readings.energy_wh, columns, heard),
        channels={name: _taken(values, columns, heard) for name, values in readings.channels.items()},
        strangers={serial: _taken(values, columns, heard) for serial, values in readings.strangers.items()},
    )
    return moved, replace(labels, columns=columns)


def _taken(values: FloatArray, columns: IntArray, heard: BoolArray) -> FloatArray:
    return np.where(heard, values[..., np.minimum(columns, values.shape[-1] - 1)], np.nan)
