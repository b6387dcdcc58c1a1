"""What a cell with a dash says: that there is no value, or that nothing was made, as many programs write the nights.

The file's own light tells which of its times are nights, before its zone is known.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from service.intake.export.asking import asked
from service.intake.export.draft import Draft
from service.intake.export.intervals import steps_of
from service.intake.export.model import Dash, Guess, Known
from service.intake.export.noon import is_below, lateness_min
from service.intake.export.quantity import runs_on
from service.intake.export.survey import Trace
from service.intake.export.zones import Clockwork, zone_of
from service.intake.problems import mark, told
from service.store.grids import BoolArray, FloatArray, IntArray

NIGHT_DEG, DAY_DEG = -3.0, 10.0
"""Of the sun: surely night, and high enough for every inverter to be awake (common practice, no source)."""

MOST_OF_NIGHTS = 0.9
MANY = 0.1

_ONLY_AT_NIGHT = mark("a dash was taken for nothing made: dashes fill the nights, and no number stands there")
_BY_DAY = mark(
    "dashes fill the nights, where nothing is made, but {count} stand by day, too, and were taken there for "
    "values that are missing. If they say that nothing was made, choose that (dash=zero)"
)
_NO_ZEROS = mark(
    "a dash was taken for a value that is missing, and no cell says 0. If it says that nothing was made, choose that "
    "(dash=zero)"
)

Traces = Mapping[str, Trace]
Below = Callable[[IntArray, float], BoolArray]


def read_as(head: Traces, known: Known, draft: Draft) -> tuple[Dash, Callable[[Traces], dict[str, Trace]]]:
    """Return what a dash says, which is NaN in the traces, and what makes traces without NaN of such."""
    numbers = {name: _kept(trace) for name, trace in head.items()}
    if all(numbers[name] is trace for name, trace in head.items()):
        return "missing", dict
    below = _sun_of(numbers, known)
    how = _answered(draft) or ("missing" if _may_run_on(numbers) else _shown(head, below, draft))

    def cleaned(found: Traces) -> dict[str, Trace]:
        read = {name: _kept(_filled(trace, how, below)) for name, trace in found.items()}
        return {name: trace for name, trace in read.items() if trace.naive.size}

    return how, cleaned


def _kept(trace: Trace) -> Trace:
    there = ~np.isnan(trace.values)
    return trace if there.all() else Trace(trace.naive[there], trace.values[there])


def _filled(trace: Trace, how: Dash, below: Below | None) -> Trace:
    dashes = np.isnan(trace.values) & (how != "missing")
    if how == "night" and below is not None and trace.naive.size:
        dashes &= below(trace.naive, NIGHT_DEG)
    return Trace(trace.naive, np.where(dashes, 0.0, trace.values))


def _may_run_on(numbers: Traces) -> bool:
    steps = steps_of(numbers)
    return steps is None or runs_on(numbers, newest_first=steps.newest_first) is not False


def _sun_of(numbers: Traces, known: Known) -> Below | None:
    """Return what tells whether the sun is below an elevation, with noon in the middle of the file's own light."""
    clock = Clockwork(zone_of(known.zone)).utc
    late = lateness_min(numbers.values(), clock, known.longitude)
    if late is None:
        return None
    return lambda naive, deg: is_below(clock(naive) - round(60 * late), known.longitude, known.latitude, deg)


def _answered(draft: Draft) -> Dash | None:
    """Return what somebody said; that there is no value by day says nothing of the nights."""
    return "zero" if draft.answers.get("dash") == "zero" else None


def _shown(head: Traces, below: Below | None, draft: Draft) -> Dash:
    every = list(head.values())
    naive, values = np.concatenate([t.naive for t in every]), np.concatenate([t.values for t in every])
    dashes, has_zeros = np.isnan(values), bool((values == 0).any())
    if below is None or not _fill_nights(dashes[below(naive, NIGHT_DEG)], values[below(naive, NIGHT_DEG)]):
        if dashes.mean() > MANY and not has_zeros:
            draft.warnings.append(told(_NO_ZEROS))
        return "missing"
    by_day = int(np.count_nonzero(dashes & ~below(naive, DAY_DEG)))
    if not by_day:
        draft.warnings.append(told(_ONLY_AT_NIGHT))
        return "zero"
    guess = Guess("missing", 0.9 if has_zeros else 0.6, told(_BY_DAY, count=by_day))
    question = None if has_zeros else asked("dash", ("missing", "zero"), guess.why, "missing")
    draft.settle("dash", guess, question)
    draft.warnings.append(guess.why)
    return "night"


def _fill_nights(dashes: BoolArray, values: FloatArray) -> bool:
    """Return whether nights are filled with dashes, and never with a zero."""
    return bool(dashes.size) and float(dashes.mean()) >= MOST_OF_NIGHTS and not (values == 0).any()
