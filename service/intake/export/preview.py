"""A file as it was understood, for people to look at: its first readings, and those of its brightest moment."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from service.intake.export.bring import Plan
from service.intake.export.model import Known
from service.intake.export.read import Tally, read
from service.store.grids import Samples

ENOUGH_VALUES = 30_000
FIRST_SHOWN, BRIGHT_SHOWN = 4, 6


@dataclass(frozen=True)
class Shown:
    """One value as it was understood; seconds since 1970, UTC."""

    serial: str
    start: int
    end: int
    channel: str
    value: float


def beginning(planned: Plan, record: Mapping[str, Any]) -> list[Samples]:
    """Return the samples with which the file begins, from all its tables until there are enough."""
    known, found, size = Known.of_record(record), [], 0
    for table, proposal in planned.readable:
        if proposal.recipe is None or size > ENOUGH_VALUES:
            continue
        piece = next(read(table, proposal.recipe, known, Tally()), None)
        if piece is not None:
            found += piece.samples
            size += sum(one.starts.size for one in piece.samples)
    return found


def first(samples: Sequence[Samples]) -> list[Shown]:
    """Return the first values."""
    return _in_order(_at_ends(samples, FIRST_SHOWN))[:FIRST_SHOWN]


def brightest(samples: Sequence[Samples]) -> list[Shown]:
    """Return the values of the moment at which all units together made most."""
    totals: dict[int, float] = {}
    for one in samples:
        power = np.nan_to_num(one.values) / one.interval_min
        for start, value in zip(one.starts.tolist(), power.tolist(), strict=True):
            totals[start] = totals.get(start, 0.0) + value
    best = max(totals, key=lambda start: totals[start], default=None)
    if best is None or totals[best] <= 0:
        return []
    return [shown for one in samples for shown in _values(one, one.starts == best)][:BRIGHT_SHOWN]


def _at_ends(samples: Sequence[Samples], count: int) -> Iterator[Shown]:
    for one in samples:
        chosen = np.zeros(one.starts.size, dtype=bool)
        chosen[np.argsort(one.starts, kind="stable")[:count]] = True
        yield from _values(one, chosen)


def _values(one: Samples, chosen: Any) -> Iterator[Shown]:
    for start, value in zip(one.starts[chosen].tolist(), one.values[chosen].tolist(), strict=True):
        if not np.isnan(value):
            yield Shown(one.serial, start, start + one.interval_min * 60, one.channel, value)


def _in_order(found: Iterator[Shown]) -> list[Shown]:
    return sorted(found, key=lambda shown: (shown.start, shown.serial))
