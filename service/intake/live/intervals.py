"""From samples, in any order and as often as they come, to values of whole intervals. No clock and no storage here.

An interval's value follows from the samples around it alone: those within `REACH`. So whoever keeps samples works an
interval out anew whenever one comes late, and gets what it would have got had all come in time.

| kind | an interval's value | heard if |
| --- | --- | --- |
| power | mean of the straight lines between samples at most `gap_min` apart | half of it is covered |
| counter | difference at its borders, on straight lines between readings at most an hour apart | all of it is covered |
| energy | as sent, by its label | |
| channel | mean of the samples in it | it has one |
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from service.intake.export import counter
from service.intake.export.model import QUANTITIES
from service.intake.live.model import Sample
from service.store.grids import SMALLEST_COVER, BoolArray, FloatArray, IntArray, Samples, moment

REACH = timedelta(hours=2)
"""A sample changes no interval further away than this."""

GAP_SHARE = 1.5
"""Power is taken to run straight between samples at most so many intervals apart, unless the caller says otherwise."""

WHOLE = 1 - 1e-9


class Odd(NamedTuple):
    """A counter's reading before which it is not known what was made, or with which it began anew."""

    serial: str
    kind: str
    at: datetime
    reason: str
    asleep: bool = False
    """Whether next to nothing was made in a long silence, as by night."""


Keep = Callable[[Odd], None]


class _Trace(NamedTuple):
    """One unit's values of one kind: times in seconds since 1970, each once and in order."""

    serial: str
    kind: str
    at: FloatArray
    values: FloatArray


class _Grid(NamedTuple):
    """The intervals that may be heard: their starts in seconds since 1970, in order."""

    step: int
    starts: IntArray


Span = tuple[datetime, datetime]


def intervals(
    samples: Iterable[Sample],
    interval_min: int,
    *,
    start: datetime | None = None,
    end: datetime | None = None,
    changed: Span | None = None,
    label: str = "start",
    gap_min: float | None = None,
    rated_w: float | None = None,
    odd: Keep = lambda _: None,
) -> list[Samples]:
    """Return the intervals heard that lie from `start` to `end`, for each unit and channel of the contract.

    With `changed` only those that samples of these moments, both included, can have changed. Of several values for
    one moment the highest counts. `label` is what an energy's time names. With `rated_w`, the largest rating, a
    counter's leap is told from what an inverter can make.
    """
    step, gap_s = interval_min * 60, (gap_min or GAP_SHARE * interval_min) * 60
    found = []
    for trace in _traces(samples):
        grid = _grid(trace.at, step, start, end, changed)
        match trace.kind.partition("_")[0]:
            case "power":
                laid = _powers(trace, grid, gap_s)
            case "counter":
                laid = _counted(trace, grid, rated_w, odd)
            case "energy":
                laid = _energies(trace, step, start, end, changed, label)
            case _:
                laid = _means(trace, grid)
        found += [laid] if laid.starts.size else []
    return found


