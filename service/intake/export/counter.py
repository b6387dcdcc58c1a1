"""Energy from running counters: what was made between two readings of one unit, over resets and roll-overs."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import starmap
from math import inf
from typing import NamedTuple

import numpy as np

from service.intake.problems import mark, told
from service.store.grids import FloatArray, IntArray

HIGHEST_SHARE = 1.5
LONGEST_S = 3600
"""What a counter made over a longer time cannot be laid to its hours."""

BEGAN_ANEW = mark("the counter began anew; what it showed then was taken as made since")

WRAPS = (*(10.0**n for n in range(4, 10)), 2.0**16, 2.0**32)
"""Where counters roll over: at full decades, and at 16 and 32 bits."""


DUSK_H = 1 / 12
"""In a night's silence less is made than the rating gives in so many hours (common practice, no source)."""


class Step(NamedTuple):
    """What was made between two readings of a counter; with a reason it is not known."""

    wh: float = 0.0
    reason: str | None = None
    reset: int = 0
    rollover: int = 0
    asleep: bool = False
    """Whether the counter was silent for long and next to nothing was made in it, as by night."""


class Made(NamedTuple):
    """Energy from `start` for `duration_s`; with a reason it is not known, with no duration there is none."""

    start: int = 0
    duration_s: int = 0
    wh: float = 0.0
    reason: str | None = None
    reset: int = 0
    rollover: int = 0


class Steps(NamedTuple):
    """What was made at each of some readings, as in `Made`; those that are not plain also stand by their places."""

    start: IntArray
    duration_s: IntArray
    wh: FloatArray
    odd: Mapping[int, Made]


class Meter:
    """The last reading of each unit, to which the next belongs; what is made between two says the kind of meter."""

    def __init__(self, factor: float, *, newest_first: bool) -> None:
        self._factor = factor
        self._newest_first = newest_first
        self._last: dict[str, tuple[int, float]] = {}
        self._carried = set[str]()

    def go_on_in_another_table(self) -> None:
        """Keep the last readings for a table that goes on where one ended; one that does not begins anew."""
        self._carried = set(self._last)

    def _begin(self, serial: str, at: int) -> None:
        if serial in self._carried:
            self._carried.discard(serial)
            last = self._last[serial][0]
            if at != last and (at > last) == self._newest_first:
                del self._last[serial]

    def step(self, serial: str, at: int, value: float) -> Made:
        """Take a reading and return what was made since the one before (until it, where the newest come first)."""
        raise NotImplementedError

    def steps(self, serial: str, at: IntArray, values: FloatArray) -> Steps:
        """Take readings one after the other, as `step` does."""
        if at.size:
            self._begin(serial, int(at[0]))
        if serial not in self._last or not self._go_on(self._last[serial][0], at, values):
            made = [self.step(serial, *reading) for reading in zip(at.tolist(), values.tolist(), strict=True)]
            nothing = np.zeros(at.size, dtype=np.int64)
            return _steps(nothing, nothing.copy(), np.zeros(at.size), dict(enumerate(made)))
        time, value = self._last[serial]
        times, shown = np.append(time, at), np.append(value, values)
        self._last[serial] = (int(times[-1]), float(shown[-1]))
        earlier, later = (slice(None, -1), slice(1, None))[:: -1 if self._newest_first else 1]
        return self._between(times[earlier], times[later] - times[earlier], shown[earlier], shown[later])

    def _go_on(self, last: int, at: IntArray, values: FloatArray) -> bool:  # noqa: ARG002 - a counter looks at them
        steps = np.diff(at, prepend=last)
        return bool(np.all(steps < 0 if self._newest_first else steps > 0))

    def _between(self, start: IntArray, lasted: IntArray, before: FloatArray, after: FloatArray) -> Steps:
        raise NotImplementedError


