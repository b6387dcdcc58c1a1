"""Streams a table's samples by its recipe, in pieces of bounded size. What a value can be is for `limits`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from math import nan
from typing import NamedTuple

import numpy as np

from service.intake.batch import Problem, counter_noted
from service.intake.export import words
from service.intake.export.blocks import Block, Row, Texts, joined
from service.intake.export.cells import Serials, dashes, numbers
from service.intake.export.counter import BEGAN_ANEW, Counters, Meter, Powers
from service.intake.export.dashes import NIGHT_DEG
from service.intake.export.draft import listed
from service.intake.export.grid import Grid
from service.intake.export.model import QUANTITIES, Column, Known, Recipe
from service.intake.export.noon import is_below
from service.intake.export.survey import time_text
from service.intake.export.tables import Seen, Table
from service.intake.export.times import DAY_S, NO_OFFSET, parse_all
from service.intake.export.zones import Clockwork, zone_of
from service.intake.fields import INTERVALS_MIN
from service.intake.problems import FieldError, Refused, mark, told
from service.store.grids import BoolArray, FloatArray, IntArray, Samples

PIECE_VALUES = 400_000
PIECE_DAYS = 20_000
"""Days of single units, each of which is a row of the store."""
HOUR_MIN = 60
SHOWN = 200
_TO_START = {"start": 0, "middle": -30, "end": -60}
"""Seconds for each minute of an interval from its time to its start; a counter counts at its end."""


MOVED = mark("it has more cells than the others; a sign that parts cells may stand within one")


def has_moved(row: Row, width: int) -> bool:
    """Return whether a row has a number beyond its columns."""
    return any(any(map(str.isdigit, cell)) and words.is_plain_number(cell) for cell in row[width:])


class Rejected(NamedTuple):
    """A cell or row that was not taken, by its row (counted from 1), and why."""

    table: str
    row: int
    serial: str
    text: str
    reason: str


@dataclass(frozen=True)
class Piece:
    """Some of a table's samples, what was rejected on the way, and what was noticed about counters."""

    samples: list[Samples]
    rejected: list[Rejected]
    noted: list[Problem]


@dataclass
class Tally:
    """What was noticed while reading: resets and roll-overs of counters, steps of another length, missing cells."""

    resets: int = 0
    rollovers: int = 0
    missing: int = 0
    passed_over: int = 0
    passed: str = ""
    """Lines that are no readings, and the first of them."""
    steps: Counter[int] = field(default_factory=Counter)

    def add_steps(self, steps: IntArray) -> None:
        """Count steps, in seconds."""
        sizes, counts = np.unique(np.abs(steps), return_counts=True)
        self.steps.update(dict(zip(sizes.tolist(), counts.tolist(), strict=True)))

    def pass_over(self, row: Row) -> None:
        """Count a line that is no reading."""
        self.passed_over += 1
        self.passed = self.passed or " | ".join(filter(None, row))

    def warnings(self, recipe: Recipe) -> list[str]:
        """Return in words what a person should know."""
        interval_min = recipe.interval_min
        found: list[str] = []
        if self.resets:
            found.append(
                told(
                    "a running counter began anew {times} times; what it showed then was taken as made since",
                    times=self.resets,
                )
            )
        if self.rollovers:
            found.append(told("a running counter rolled over {times} times", times=self.rollovers))
        if self.passed_over:
            line = self.passed[:60]
            found.append(
                told(
                    "{count} lines without readings were passed over, such as {line}",
                    count=self.passed_over,
                    line=line,
                )
            )
        known = {interval_min, *(m for changes in recipe.intervals.values() for _, m in changes)}
        other = {
            s: n
            for s, n in self.steps.items()
            if s and s // 60 not in known and n > 0.03 * self.steps.total()
        }
        if recipe.irregular:
            return found
        if other:
            found.append(
                told(
                    "{count} steps are of {steps} min; each value was taken as of {minutes} min",
                    count=sum(other.values()),
                    steps=listed(f"{step / 60:g}" for step in sorted(other)),
                    minutes=interval_min,
                )
            )
        return found


