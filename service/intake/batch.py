"""A batch: what was sent, less what cannot be right, with a problem listed for each value kept out.

Which values cannot be right is for `limits` (readings) and `weather`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from service.store.grids import BoolArray, Samples, moment

LISTED = 1000
"""Problems listed at most; the last entry counts the rest, which the payload still holds."""


@dataclass(frozen=True)
class Limits:
    """The lowest and highest value that samples can have, and in words why not more."""

    lowest: float
    highest: float
    reason: str = "is above {highest:g}, which {channel} cannot be"


@dataclass(frozen=True)
class Problem:
    """A value that was kept out and why, or (without a serial) a remark about the whole batch."""

    serial: str | None
    start: str | None
    field: str | None
    value: float | None
    message: str


COUNTER = "counter"
"""Field of a problem that is about a running counter and not about a value that was sent."""


def counter_noted(serial: str, at: int, message: str) -> Problem:
    """Return what was noticed about a unit's counter at a moment, seconds since 1970."""
    return Problem(serial, moment(at).isoformat(), COUNTER, None, message)


@dataclass(frozen=True)
class Batch:
    """Samples of plausible values (NaN in place of those kept out), and what was kept out."""

    samples: tuple[Samples, ...]
    rejected: int = 0
    problems: tuple[Problem, ...] = ()

    def problems_as_json(self) -> list[dict[str, Any]]:
        """Return the problems as the contract lists them."""
        return [asdict(problem) for problem in self.problems]


def keep_plausible(
    sent: Sequence[Samples], limits: Sequence[Limits], remarks: Sequence[Problem] = ()
) -> Batch:
    """Return the samples within their limits as a batch; the remarks come first among its problems."""
    kept, listed, rejected = [], list(remarks), 0
    for samples, limit in zip(sent, limits, strict=True):
        wrong = _outside(samples, limit)
        count = int(np.count_nonzero(wrong))
        if count:
            room = max(0, LISTED - len(listed))
            listed += _problems(samples, np.flatnonzero(wrong)[:room].tolist(), limit)
            samples = replace(samples, values=np.where(wrong, np.nan, samples.values))  # noqa: PLW2901
        rejected += count
        kept.append(samples)
    unlisted = rejected + len(remarks) - len(listed)
    if unlisted:
        listed.append(Problem(None, None, None, None, f"{unlisted} more values were kept out and not listed"))
    return Batch(tuple(kept), rejected, tuple(listed))


def _outside(samples: Samples, limit: Limits) -> BoolArray:
    with np.errstate(invalid="ignore"):
        values = samples.values
        return np.isinf(values) | (values < limit.lowest) | (values > limit.highest)


def _problems(samples: Samples, places: Sequence[int], limit: Limits) -> Iterator[Problem]:
    for i in places:
        value = float(samples.values[i])
        finite = value if np.isfinite(value) else None
        start = moment(int(samples.starts[i])).isoformat()
        channel = samples.channel
        yield Problem(samples.serial or None, start, channel, finite, _reason(channel, finite, limit))


def _reason(channel: str, value: float | None, limit: Limits) -> str:
    if value is None:
        return "is not a finite number; kept out"
    if value < limit.lowest:
        return f"is below {limit.lowest:g}, which {channel} cannot be; kept out"
    return f"{limit.reason.format(highest=limit.highest, channel=channel)}; kept out"
