"""Reads a table row by row and cell by cell, as the reader would if it had time: what it must agree with.

It shares with it what a single cell, time or pair of readings means, and nothing of how many are read at once.
"""

from __future__ import annotations

import csv
import io
from bisect import bisect_right

import numpy as np

from service.intake.batch import Problem, counter_noted
from service.intake.export import words
from service.intake.export.blocks import Row
from service.intake.export.cells import Serials, number
from service.intake.export.counter import BEGAN_ANEW, Counters, Powers
from service.intake.export.dashes import NIGHT_DEG
from service.intake.export.grid import Grid
from service.intake.export.model import QUANTITIES, Column, Known, Recipe
from service.intake.export.noon import is_below
from service.intake.export.read import MOVED, SHOWN, Piece, Rejected, Tally, has_moved, kept_interval
from service.intake.export.survey import time_text
from service.intake.export.times import Stamp, parse
from service.intake.export.zones import Clockwork, zone_of
from service.intake.fields import INTERVALS_MIN
from service.intake.problems import told
from service.store.grids import Samples

LATEST = 1 << 62


def read_row_by_row(
    name: str, text: str, delimiter: str, recipe: Recipe, known: Known, tally: Tally
) -> Piece:
    """Return all that a text holds."""
    reader = RowByRow(name, recipe, known, tally)
    for at, row in enumerate(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter), start=1):
        if at > recipe.first_row and any(row):
            reader.take(at, row)
    reader.finish()
    return reader.piece()


