"""What a file's values are beside what physics says of the recorded roof: how much of a clear sky's energy, and when.

A scale that is wrong by a thousand shows in any light, and which end of its interval a time stands at in some.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from service.intake.export.model import Known, ShownEnd
from service.intake.export.survey import Trace
from service.intake.export.times import DAY_S
from service.intake.export.zones import Clockwork, zone_of
from service.store.grids import FloatArray, IntArray

MOST_DAYS = 7
"""Of a longer file the brightest ones in a row."""

STEP_MIN = 15
LEAST_DUE_H = 0.5
"""Hours at the rating that the clear sky is to give within a day's rows: dusk and deep winter prove nothing."""


@dataclass(frozen=True)
class Shares:
    """The energy of units' days over a clear sky's at the same times: a usual unit's best day, and the best of all."""

    best_day: float
    highest: float


def shares(powers: Mapping[str, Trace], known: Known) -> Shares | None:
    """Return the shares of powers in W, None where physics or light is missing; zones may err by hours.

    The times are those of the site's clock, roughly: it is days that are compared.
    """
    found = {} if known.roof is None else brightest(powers, known)
    if known.roof is None or not found:
        return None
    clock = Clockwork(zone_of(known.zone))
    utc = {serial: clock.utc(trace.naive) for serial, trace in found.items()}
    begin = min(int(times.min()) for times in utc.values()) // DAY_S * DAY_S
    count = (max(int(times.max()) for times in utc.values()) - begin) // (60 * STEP_MIN) + 1
    clear = known.roof.clear_wh(begin, STEP_MIN, count)
    days = [
        _by_day(trace, clear[serial][(utc[serial] - begin) // (60 * STEP_MIN)] * (60 / STEP_MIN), known)
        for serial, trace in found.items()
    ]
    told = [share for share in days if share.size]
    if not told:
        return None
    best = [float(share.max()) for share in told]
    return Shares(float(np.median(best)), max(best))


def _by_day(trace: Trace, clear_w: FloatArray, known: Known) -> FloatArray:
    """Return the share of each day with light enough."""
    day, place = np.unique(trace.naive // DAY_S, return_inverse=True)
    made, due = (np.bincount(place, np.maximum(w, 0), day.size) for w in (trace.values, clear_w))
    rows = np.bincount(place, minlength=day.size)
    hours = _step_s(trace.naive) / 3600
    told = (due * hours >= LEAST_DUE_H * known.rated_w) & (rows > 1)
    share: FloatArray = made[told] / due[told]
    return share


def shown_end(
    powers: Mapping[str, Trace], known: Known, to_utc: Callable[[IntArray], IntArray], step_s: int
) -> ShownEnd | None:
    """Return which end of their intervals times are by the light, None where it leaves that open."""
    found = {} if known.roof is None else brightest(powers, known)
    if known.roof is None or not found or step_s % 60:
        return None
    utc = {serial: to_utc(trace.naive) for serial, trace in found.items()}
    begin = min(int(times.min()) for times in utc.values())
    count = (max(int(times.max()) for times in utc.values()) - begin) // step_s + 1
    energies = {}
    for serial, trace in found.items():
        at, off = np.divmod(utc[serial] - begin, step_s)
        energies[serial] = np.full(count, np.nan)
        energies[serial][at[off == 0]] = np.maximum(trace.values[off == 0], 0) * step_s / 3600
    return known.roof.shown_end(begin, step_s // 60, energies)


def brightest(powers: Mapping[str, Trace], known: Known) -> dict[str, Trace]:
    """Return the units of the record in the brightest days of all."""
    found = {s: t for s, t in powers.items() if s in known.places and t.naive.size > 1}
    if not found:
        return {}
    day = np.concatenate([t.naive for t in found.values()]) // DAY_S
    first = int(day.min())
    light = np.bincount(day - first, np.maximum(np.concatenate([t.values for t in found.values()]), 0))
    sums = np.convolve(light, np.ones(MOST_DAYS))[MOST_DAYS - 1 :]  # of so many days from each on
    begin = (first + int(sums.argmax())) * DAY_S
    kept = {s: (t.naive >= begin) & (t.naive < begin + MOST_DAYS * DAY_S) for s, t in found.items()}
    return {s: Trace(t.naive[kept[s]], t.values[kept[s]]) for s, t in found.items() if kept[s].any()}


def _step_s(naive: IntArray) -> float:
    steps = np.abs(np.diff(naive))
    return float(np.median(steps[steps > 0])) if np.any(steps > 0) else 0.0
