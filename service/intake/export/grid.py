"""Lays energies of any start and length on a grid of intervals that are kept, a few cells of each unit at a time."""

from __future__ import annotations

from collections.abc import Iterator

from service.store.grids import SMALLEST_COVER

OPEN_CELLS = 3


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