def read(
    table: Table,
    recipe: Recipe,
    known: Known,
    tally: Tally,
    seen: Seen = lambda _: None,
    meter: Meter | None = None,
) -> Iterator[Piece]:
    """Give the table's samples, piece by piece; Refused where it is damaged, when all before was given.

    `meter` has the last readings of a table before it that this one may go on from.
    """
    reader = _Reader(table.name, recipe, known, tally, meter or meter_of(recipe, known))
    before, damage = 0, None
    try:
        for block in table.blocks(seen):
            reader.take(before, block)
            before += block.size
            if reader.is_full:
                yield reader.piece()
    except Refused as why:
        damage = why
    for _ in reader.sorted_units():
        if reader.is_full:
            yield reader.piece()
    reader.finish()
    if reader.size:
        yield reader.piece()
    if damage is not None:
        end = told("{rows} rows before the damage were read", rows=before)
        raise Refused([*damage.errors, FieldError(table.name, end)])


def meter_of(recipe: Recipe, known: Known) -> Meter:
    """Return what turns the readings of a recipe into energies, if they are none."""
    factor, newest_first = QUANTITIES[recipe.quantity], recipe.newest_first
    if recipe.irregular:
        return Powers(factor, newest_first=newest_first)
    return Counters(known.rated_w, factor, newest_first=newest_first)


class _Times(NamedTuple):
    """The rows' times: whether one can be read, on the clock that wrote it, and by how much that is ahead of UTC.

    `later` is by how much if the clock shows this time twice and it is the second time.
    """

    readable: BoolArray
    naive: IntArray
    ahead: IntArray
    later: IntArray


class _Last(NamedTuple):
    """A unit's last reading: its time on the clock, and whether that was shown for the second time."""

    naive: int
    again: bool


class _Heard(NamedTuple):
    """Rows of one unit with a value in one column: starts in UTC, times on the clock, minutes covered, bare numbers."""

    rows: IntArray
    utc: IntArray
    minutes: IntArray
    values: FloatArray


class _Rejecting:
    """Gathers what is rejected of a block."""

    def __init__(self, table: str, before: int, block: Block, tally: Tally) -> None:
        self.found: list[Rejected] = []
        self._table, self._before, self._block, self._tally = table, before, block, tally

    def timeless(self, rows: IntArray) -> None:
        """Reject rows, but for those that are no readings."""
        unreadable = told("its time cannot be read")
        for i, row in self._shown(rows):
            shown = [cell[:SHOWN] for cell in row]  # patterns take long for long cells
            if any(row) and (i in self._block.faults or not words.is_remark(shown)):
                self._add(i, "", " | ".join(shown), self._block.faults.get(i, unreadable))
            elif any(row):
                self._tally.pass_over(row)

    def moved(self, rows: IntArray, width: int) -> list[int]:
        """Reject rows with a number beyond the last column, and return them: a remark there moves nothing."""
        found = [(i, row) for i, row in self._shown(rows) if has_moved(row, width)]
        for i, row in found:
            self._add(i, "", " | ".join(cell[:SHOWN] for cell in row), told(MOVED))
        return [i for i, _ in found]

    def nameless(self, rows: IntArray) -> None:
        """Reject rows without a unit."""
        for i, row in self._shown(rows):
            self._add(i, "", " | ".join(row), told("it names no unit, or its serial has lost digits"))

    def numbers(self, rows: IntArray) -> IntArray:
        """Return the numbers of rows in the table, counted from 1."""
        return rows + self._before + 1

    def cells(self, rows: IntArray, serial: str, columns: tuple[int, ...], reason: str) -> None:
        """Reject a unit's cells."""
        for i, row in self._shown(rows):
            self._add(i, serial, time_text(row, columns), reason)

    def _shown(self, rows: IntArray) -> Iterator[tuple[int, Row]]:
        return zip(rows.tolist(), self._block.rows(rows.tolist()), strict=True)

    def _add(self, row: int, serial: str, text: str, reason: str) -> None:
        self.found.append(Rejected(self._table, self._before + row + 1, serial, text[:SHOWN], reason))


