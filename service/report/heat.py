"""All units by time: what each made of what was expected in every hour, and the step of a scale that this is.

Pure functions from curves to numbers; `heat_map` draws them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from service.report.days import Series, light_minutes, unit_series
from service.report.language import gettext as _
from service.report.sheets import RATIO, TENTH, Column, Row, Table, in_zone, rounded
from service.verify.result import Curves

Floats = NDArray[np.float64]
Steps = NDArray[np.int64]

BOUNDS = (0.9, 0.75, 0.5, 0.25, 0.05)
"""Performance indices at which a cell takes the next darker step; an hour scatters more than a day, and less than a
tenth is no news (from memory)."""

ABOVE = 1.25
"""From here on a cell is marked as above what was expected."""

TOO_DARK = 0.05
"""Share of the unit's brightest hour below which an index says nothing: dawn and dusk (common practice, no source)."""

BLANK, UNHEARD, BRIGHT = -1, -2, len(BOUNDS) + 1
"""Cells that are no step of the scale: too dark to tell, not heard, above what was expected."""


@dataclass(frozen=True)
class Cells:
    """Energies of U units on D days in H slots from the minute `first_min` on, (U, D, H), over the intervals heard.

    `due_all_wh` is expected over all intervals, heard or not.
    """

    serials: tuple[str, ...]
    days: tuple[date, ...]
    first_min: int
    slot_min: int
    made_wh: Floats
    due_wh: Floats
    due_all_wh: Floats

    @property
    def index(self) -> Floats:
        """Return measured over expected; NaN where not heard or too dark to tell."""
        told = (self.due_wh > 0) & self.lit
        return np.asarray(
            np.divide(self.made_wh, self.due_wh, out=np.full(self.made_wh.shape, np.nan), where=told)
        )

    @property
    def lit(self) -> NDArray[np.bool_]:
        """Return where there is light enough for an index."""
        brightest = self.due_all_wh.max(axis=(1, 2), initial=0.0, keepdims=True)
        return np.asarray((self.due_all_wh > 0) & (self.due_all_wh >= TOO_DARK * brightest))

    @property
    def steps(self) -> Steps:
        """Return each cell's step of the scale, or BLANK, UNHEARD or BRIGHT."""
        index = np.nan_to_num(self.index)
        step = sum((index < bound).astype(np.int64) for bound in BOUNDS)
        step = np.where(index > ABOVE, BRIGHT, step)
        return np.asarray(np.where(~self.lit, BLANK, np.where(self.due_wh > 0, step, UNHEARD)))


def cells(curves: Curves, serials: Sequence[str], zone: ZoneInfo, slot_min: int) -> Cells:
    """Return the units' energies by day and slot."""
    series = [unit_series(curves, serial, zone) for serial in serials]
    first, last = light_minutes(series)
    first = first // slot_min * slot_min
    slots = -(-(last - first) // slot_min)
    sums = [_sums(one, first, slot_min, slots) for one in series]
    made, due, due_all = (np.array([s[k] for s in sums]) for k in range(3))
    return Cells(tuple(serials), series[0].days if series else (), first, slot_min, made, due, due_all)


def _sums(series: Series, first_min: int, slot_min: int, slots: int) -> tuple[Floats, Floats, Floats]:
    slot = (series.minute - first_min) // slot_min
    inside = (slot >= 0) & (slot < slots)
    place = series.day * slots + slot
    heard = inside & series.heard
    known = inside & np.isfinite(series.expected_wh)
    pairs = ((heard, series.measured_wh), (heard, series.expected_wh), (known, series.expected_wh))
    made, due, due_all = (
        np.bincount(place[use], values[use], len(series.days) * slots).astype(float).reshape(-1, slots)
        for use, values in pairs
    )
    return made, due, due_all


def by_hour(found: Cells, planes: Mapping[str, str], zone: ZoneInfo, name: str) -> Table:
    """Return every cell with light as a line of a table for a file."""
    columns = (
        Column(_("Unit"), width=20),
        Column(_("Roof plane"), width=20),
        Column(in_zone(_("From"), zone), width=18),
        Column(_("Minutes"), "0"),
        Column(_("Measured [Wh]"), TENTH),
        Column(_("Expected [Wh]"), TENTH),
        Column(_("Performance index"), RATIO),
        Column(_("Heard [%]"), TENTH),
    )
    return Table(name, columns, _lines(found, planes))


def _lines(found: Cells, planes: Mapping[str, str]) -> Iterator[Row]:
    index = found.index
    for unit, day, slot in np.argwhere(found.due_all_wh > 0).tolist():
        at = (unit, day, slot)
        heard = found.due_wh[at] / found.due_all_wh[at]
        start = datetime.combine(found.days[day], time()) + timedelta(
            minutes=found.first_min + slot * found.slot_min
        )
        serial = found.serials[unit]
        yield (
            serial,
            planes.get(serial, ""),
            start,
            found.slot_min,
            rounded(float(found.made_wh[at]), 1) if heard else None,
            rounded(float(found.due_wh[at]), 1) if heard else None,
            rounded(float(index[at]), 4) if np.isfinite(index[at]) else None,
            rounded(100 * float(heard), 2),
        )


def by_day(found: Cells) -> list[tuple[str, list[float | None]]]:
    """Return each unit's performance index of each day; None where it was not heard."""
    made, due = found.made_wh.sum(axis=2), found.due_wh.sum(axis=2)
    return [
        (serial, [float(m / d) if d > 0 else None for m, d in zip(made[i], due[i], strict=True)])
        for i, serial in enumerate(found.serials)
    ]