class Powers(Meter):
    """The last power of each unit, at moments of any distance: between two it is taken to go evenly."""

    def step(self, serial: str, at: int, value: float) -> Made:
        """Take a power and return what was made since the one before (until it, where the newest come first)."""
        last = self._last.get(serial)
        if last is not None and (at > last[0]) == self._newest_first and at != last[0]:
            return Made(reason=told("its time is out of order, and such readings can only be read in order"))
        self._last[serial] = (at, value)
        if last is None or at == last[0]:
            return Made()
        start, duration_s = min(at, last[0]), abs(at - last[0])
        if duration_s > LONGEST_S and max(value, last[1]) > 0:
            return Made()
        return Made(start, duration_s, (value + last[1]) / 2 * self._factor * duration_s / 3600)

    def _between(self, start: IntArray, lasted: IntArray, before: FloatArray, after: FloatArray) -> Steps:
        wh = (after + before) / 2 * self._factor * lasted / 3600
        silent = (lasted > LONGEST_S) & (np.maximum(before, after) > 0)
        return _steps(start, lasted, wh, dict.fromkeys(np.flatnonzero(silent).tolist(), Made()))


class Counters(Meter):
    """The last reading of each unit's counter."""

    def __init__(self, rated_w: float, factor: float, *, newest_first: bool) -> None:
        super().__init__(factor, newest_first=newest_first)
        self._rated_w = rated_w

    def step(self, serial: str, at: int, value: float) -> Made:
        """Take a reading and return what was made since the one before (until it, where the newest come first)."""
        if value < 0:
            return Made(reason=negative())
        last = self._last.get(serial)
        if last is None:
            self._last[serial] = (at, value)
            return Made()
        if (at > last[0]) == self._newest_first and at != last[0]:
            return Made(reason=told("its time is out of order, and a counter can only be read in order"))
        self._last[serial] = (at, value)
        (start, before), (end, after) = sorted((last, (at, value)), key=lambda reading: reading[0])
        if at == last[0]:
            same = value == last[1]
            return Made() if same else Made(reason=told("the counter has two values at this time"))
        return self._made(start, end - start, before, after)

    def _go_on(self, last: int, at: IntArray, values: FloatArray) -> bool:
        return super()._go_on(last, at, values) and bool(np.all(values >= 0))

    def _between(self, start: IntArray, lasted: IntArray, before: FloatArray, after: FloatArray) -> Steps:
        wh = (after - before) * self._factor
        most = self._rated_w * HIGHEST_SHARE * lasted / 3600
        odd = np.flatnonzero((wh < 0) | (wh > most) | (lasted > LONGEST_S))
        cases = zip(*(part[odd].tolist() for part in (start, lasted, before, after)), strict=True)
        made = dict(zip(odd.tolist(), starmap(self._made, cases), strict=True))
        return _steps(start, lasted, wh, made)

    def _made(self, start: int, duration_s: int, before: float, after: float) -> Made:
        wh, reason, reset, rollover, _ = step(before, after, duration_s, self._factor, self._rated_w)
        if reason:
            return Made(reason=reason, reset=reset, rollover=rollover)
        return Made(start, duration_s, wh, None, reset, rollover)


def _steps(start: IntArray, lasted: IntArray, wh: FloatArray, odd: Mapping[int, Made]) -> Steps:
    """Return the steps, with those that are odd in their places."""
    start = start.copy()
    for i, made in odd.items():
        start[i], lasted[i], wh[i] = made.start, made.duration_s, made.wh
    return Steps(start, lasted, wh, odd)


def negative() -> str:
    """Return why a negative reading is not taken."""
    return told("a counter cannot be negative")


def step(before: float, after: float, duration_s: float, factor: float, rated_w: float | None) -> Step:
    """Return what a counter made from one reading to the next; without a rating no leap is too high."""
    most = inf if rated_w is None else rated_w * HIGHEST_SHARE * duration_s / 3600
    wh, reset, rollover = (after - before) * factor, 0, 0
    if wh < 0:
        rolled = [(after + w - before) * factor for w in WRAPS if 0.9 * w <= before < w]
        fitting = [r for r in rolled if r <= most]
        wh = fitting[0] if fitting else after * factor
        reset, rollover = int(not fitting), int(bool(fitting))
    if wh > most:
        return Step(reason=told("the counter jumps by more than the inverter can give"))
    if duration_s > LONGEST_S:
        reason = told(
            "the counter was silent for {hours} h; when in them its {energy} Wh were made is unknown",
            hours=f"{duration_s / 3600:.1f}",
            energy=f"{wh:.0f}",
        )
        return Step(wh, reason, reset, rollover, asleep=wh <= (rated_w or 0.0) * DUSK_H)
    return Step(wh, None, reset, rollover)