class _Reader:
    """Holds what one block says to the next: the clock's fold, the counters, cells of the grid not yet full."""

    def __init__(self, name: str, recipe: Recipe, known: Known, tally: Tally, meter: Meter) -> None:
        self.size = self._days = 0
        self._table, self._recipe, self._tally = name, recipe, tally
        self._known, self._serials = known, Serials(known.serials)
        self._clock = Clockwork(zone_of(recipe.zone)) if recipe.zone else None
        self._factor = QUANTITIES[recipe.quantity]
        self._meter = meter
        self._is_counter = recipe.irregular or recipe.quantity.startswith("counter")
        self._is_power = recipe.quantity.startswith("power")
        self._shift = _TO_START[recipe.label] + (60 if self._is_counter else 0)
        self._grid = Grid(kept_interval(recipe.interval_min))
        self._found: dict[tuple[str, str, int], list[tuple[IntArray, FloatArray]]] = {}
        self._rejected: list[Rejected] = []
        self._noted: list[Problem] = []
        self._last: dict[str, _Last] = {}
        self._held: dict[str, list[_Heard]] = {}

    @property
    def is_full(self) -> bool:
        """Return whether enough was gathered for a piece."""
        return self.size >= PIECE_VALUES or self._days >= PIECE_DAYS

    def take(self, before: int, block: Block) -> None:
        """Take the rows of a block that has so many before it."""
        recipe, out = self._recipe, _Rejecting(self._table, before, block, self._tally)
        named = () if recipe.serial_column is None else (recipe.serial_column,)
        places = [c.index for c in recipe.columns]
        texts = (*recipe.time_columns, *named)
        columns = block.columns(texts, places, recipe.decimal, as_texts=recipe.dash != "missing")
        cells = dict(zip(places, columns.values, strict=True))
        values = {i: numbers(found, recipe.decimal) for i, found in cells.items()}
        for column in recipe.columns:
            if recipe.markers and not column.channel:
                marked = np.isin(values[column.index], recipe.markers)
                values[column.index] = np.where(marked, nan, values[column.index])
            if column.factor != 1 and not column.channel:
                values[column.index] = values[column.index] * column.factor
        times = self._times(columns.texts[: len(recipe.time_columns)])
        times.readable[list(block.faults)] = False
        if recipe.dash != "missing":
            dark = self._is_dark(times)
            for column in recipe.columns:
                if not column.channel:
                    values[column.index][dashes(cells[column.index]) & dark] = 0.0
        data = np.arange(block.size) >= recipe.first_row - before
        if recipe.width and columns.widths is not None:
            moved = out.moved(
                np.flatnonzero(data & times.readable & (columns.widths > recipe.width)), recipe.width
            )
            data[moved] = False
        out.timeless(np.flatnonzero(data & ~times.readable))
        rows = np.flatnonzero(data & times.readable)
        for unit, own, of_unit in self._units(rows, columns.texts[-1], out):
            self._unit(unit, own, {c: values[c.index] for c in of_unit}, times, out)
        self._rejected += sorted(out.found, key=lambda r: r.row)
        self.size += len(out.found)

    def finish(self) -> None:
        """Let go of the cells that are not full."""
        for serial, start, wh in self._grid.rest():
            self._keep(serial, "energy_wh", self._grid.interval_min, np.array([start]), np.array([wh]))

    def piece(self) -> Piece:
        """Return what was gathered and begin anew."""
        samples = [
            Samples(*key, *(np.concatenate(parts) for parts in zip(*found, strict=True)))
            for key, found in self._found.items()
        ]
        piece = Piece(samples, self._rejected, self._noted)
        self._found, self._rejected, self._noted, self.size, self._days = {}, [], [], 0, 0
        return piece

    # Columns

    def _times(self, columns: list[Texts]) -> _Times:
        texts = joined(columns)
        readable, naive, offset = parse_all(texts.distinct, self._recipe.order, self._recipe.meant)
        first, second = offset.copy(), offset.copy()
        bare = offset == NO_OFFSET
        if self._clock is not None and bare.any():
            first[bare], second[bare] = self._clock.both(naive[bare])
        at = texts.codes
        return _Times(readable[at], naive[at], first[at], second[at])

    def _is_dark(self, times: _Times) -> BoolArray:
        """Return at which times a dash says that nothing was made."""
        if self._recipe.dash == "zero":
            return times.readable
        utc = times.naive - np.where(times.ahead == NO_OFFSET, 0, times.ahead)
        return is_below(utc, self._known.longitude, self._known.latitude, NIGHT_DEG)

    def _units(
        self, rows: IntArray, names: Texts, out: _Rejecting
    ) -> Iterator[tuple[str, IntArray, list[Column]]]:
        """Give each unit with its rows and its columns."""
        columns = self._recipe.columns
        if self._recipe.serial_column is None:
            for serial in dict.fromkeys(c.serial for c in columns):
                yield str(serial), rows, [c for c in columns if c.serial == serial]
            return
        named = [self._name(text) for text in names.distinct.to_pylist()]
        units = list(dict.fromkeys(filter(None, named)))
        number: dict[str | None, int] = {None: -2, "": -1, **{unit: i for i, unit in enumerate(units)}}
        unit = np.array([number[n] for n in named], dtype=np.int32)[names.codes[rows]]
        out.nameless(rows[unit == number[None]])
        order = np.argsort(unit, kind="stable")
        bounds = np.searchsorted(unit[order], np.arange(len(units) + 1))
        for i, name in enumerate(units):
            yield name, rows[order[bounds[i] : bounds[i + 1]]], list(columns)

    def _name(self, text: str) -> str | None:
        """Return the serial that a row's name means, none if it is to be left out, None if it means none."""
        if text in self._recipe.aliases:
            return self._recipe.aliases[text]
        return self._serials.resolve(text) if text.strip() else None

    # One unit

    def _unit(
        self, serial: str, rows: IntArray, columns: dict[Column, FloatArray], times: _Times, out: _Rejecting
    ) -> None:
        for column, values in columns.items():
            out.cells(rows[np.isinf(values[rows])], serial, (column.index,), told("is not a number"))
            self._tally.missing += 0 if column.channel else int(np.count_nonzero(np.isnan(values[rows])))
        rows = rows[np.any([np.isfinite(values[rows]) for values in columns.values()], axis=0)]
        if not rows.size:
            return
        ahead = self._ahead(serial, rows, times)
        bare, leapt = ahead == NO_OFFSET, times.ahead[rows] < times.later[rows]
        for column, values in columns.items():
            there = np.isfinite(values[rows])
            self._timed_out(serial, rows[there & bare], rows[there & leapt], out)
            sound = there & ~bare & ~leapt
            own = rows[sound]
            minutes = self._minutes(serial, times.naive[own])
            heard = _Heard(own, times.naive[own] - ahead[sound], minutes, values[own])
            self._beside(serial, column, heard) if column.channel else self._values(
                serial, column, heard, out
            )

    def _timed_out(self, serial: str, bare: IntArray, leapt: IntArray, out: _Rejecting) -> None:
        columns = self._recipe.time_columns
        out.cells(bare, serial, columns, told("this time has no offset from UTC"))
        why = told("this time does not exist in the zone: the clock is put forward over it")
        out.cells(leapt, serial, columns, why)

    def _ahead(self, serial: str, rows: IntArray, times: _Times) -> IntArray:
        """Return by how much the clock is ahead; a time that shows twice tells by the rows before it which it is."""
        naive, first, second = times.naive[rows], times.ahead[rows], times.later[rows]
        if self._recipe.is_shuffled:
            return first
        last = self._last.get(serial)
        steps = np.diff(naive, prepend=naive[0] if last is None else last.naive)
        self._tally.add_steps(steps if last else steps[1:])
        back = steps > 0 if self._recipe.newest_first else steps < 0
        if self._recipe.interval_min == HOUR_MIN:
            back[0 if last else 1 :] |= (
                steps[0 if last else 1 :] == 0
            )  # the hour that comes twice is two rows
        again = np.zeros(rows.size, dtype=bool)
        for i in np.flatnonzero(first > second).tolist():
            again[i] = back[i] or (again[i - 1] if i else last is not None and last.again)
        self._last[serial] = _Last(int(naive[-1]), bool(again[-1]))
        found: IntArray = np.where(again == self._recipe.newest_first, first, second)
        return found

    def _minutes(self, serial: str, naive: IntArray) -> IntArray:
        """Return how many minutes the unit's values at times on its clock cover."""
        changes = self._recipe.intervals.get(serial)
        if not changes:
            return np.full_like(naive, self._recipe.interval_min)
        since, minutes = np.array(changes, dtype=np.int64).T
        found: IntArray = minutes[np.maximum(np.searchsorted(since, naive, "right") - 1, 0)]
        return found

    def _values(self, serial: str, column: Column, heard: _Heard, out: _Rejecting) -> None:
        _, utc, minutes, values = heard
        utc = utc + minutes * self._shift
        if self._is_counter:
            self._hear(serial, column, heard._replace(utc=utc), out)
            return
        values, whole = values * self._factor, np.isin(minutes, INTERVALS_MIN)
        if self._is_power:
            self._keep_each(serial, "power_w", minutes[whole], utc[whole], values[whole])
            utc, minutes, values = utc[~whole], minutes[~whole], (values * minutes / 60)[~whole]
            whole = whole[~whole]
        self._lay(serial, utc, 60 * minutes, values, whole)

    def _beside(self, serial: str, column: Column, heard: _Heard) -> None:
        """Keep values of a further channel in each interval kept that their own reach into."""
        _, utc, minutes, values = heard
        starts = utc + _TO_START[self._recipe.label] * minutes
        values = values * column.factor + column.shift
        for length in np.unique(minutes).tolist():
            own, kept = np.flatnonzero(minutes == length), kept_interval(length) * 60
            first = starts[own] // kept * kept
            count = -((first - starts[own] - length * 60) // kept)
            place = np.repeat(np.arange(own.size), count)
            within = np.arange(place.size) - np.repeat(np.cumsum(count) - count, count)
            self._keep(serial, column.channel, kept // 60, first[place] + within * kept, values[own][place])

    def _hear(self, serial: str, column: Column, heard: _Heard, out: _Rejecting) -> None:
        """Take readings of a counter, or hold them until all are there and can be sorted."""
        if self._recipe.is_shuffled:
            self._held.setdefault(serial, []).append(heard._replace(rows=out.numbers(heard.rows)))
            return
        for place, reason in self._counted(serial, heard):
            out.cells(heard.rows[place : place + 1], serial, (column.index,), reason)

    def sorted_units(self) -> Iterator[str]:
        """Give each unit whose readings were held, when they have been taken in the order of their times."""
        for serial in list(self._held):
            heard = _Heard(*map(np.concatenate, zip(*self._held.pop(serial), strict=True)))
            order = np.lexsort((heard.rows, heard.utc))
            rows, utc, minutes, values = heard
            heard = _Heard(rows[order], utc[order], minutes[order], values[order])
            for place, reason in self._counted(serial, heard):
                row, value = int(heard.rows[place]), float(heard.values[place])
                self._rejected.append(Rejected(self._table, row, serial, repr(value), reason))
                self.size += 1
            yield serial

    def _counted(self, serial: str, heard: _Heard) -> Iterator[tuple[int, str]]:
        """Lay what was made between readings, and give those that are not taken, by their places, and why."""
        made = self._meter.steps(serial, heard.utc, heard.values)
        for place, odd in made.odd.items():
            self._tally.resets += odd.reset
            self._tally.rollovers += odd.rollover
            if odd.reset or odd.reason:
                at = int(heard.utc[place])
                self._noted.append(counter_noted(serial, at, odd.reason or BEGAN_ANEW))
            if odd.reason:
                yield place, odd.reason
        some = made.duration_s > 0
        starts, lasted, wh = made.start[some], made.duration_s[some], made.wh[some]
        whole = (
            np.isin(lasted, [60 * m for m in INTERVALS_MIN])
            & (starts % 60 == 0)
            & (not self._recipe.irregular)
        )
        self._lay(serial, starts, lasted, wh, whole)

    # Keeping

    def _lay(self, serial: str, starts: IntArray, lasted: IntArray, wh: FloatArray, whole: BoolArray) -> None:
        """Keep energies: the `whole` ones as they are, the others laid on intervals that are kept."""
        laid = self._grid.lay(serial, starts[~whole], lasted[~whole], wh[~whole])
        places = np.append(np.flatnonzero(whole), np.flatnonzero(~whole)[laid.places])
        minutes = np.append(lasted[whole] // 60, np.full_like(laid.places, self._grid.interval_min))
        starts, wh = np.append(starts[whole], laid.starts), np.append(wh[whole], laid.wh)
        order = np.argsort(places, kind="stable")
        self._keep_each(serial, "energy_wh", minutes[order], starts[order], wh[order])

    def _keep_each(
        self, serial: str, channel: str, minutes: IntArray, starts: IntArray, values: FloatArray
    ) -> None:
        for length in np.unique(minutes).tolist():
            own = minutes == length
            self._keep(serial, channel, length, starts[own], values[own])

    def _keep(self, serial: str, channel: str, minutes: int, starts: IntArray, values: FloatArray) -> None:
        if starts.size:
            self._found.setdefault((serial, channel, minutes), []).append((starts, values))
            self.size += starts.size
            self._days += np.unique(starts // DAY_S).size


def kept_interval(minutes: int) -> int:
    """Return the interval that is kept for values of so many minutes: itself, or what it is parted or joined to."""
    parts = [k for k in INTERVALS_MIN if minutes % k == 0]
    shorter = [k for k in INTERVALS_MIN if k <= minutes]
    return (parts or shorter or [INTERVALS_MIN[0]])[-1]