def closed(now: datetime, interval_min: int, wait_min: float | None = None) -> datetime:
    """Return until when intervals are complete: those that ended `wait_min` ago, by default one interval's length."""
    wait = interval_min if wait_min is None else wait_min
    step = interval_min * 60
    return moment(int((now.timestamp() - wait * 60) // step) * step)


def touched(moments: Iterable[datetime], interval_min: int) -> Span:
    """Return the span of intervals that samples of these moments may change."""
    found = [m.timestamp() for m in moments]
    step, reach = interval_min * 60, REACH.total_seconds()
    first, last = (min(found) - reach) // step, -(-(max(found) + reach) // step)
    return moment(int(first) * step), moment(int(last) * step)


def _traces(samples: Iterable[Sample]) -> list[_Trace]:
    found: dict[tuple[str, str], dict[float, float]] = {}
    for sample in samples:
        values = found.setdefault((sample.serial, sample.kind), {})
        second = sample.at.timestamp()
        values[second] = max(sample.value, values.get(second, sample.value))
    traces = []
    for (serial, kind), values in sorted(found.items()):
        at = np.array(sorted(values), dtype=np.float64)
        traces.append(_Trace(serial, kind, at, np.array([values[t] for t in at.tolist()])))
    return traces


def _grid(
    at: FloatArray, step: int, start: datetime | None, end: datetime | None, changed: Span | None
) -> _Grid:
    """Return the intervals around samples and between those within reach: a clock may be years off."""
    apart = np.flatnonzero(np.diff(at) > REACH.total_seconds()) + 1
    runs = [np.arange(p[0] // step, p[-1] // step + 1) for p in np.split(at, apart)]
    starts = np.unique(np.concatenate(runs)).astype(np.int64) * step
    inside = _inside(starts, step, start, end)
    if changed is not None:
        before = at[max(0, int(np.searchsorted(at, changed[0].timestamp())) - 1)]
        after = at[min(at.size - 1, int(np.searchsorted(at, changed[1].timestamp(), side="right")))]
        inside &= (starts + step > before) & (starts <= after)
    return _Grid(step, starts[inside])


def _inside(starts: IntArray, step: int, start: datetime | None, end: datetime | None) -> BoolArray:
    """Return which intervals lie whole between the two moments."""
    inside = np.ones(starts.size, dtype=np.bool_)
    if start is not None:
        inside &= starts >= start.timestamp()
    if end is not None:
        inside &= starts + step <= end.timestamp()
    return inside


def _heard(trace: _Trace, channel: str, grid: _Grid, values: FloatArray) -> Samples:
    heard = np.isfinite(values)
    return Samples(trace.serial, channel, grid.step // 60, grid.starts[heard], values[heard])


def _powers(trace: _Trace, grid: _Grid, gap_s: float) -> Samples:
    borders = np.union1d(grid.starts, grid.starts + grid.step)
    at = np.union1d(trace.at, borders[(borders > trace.at[0]) & (borders < trace.at[-1])])
    power = np.interp(at, trace.at, trace.values * QUANTITIES[trace.kind])
    gaps = (
        np.diff(trace.at)[np.searchsorted(trace.at, at[:-1], side="right") - 1]
        if at.size > 1
        else np.empty(0)
    )
    lasting = np.where(gaps <= gap_s, np.diff(at), 0.0)
    area = _within(grid, at, lasting * (power[1:] + power[:-1]) / 2)
    covered = _within(grid, at, lasting)
    return _heard(trace, "power_w", grid, _over(area, covered, SMALLEST_COVER * grid.step))


def _counted(trace: _Trace, grid: _Grid, rated_w: float | None, odd: Keep) -> Samples:
    sound = trace.values >= 0
    for i in np.flatnonzero(~sound).tolist():
        odd(_odd(trace, float(trace.at[i]), counter.negative()))
    at, values = trace.at[sound], trace.values[sound]
    made, lasting = np.zeros(max(0, at.size - 1)), np.zeros(max(0, at.size - 1))
    for i, ((begin, before), (until, after)) in enumerate(
        pairwise(zip(at.tolist(), values.tolist(), strict=True))
    ):
        step = counter.step(before, after, until - begin, QUANTITIES[trace.kind], rated_w)
        if step.reason is None:
            made[i], lasting[i] = step.wh, until - begin
        if step.reason or step.reset:
            odd(_odd(trace, until, step.reason or counter.BEGAN_ANEW, asleep=step.asleep))
    covered = _within(grid, at, lasting)
    energy = _within(grid, at, made)
    return _heard(trace, "energy_wh", grid, np.where(covered >= WHOLE * grid.step, energy, np.nan))


def _odd(trace: _Trace, at: float, reason: str, *, asleep: bool = False) -> Odd:
    return Odd(trace.serial, trace.kind, datetime.fromtimestamp(at, UTC), reason, asleep)


def _within(grid: _Grid, at: FloatArray, parts: FloatArray) -> FloatArray:
    """Return what lies in each interval of parts that are spread evenly from each of `at` to the next."""
    if at.size < 2:
        return np.zeros(grid.starts.size)
    total = np.concatenate([[0.0], np.cumsum(parts)])
    made: FloatArray = np.interp(grid.starts + grid.step, at, total) - np.interp(grid.starts, at, total)
    return made


def _over(sums: FloatArray, weights: FloatArray, least: float) -> FloatArray:
    return np.where(weights >= least, sums / np.maximum(weights, least), np.nan)


def _energies(
    trace: _Trace, step: int, start: datetime | None, end: datetime | None, changed: Span | None, label: str
) -> Samples:
    """Return energies as they were sent: what keeps to no grid is apportioned where readings are loaded."""
    starts = np.rint(trace.at).astype(np.int64) - (step if label == "end" else 0)
    inside = _inside(starts, step, start, end)
    if changed is not None:
        inside &= (trace.at >= changed[0].timestamp()) & (trace.at <= changed[1].timestamp())
    values = trace.values * QUANTITIES[trace.kind]
    return Samples(trace.serial, "energy_wh", step // 60, starts[inside], values[inside])


def _means(trace: _Trace, grid: _Grid) -> Samples:
    cells = (trace.at // grid.step).astype(np.int64) * grid.step
    place = np.searchsorted(grid.starts, cells)
    inside = np.isin(cells, grid.starts)
    count = np.bincount(place[inside], minlength=grid.starts.size).astype(np.float64)
    total = np.bincount(place[inside], trace.values[inside], grid.starts.size).astype(np.float64)
    return _heard(trace, trace.kind, grid, _over(total, count, 1.0))
