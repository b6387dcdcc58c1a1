"""What time it is, on a machine whose clock may be wrong: many have no battery and wake up in 1970.

The service's clock is the measure. Until the two were compared since the machine was switched on, `now` gives no time
but a mark: how long the machine has been on, counted from the year 1. The outbox holds what carries such a mark and
dates it once the difference is known. A clock that is a little off is told and left alone.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import uuid4

MARK = datetime(1, 1, 1, tzinfo=UTC)
_MARKS_END = datetime(1000, 1, 1, tzinfo=UTC)
_FAR = datetime(2100, 1, 1, tzinfo=UTC)

TOLD_S = 5.0
"""From so much on the difference is told."""
REPAIRED_S = 60.0
"""From so much on the service's time is taken: a fifth of the shortest interval."""


@dataclass(frozen=True)
class Compared:
    """What a comparison showed: how far this machine is ahead, how exactly that is known, and when it was made."""

    ahead_s: float
    error_s: float
    on_s: float
    """How long the machine had been on."""
    at: datetime
    """By the service's clock."""

    def as_json(self) -> dict[str, Any]:
        """Return it as `compared_before` reads it."""
        return {
            "ahead_s": self.ahead_s,
            "error_s": self.error_s,
            "on_s": self.on_s,
            "at": self.at.isoformat(),
        }

    @property
    def is_repaired(self) -> bool:
        """Return whether the machine's own clock is not to be used."""
        return abs(self.ahead_s) - self.error_s > REPAIRED_S


class Clock:
    """The collector's clock, one for all threads; the machine's own until it is `doubted`."""

    def __init__(self) -> None:
        self.compared: Compared | None = None
        self._doubted = False

    def doubt(self, compared: Compared | None) -> None:
        """Give marks from now on until the clocks are compared; `compared` is the last since switching on."""
        self._doubted, self.compared = True, compared

    def trust(self) -> None:
        """Take the machine's clock as it is, for want of another."""
        self._doubted, self.compared = False, None

    @property
    def is_known(self) -> bool:
        """Return whether `now` gives a time and no mark."""
        return self.compared is not None or not self._doubted

    def now(self) -> datetime:
        """Return the time (UTC) or, while it is not known, a mark that `is_mark` knows."""
        if not self.is_known:
            return MARK + timedelta(seconds=on_s())
        return self.at(on_s()) if self.compared and self.compared.is_repaired else datetime.now(UTC)

    def latest(self) -> datetime:
        """Return the time, or a moment later than any while it is not known."""
        return self.now() if self.is_known else _FAR

    def at(self, on_for_s: float) -> datetime:
        """Return the time at which the machine had been on for so long."""
        if self.compared is not None and self.compared.is_repaired:
            return self.compared.at + timedelta(seconds=on_for_s - self.compared.on_s)
        return datetime.now(UTC) + timedelta(seconds=on_for_s - on_s())


CLOCK = Clock()


def now() -> datetime:
    """Return the time at which a source hears something now, for values that come without a time of their own."""
    return CLOCK.now()


def is_mark(at: datetime) -> bool:
    """Return whether a moment tells only how long the machine had been on."""
    return at < _MARKS_END


def on_s() -> float:
    """Return for how long the machine has been on, asleep or not."""
    return time.clock_gettime(getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC))


def session() -> str:
    """Return a name for the time since the machine was switched on; where none is known, for this process."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return uuid4().hex


def compared(date: datetime, asked_on_s: float, answered_on_s: float) -> Compared:
    """Return what an answer's date shows.

    `Date` (RFC 9110, 6.6.1) is the whole second in which the answer was made, somewhere between question and answer.
    """
    trip_s = answered_on_s - asked_on_s
    then, between = date + timedelta(seconds=0.5), asked_on_s + trip_s / 2
    here = datetime.now(UTC) - timedelta(seconds=on_s() - between)
    return Compared((here - then).total_seconds(), trip_s / 2 + 0.5, between, then)


def compared_before(kept: Any) -> Compared | None:
    """Return a comparison as it was kept."""
    if not isinstance(kept, dict):
        return None
    return Compared(kept["ahead_s"], kept["error_s"], kept["on_s"], datetime.fromisoformat(kept["at"]))
