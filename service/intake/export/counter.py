"""Energy from running counters: what was made between two readings of one unit, over resets and roll-overs."""

from __future__ import annotations

from math import inf
from typing import NamedTuple

from service.intake.problems import told

HIGHEST_SHARE = 1.5
LONGEST_S = 3600
"""What a counter made over a longer time cannot be laid to its hours."""

WRAPS = (*(10.0**n for n in range(4, 10)), 2.0**16, 2.0**32)
"""Where counters roll over: at full decades, and at 16 and 32 bits."""


class Step(NamedTuple):
    """What was made between two readings of a counter; with a reason it is not known."""

    wh: float = 0.0
    reason: str | None = None
    reset: int = 0
    rollover: int = 0


class Made(NamedTuple):
    """Energy from `start` for `duration_s`; with a reason it is not known, with no duration there is none."""

    start: int = 0
    duration_s: int = 0
    wh: float = 0.0
    reason: str | None = None
    reset: int = 0
    rollover: int = 0


class Powers:
    """The last power of each unit, at moments of any distance: between two it is taken to go evenly."""

    def __init__(self, factor: float, *, newest_first: bool) -> None:
        self._factor = factor
        self._newest_first = newest_first
        self._last: dict[str, tuple[int, float]] = {}

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


class Counters:
    """The last reading of each unit's counter."""

    def __init__(self, rated_w: float, factor: float, *, newest_first: bool) -> None:
        self._rated_w = rated_w
        self._factor = factor
        self._newest_first = newest_first
        self._last: dict[str, tuple[int, float]] = {}

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
        wh, reason, reset, rollover = step(before, after, end - start, self._factor, self._rated_w)
        if reason:
            return Made(reason=reason, reset=reset, rollover=rollover)
        return Made(start, end - start, wh, None, reset, rollover)


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
        return Step(wh, reason, reset, rollover)
    return Step(wh, None, reset, rollover)