class RowByRow:
    """Holds what one row says to the next: the clock's fold, the counters, cells of the grid not yet full."""

    def __init__(self, name: str, recipe: Recipe, known: Known, tally: Tally) -> None:
        self.rejected: list[Rejected] = []
        self._noted: list[Problem] = []
        self.size = 0
        self._name, self._recipe, self._tally = name, recipe, tally
        self._known, self._serials = known, Serials(known.serials)
        self._clock = Clockwork(zone_of(recipe.zone)) if recipe.zone else None
        self._factor = QUANTITIES[recipe.quantity]
        newest_first = recipe.newest_first
        self._counters = (
            Powers(self._factor, newest_first=newest_first)
            if recipe.irregular
            else Counters(known.rated_w, self._factor, newest_first=newest_first)
        )
        self._is_counter = recipe.irregular or recipe.quantity.startswith("counter")
        self._row_times: dict[str, int | str] = {}
        self._is_power = recipe.quantity.startswith("power")
        self._grid = Grid(kept_interval(recipe.interval_min))
        self._held: dict[str, list[tuple[int, int, float]]] = {}
        self._found: dict[tuple[str, str, int], tuple[list[int], list[float]]] = {}
        self._texts: dict[str, Stamp | None] = {}
        self._names: dict[str, str | None] = dict(recipe.aliases)
        self._last: dict[str, tuple[int, int, int]] = {}

    def take(self, at: int, row: Row) -> None:
        text = time_text(row, self._recipe.time_columns)
        stamp = self._stamp(text)
        if stamp is None or stamp.day is None or stamp.second is None:
            self._timeless(at, row)
            return
        if self._recipe.width and has_moved(row, self._recipe.width):
            self._reject(at, "", " | ".join(cell[:SHOWN] for cell in row), MOVED)
            return
        self._row_times.clear()
        if self._recipe.serial_column is not None and self._name_of(row) is None:
            reason = told("it names no unit, or its serial has lost digits")
            self._reject(at, "", " | ".join(row), reason)
            return
        for column in self._recipe.columns:
            self._cell(at, row, stamp, text, column)

    def _sorted(self) -> None:
        """Take the readings of counters that were held, by their times."""
        for serial, held in self._held.items():
            for seconds, at, value in sorted(held):
                self._counted(at, serial, repr(value), seconds, value)

    def _timeless(self, at: int, row: Row) -> None:
        if not words.is_remark(row):
            self._reject(at, "", " | ".join(row), told("its time cannot be read"))
            return
        self._tally.passed_over += 1
        self._tally.passed = self._tally.passed or " | ".join(filter(None, row))

    def finish(self) -> None:
        """Take what was held, and let go of the cells that are not full."""
        self._sorted()
        for serial, start, wh in self._grid.rest():
            self._keep(serial, "energy_wh", self._grid.interval_min, start, wh)

    def piece(self) -> Piece:
        """Return what was gathered and begin anew."""
        samples = [
            Samples(
                serial, channel, minutes, np.array(starts, dtype=np.int64), np.array(values, dtype=np.float64)
            )
            for (serial, channel, minutes), (starts, values) in self._found.items()
        ]
        found = Piece(samples, self.rejected, self._noted)
        self._found, self.rejected, self._noted, self.size = {}, [], [], 0
        return found

    # One cell

    def _cell(self, at: int, row: Row, stamp: Stamp, text: str, column: Column) -> None:
        cell = row[column.index] if len(row) > column.index else ""
        serial = column.serial if column.serial is not None else self._name_of(row)
        if not serial:
            return
        try:
            value = number(cell, self._recipe.decimal)
        except ValueError:
            self._reject(at, serial, cell, told("is not a number"))
            return
        if value in self._recipe.markers and not column.channel:
            value = None
        if value is None and not column.channel and words.is_dash(cell) and self._is_dark(stamp):
            value = 0.0
        if value is None:
            self._tally.missing += not column.channel
            return
        if serial not in self._row_times:
            self._row_times[serial] = self._utc(serial, stamp)
        if not column.channel:
            value *= column.factor
        seconds = self._row_times[serial]
        if isinstance(seconds, str):
            self._reject(at, serial, text, seconds)
        elif column.channel:
            self._beside(serial, column, seconds, stamp.naive, value)
        else:
            self._value(at, serial, cell, seconds, stamp.naive, value)

    def _is_dark(self, stamp: Stamp) -> bool:
        """Return whether a dash says that nothing was made then."""
        offset = stamp.offset
        if offset is None:
            offset = self._clock.offsets(stamp.naive)[0] if self._clock else 0
        at, known = np.array([stamp.naive - offset]), self._known
        low = bool(is_below(at, known.longitude, known.latitude, NIGHT_DEG)[0])
        return self._recipe.dash == "zero" or (self._recipe.dash == "night" and low)

    def _value(self, at: int, serial: str, cell: str, seconds: int, naive: int, value: float) -> None:
        minutes = self._minutes(serial, naive)
        step = minutes * 60
        if self._is_counter:
            seconds += {"start": step, "middle": step // 2, "end": 0}[self._recipe.label]
        else:
            seconds -= {"start": 0, "middle": step // 2, "end": step}[self._recipe.label]
        if self._is_counter and self._recipe.is_shuffled:
            self._held.setdefault(serial, []).append((seconds, at, value))
            return
        if self._is_counter:
            self._counted(at, serial, cell, seconds, value)
            return
        value *= self._factor
        if minutes in INTERVALS_MIN:
            self._keep(serial, "power_w" if self._is_power else "energy_wh", minutes, seconds, value)
        else:
            self._spread(serial, seconds, step, value * minutes / 60 if self._is_power else value)

    def _minutes(self, serial: str, naive: int) -> int:
        """Return how many minutes the unit's value at a time on its clock covers."""
        changes = self._recipe.intervals.get(serial)
        if not changes:
            return self._recipe.interval_min
        return changes[max(0, bisect_right(changes, (naive, LATEST)) - 1)][1]

    def _beside(self, serial: str, column: Column, seconds: int, naive: int, value: float) -> None:
        """Keep a value of a further channel in each interval kept that its own reaches into."""
        minutes = self._minutes(serial, naive)
        kept = kept_interval(minutes)
        start = seconds - {"start": 0, "middle": minutes * 30, "end": minutes * 60}[self._recipe.label]
        for cell in range(start // (kept * 60) * kept * 60, start + minutes * 60, kept * 60):
            self._keep(serial, column.channel, kept, cell, value * column.factor + column.shift)

    def _counted(self, at: int, serial: str, cell: str, seconds: int, value: float) -> None:
        made = self._counters.step(serial, seconds, value)
        self._tally.resets += made.reset
        self._tally.rollovers += made.rollover
        if made.reset or made.reason:
            self._noted.append(counter_noted(serial, seconds, made.reason or BEGAN_ANEW))
        if made.reason:
            self._reject(at, serial, cell, made.reason)
        elif (
            not self._recipe.irregular
            and made.duration_s in (5 * 60, 10 * 60, 15 * 60, 30 * 60, 60 * 60)
            and made.start % 60 == 0
        ):
            self._keep(serial, "energy_wh", made.duration_s // 60, made.start, made.wh)
        elif made.duration_s:
            self._spread(serial, made.start, made.duration_s, made.wh)

    def _spread(self, serial: str, start: int, duration_s: int, wh: float) -> None:
        for begin, part in self._grid.add(serial, start, duration_s, wh):
            self._keep(serial, "energy_wh", self._grid.interval_min, begin, part)

    def _keep(self, serial: str, channel: str, minutes: int, start: int, value: float) -> None:
        starts, values = self._found.setdefault((serial, channel, minutes), ([], []))
        starts.append(start)
        values.append(value)
        self.size += 1

    def _reject(self, at: int, serial: str, text: str, reason: str) -> None:
        self.rejected.append(Rejected(self._name, at, serial, text[:SHOWN], reason))
        self.size += 1

    # Names and times

    def _name_of(self, row: Row) -> str | None:
        column = self._recipe.serial_column
        text = row[column] if column is not None and len(row) > column else ""
        if text not in self._names:
            self._names[text] = self._serials.resolve(text) if text.strip() else None
        return self._names[text]

    def _stamp(self, text: str) -> Stamp | None:
        if text not in self._texts:
            found = parse(text, self._recipe.order)
            self._texts[text] = found and found.where(self._recipe.meant)
        return self._texts[text]

    def _utc(self, serial: str, stamp: Stamp) -> int | str:
        """Return the seconds since 1970, or why there are none."""
        naive, before = stamp.naive, self._last.get(serial)
        if self._recipe.is_shuffled:
            before = None
        if before is not None:
            self._tally.steps[abs(naive - before[0])] += 1
        if stamp.offset is not None or self._clock is None:
            self._last[serial] = (naive, 0, 0)
            return told("this time has no offset from UTC") if stamp.offset is None else naive - stamp.offset
        first, second = self._clock.offsets(naive)
        again = int(first > second and before is not None and self._is_second(naive, before))
        self._last[serial] = (naive, again, first - second)
        if first < second:
            return told("this time does not exist in the zone: the clock is put forward over it")
        is_first = self._recipe.is_shuffled or again == self._recipe.newest_first
        return naive - (first if is_first else second)

    def _is_second(self, naive: int, before: tuple[int, int, int]) -> bool:
        """Return whether a clock time that shows twice is at its second showing in the rows' order."""
        last, fold, twice = before
        back = naive > last if self._recipe.newest_first else naive < last
        back = back or (naive == last and self._recipe.interval_min == 60)
        return back or (fold == 1 and twice > 0)
