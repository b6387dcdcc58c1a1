"""Lays energies of any start and length on a grid of intervals that are kept, a few cells of each unit at a time."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from service.store.grids import SMALLEST_COVER, FloatArray, IntArray

OPEN_CELLS = 3


class Laid(NamedTuple):
    """Starts and energies of cells that are done, each with the place of the energy after which it was."""

    places: IntArray
    starts: IntArray
    wh: FloatArray


class _Parts(NamedTuple):
    """Energies that lie within one cell each, the place of the one they are part of, and the seconds they cover."""

    places: IntArray
    cells: IntArray
    energy: FloatArray
    covered: IntArray


class Grid:
    """Cells of `interval_min` minutes; one is given out once later (or earlier) ones have begun to fill."""

    def __init__(self, interval_min: int) -> None:
        self.interval_min = interval_min
        self._step = interval_min * 60
        self._open: dict[str, dict[int, tuple[float, float]]] = {}

    def add(self, serial: str, start: int, duration_s: int, wh: float) -> Iterator[tuple[int, float]]:
        """Spread an energy evenly over its time; give the starts and energies of cells that are done."""
        cells = self._open.setdefault(serial, {})
        at, end = start, start + duration_s
        while at < end:
            cell = at // self._step * self._step
            until = min(end, cell + self._step)
            energy, covered = cells.pop(cell, (0.0, 0.0))
            cells[cell] = (energy + wh * (until - at) / duration_s, covered + until - at)
            at = until
        while len(cells) > OPEN_CELLS:
            done = next(iter(cells))
            yield from self._given(done, *cells.pop(done))

    def lay(self, serial: str, starts: IntArray, durations_s: IntArray, wh: FloatArray) -> Laid:
        """Take energies one after the other, as `add` does."""
        held = self._open.get(serial, {})
        part = self._parted(starts, durations_s, wh)
        cells = np.append(np.array(list(held), dtype=np.int64), part.cells)
        begins = np.flatnonzero(np.append(True, np.diff(cells) != 0)) if cells.size else cells
        if np.unique(cells).size != begins.size:  # a cell was left and is filled again
            return self._one_by_one(serial, starts, durations_s, wh)
        run = np.repeat(np.arange(begins.size), np.diff(np.append(begins, cells.size)))
        before = np.array(list(held.values()), dtype=np.float64).reshape(-1, 2)
        energy = np.bincount(run, np.append(before[:, 0], part.energy))
        covered = np.bincount(run, np.append(before[:, 1], part.covered))
        done, places = max(0, begins.size - OPEN_CELLS), np.append(np.zeros(len(held), np.int64), part.places)
        still = zip(energy[done:].tolist(), covered[done:].tolist(), strict=True)
        self._open[serial] = dict(zip(cells[begins[done:]].tolist(), still, strict=True))
        full = np.flatnonzero(covered[:done] >= SMALLEST_COVER * self._step)
        scaled = np.where(covered < self._step, energy * self._step / covered, energy)
        return Laid(places[begins[full + OPEN_CELLS]], cells[begins[full]], scaled[full])

    def _parted(self, starts: IntArray, durations_s: IntArray, wh: FloatArray) -> _Parts:
        """Return the energies parted at the cells' edges."""
        first = starts // self._step
        count = (starts + durations_s - 1) // self._step - first + 1
        places = np.repeat(np.arange(starts.size), count)
        within = np.arange(places.size) - np.repeat(np.cumsum(count) - count, count)
        cells = (first[places] + within) * self._step
        begin = np.maximum(starts[places], cells)
        lasted = np.minimum(starts[places] + durations_s[places], cells + self._step) - begin
        return _Parts(places, cells, wh[places] * lasted / durations_s[places], lasted)

    def _one_by_one(self, serial: str, starts: IntArray, durations_s: IntArray, wh: FloatArray) -> Laid:
        energies = zip(starts.tolist(), durations_s.tolist(), wh.tolist(), strict=True)
        found = [(i, *done) for i, energy in enumerate(energies) for done in self.add(serial, *energy)]
        places, cells, energy = zip(*found, strict=True) if found else ((), (), ())
        return Laid(np.array(places, dtype=np.int64), np.array(cells, dtype=np.int64), np.array(energy))

    def rest(self) -> Iterator[tuple[str, int, float]]:
        """Give what is still open."""
        for serial, cells in self._open.items():
            for cell, (energy, covered) in cells.items():
                for start, wh in self._given(cell, energy, covered):
                    yield serial, start, wh
        self._open = {}

    def _given(self, cell: int, energy: float, covered: float) -> Iterator[tuple[int, float]]:
        if covered >= SMALLEST_COVER * self._step:
            yield cell, energy * self._step / covered if covered < self._step else energy
