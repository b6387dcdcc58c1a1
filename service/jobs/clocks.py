"""Moves readings from the labels of a wrong clock to their true time. What is kept stays as it was sent.

The starts of the series move and no value is touched, so a lateness that holds for the whole window costs nothing,
whatever its size. Where it changes, the parts may lie on different grids, of which the shorter is apportioned, and an
interval in which the clock was set is not heard as a whole.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from service.intake.clock import Clock
from service.store.grids import moment
from service.store.readings import Series

Span = tuple[datetime, datetime]


def true_time(series: Sequence[Series], clock: Clock, window: Span) -> list[Series]:
    """Return what starts in the window of each series as a right clock had labelled it, a series for each lateness."""
    return [part for one in series for part in _parts(one, clock, window)]


def true_span(labels: Span, clock: Clock) -> Span:
    """Return from when to when readings were taken, given the start of the first label and the end of the last."""
    first, last = (m.timestamp() for m in labels)
    reached = [s for s in clock.stretches() if s.since < last and s.until > first]
    starts = [max(first, s.since) - 60 * s.minutes for s in reached]
    ends = [min(last, s.until) - 60 * s.minutes for s in reached]
    return moment(int(min(starts))), moment(int(max(ends)))


def labels_of(window: Span, clock: Clock) -> Span:
    """Return a span that holds the labels of all that was taken in the window."""
    late = [s.minutes for s in clock.stretches()]
    return window[0] + timedelta(minutes=min(late)), window[1] + timedelta(minutes=max(late))


def _parts(series: Series, clock: Clock, window: Span) -> Iterator[Series]:
    labels = series.start.timestamp() + 60 * series.interval_min * np.arange(series.values.size)
    first, last = (m.timestamp() for m in window)
    for since, until, minutes in clock.stretches():
        true = labels - 60 * minutes
        inside = np.flatnonzero((labels >= since) & (labels < until) & (true >= first) & (true < last))
        if inside.size:
            start = moment(int(true[inside[0]]))
            yield replace(series, start=start, values=series.values[inside[0] : inside[-1] + 1])
