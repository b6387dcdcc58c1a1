"""The first rows of a table, and what they say of each unit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np

from service.intake.export import dashes, words
from service.intake.export.abbreviations import meanings
from service.intake.export.draft import Draft
from service.intake.export.intervals import steps_of
from service.intake.export.layout import Layout, NotReadable
from service.intake.export.model import Dash, Known, Order
from service.intake.export.survey import Survey, Trace, stamps, traces
from service.intake.export.times import Stamp
from service.intake.problems import told

NEGATIVE_SHARE = 0.9
MOST_SORTED = 2_000_000
"""Values that are held to be sorted by time."""


@dataclass(frozen=True)
class Look:
    """The first rows of a table and what they say of each unit."""

    data: list[list[str]]
    layout: Layout
    order: Order
    stamps: list[Stamp]
    tail: list[Stamp]
    head: Mapping[str, Trace]
    spread: Mapping[str, Trace]
    dash: Dash
    meant: Mapping[str, frozenset[int]]
    """The offsets that short names of zones may mean, if times have any."""

    @property
    def certain(self) -> dict[str, int]:
        """Return what those names mean that mean one thing."""
        return {short: next(iter(offsets)) for short, offsets in self.meant.items() if len(offsets) == 1}


def look_at(
    data: list[list[str]],
    found: Survey,
    layout: Layout,
    order: Order,
    factors: Mapping[int, float],
    decimal: str,
    names: Mapping[str, str],
    known: Known,
    draft: Draft,
) -> Look:
    """Return what the first rows show; NotReadable where no row has a time and a number, or all are negative."""
    stamped = stamps(data, layout, order)

    def told_of(rows: list[list[str]], at: list[Stamp | None]) -> dict[str, Trace]:
        by_name = traces(rows, at, layout, factors, decimal, with_dashes=True).items()
        return {names.get(name, name): trace for name, trace in by_name if names.get(name) != ""}

    everywhere = stamps(found.spread, layout, order)
    with_dashes = told_of(data, stamped)
    dash, without = dashes.read_as(with_dashes, known, draft)
    head, all_over = without(with_dashes), without(told_of(found.spread, everywhere))
    if not any(t.naive.size for t in head.values()):
        raise NotReadable(told("no row has a time and a number"))
    every = np.concatenate([t.values for t in head.values()])
    if np.count_nonzero(every < 0) > NEGATIVE_SHARE * np.count_nonzero(every):
        raise NotReadable(told("its values are negative; export what was made as positive numbers"))
    last = [r for r in found.tail if any(i < len(r) and not words.is_missing(r[i]) for i in factors)]
    timed, tail = ([s for s in each if s is not None] for each in (stamped, stamps(last, layout, order)))
    meant = _meant(known.zone, (*stamped, *everywhere))
    look = Look(data, layout, order, timed, tail, head, all_over, dash, meant)
    return replace(look, stamps=[s.where(look.certain) for s in timed])


def can_be_sorted(head: Mapping[str, Trace], values: int) -> bool:
    """Return whether so many `values` stand in no order of time, and no time has two of one unit."""
    steps = steps_of(head)
    if values > MOST_SORTED or steps is None or any(map(contradictions, head.values())):
        return False
    return steps.is_shuffled or any(t.is_behind(newest_first=steps.newest_first) for t in head.values())


def in_order(look: Look, draft: Draft) -> Look:
    """Return what is seen once the rows are sorted by time, and say that they are."""
    draft.warnings.append(told("its rows stand in no order of time, and were sorted by it"))
    return replace(
        look,
        head={name: trace.in_order() for name, trace in look.head.items()},
        spread={name: trace.in_order() for name, trace in look.spread.items()},
    )


def contradictions(trace: Trace) -> int:
    """Return how many times have more than one value."""
    return (
        len(set(zip(trace.naive.tolist(), trace.values.tolist(), strict=True))) - np.unique(trace.naive).size
    )


def _meant(zone: str, stamped: Sequence[Stamp | None]) -> Mapping[str, frozenset[int]]:
    found = [s for s in stamped if s is not None]
    years = {datetime.fromtimestamp(day, UTC).year for day in {s.day for s in found if s.day is not None}}
    return meanings(zone, years) if any(s.zone for s in found) else {}
