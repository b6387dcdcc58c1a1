"""How much of a clear sky's light values are on days whose curves show the sun itself: then no cloud explains a level.

Under a closed sky planes that face differently have the same light. Where each follows its own curve of a clear sky for
hours, and to the same level on two days, the beam is that of a clear sky, and whatever is far below or above its level
is another quantity. A plane that lies much like flat ground shows nothing: a thin even cloud would look the same.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from service.intake.export.due import brightest
from service.intake.export.model import Known
from service.intake.export.survey import Trace
from service.intake.export.times import DAY_S
from service.intake.export.zones import Clockwork, zone_of
from service.store.grids import FloatArray, IntArray

STEPS_MIN = (5, 10, 15)
"""Of longer intervals Wh and W are too little apart for a record that errs by half."""

BRIGHT = (0.25, 0.95)
"""Of the rating, as a clear sky gives it: below, models of the sky differ, above, inverters clip."""

LEAST_FLAT = 0.6
"""Of the rating, what a flat unit would give at noon: a sun 35 degrees high, under which no even snow stays."""

LEAST_H = 4.0
LEAST_DAYS = 2
LEAST_SPREAD = float(np.log(1.8))
"""Over the day, in what a plane has of a clear sky over what it would have if it were flat."""

USUAL = 0.75
"""Of a plane's units, some of which may give nothing or stand in shade."""

SLOPE = (0.9, 1.1)
MOST_OFF = 0.06
"""Of the level: how far a clear day's curve is off that of the record's planes, and one day's level off another's."""

MOST_APART = 0.2
"""Of the level: planes and their units differ in dirt and age."""


def clear_level(powers: Mapping[str, Trace], known: Known) -> float | None:
    """Return the level of powers in W over a clear sky's on days that show the beam, None where none do.

    The times are taken for those of the site's clock, as starts or as ends: if they are of another, no beam shows.
    """
    found = {} if known.roof is None else brightest(powers, known)
    step_s = _step_s(found)
    if known.roof is None or step_s not in [60 * minutes for minutes in STEPS_MIN]:
        return None
    clock = Clockwork(zone_of(known.zone))
    times = {serial: clock.utc(trace.naive) for serial, trace in found.items()}
    begin = min(int(at.min()) for at in times.values()) // DAY_S * DAY_S
    count = (max(int(at.max()) for at in times.values()) - begin) // step_s + 1
    made = {s: _on_grid(times[s], found[s].values, begin, step_s, count) for s in found}
    hours = step_s / 3600
    for late in (0, 1):
        start = begin - late * step_s
        clear, flat = (
            known.roof.clear_wh(start, step_s // 60, count, laid_flat=laid_flat)
            for laid_flat in (False, True)
        )
        planes = [
            _middle(
                [serial for serial in found if known.places[serial].plane == plane], made, clear, flat, hours
            )
            for plane in {known.places[serial].plane for serial in found}
        ]
        day = (start + np.arange(count) * step_s + clock.offset_at(np.array([start]))[0]) // DAY_S
        if (level := _level(planes, day, known.rated_w, hours)) is not None:
            return level
    return None


def _step_s(found: Mapping[str, Trace]) -> int:
    steps = [np.diff(np.unique(trace.naive)) for trace in found.values()]
    every = np.concatenate(steps) if steps else np.array([0])
    return int(np.median(every)) if every.size else 0


def _on_grid(times: IntArray, watts: FloatArray, begin: int, step_s: int, count: int) -> FloatArray:
    at, off = np.divmod(times - begin, step_s)
    found = np.full(count, np.nan)
    found[at[off == 0]] = watts[off == 0]
    return found


def _middle(
    serials: Sequence[str],
    made: Mapping[str, FloatArray],
    clear: Mapping[str, FloatArray],
    flat: Mapping[str, FloatArray],
    hours: float,
) -> FloatArray:
    """Return of a plane's usual unit what it made, has of a clear sky, and would have if it were flat, W (3, T)."""
    units = np.array([[made[s], clear[s] / hours, flat[s] / hours] for s in serials])
    expected = units[:, 1:].mean(axis=0)
    share = np.full(units.shape[2], np.nan)
    told = (expected[0] > 0) & ~np.isnan(units[:, 0]).all(axis=0)
    due = np.where(units[:, 1, told] > 0, units[:, 1, told], np.nan)
    share[told] = np.nanquantile(units[:, 0, told] / due, USUAL, axis=0)
    return np.array([share * expected[0], *expected])


def _level(planes: Sequence[FloatArray], day: IntArray, rated_w: float, hours: float) -> float | None:
    """Return the level on days whose curves are those of a clear sky, None if they are too few or not of one level."""
    levels = [
        level
        for one in np.unique(day)
        if (level := _level_of_day([plane[:, day == one] for plane in planes], rated_w, hours)) is not None
    ]
    middle = float(np.median(levels)) if levels else 0.0
    alike = [level for level in levels if abs(level / middle - 1) <= MOST_OFF]
    return middle if len(alike) >= LEAST_DAYS and len(alike) == len(levels) else None


def _level_of_day(planes: Sequence[FloatArray], rated_w: float, hours: float) -> float | None:
    is_bright = [
        (clear > BRIGHT[0] * rated_w) & (clear < BRIGHT[1] * rated_w) & (flat > 0) & (made > 0)
        for made, clear, flat in planes
    ]
    highest = max(float(flat.max()) for _, _, flat in planes)
    if np.any(is_bright, axis=0).sum() * hours < LEAST_H or highest < LEAST_FLAT * rated_w:
        return None
    lit = [plane[:, bright] for plane, bright in zip(planes, is_bright, strict=True) if bright.any()]
    levels = [float(np.median(np.log(made / clear))) for made, clear, _ in lit]
    due = np.concatenate([np.log(clear / flat) for _, clear, flat in lit])
    own = np.concatenate(
        [np.log(made / flat) - level for (made, _, flat), level in zip(lit, levels, strict=True)]
    )
    is_followed = np.std(own - due) <= MOST_OFF and np.ptp(levels) <= MOST_APART
    if not is_followed or np.ptp(np.quantile(due, [0.05, 0.95])) < LEAST_SPREAD:
        return None
    slope = float(np.polyfit(due, own, 1)[0])
    return float(np.exp(np.median(levels))) if SLOPE[0] <= slope <= SLOPE[1] else None
