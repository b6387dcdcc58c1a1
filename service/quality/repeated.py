"""The same curve twice, value by value: a day of a unit sent for another day, or one unit's readings sent for two.

Two units on one plane under one sky differ by their tolerances and by noise, so that equal values in a row become ever
less likely. How unlikely is counted in bits: by how few of their neighbours agree just then, or by the tolerance alone,
where values of a coarse register say little, and values at a limit or those that only go on repeating say nothing.
Compared are parts of a day at the same time of day, and only parts in a row count together.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from service.quality.model import LEAST_NEIGHBOURS, Arrived, Finding, finding
from service.store.grids import BoolArray, FloatArray, IntArray

SPREAD = 0.02
"""Share by which two honest values differ at least (makers give their modules' power to some percent)."""

LEAST_BITS = 45.0
"""Of 24 units in 14 days some 2^14 parts are compared, on a million sites; a few bits more for what is misjudged."""

MOST_BITS_BY_NEIGHBOURS = 1.0
"""Two units that stand alike where the record has them among others agree more often than those."""

LEAST_MADE = 4
PART_BITS = 2.0
FEW_STEPS = 2.5
BITS_OF_A_VALUE = 8.0
LEAST_CELLS = 12
FINEST_SHARE = 1e-3
MOST_ASKED = 12
PARTS_OF_DAY = (8, 4, 2, 1)


class _Part(NamedTuple):
    unit: int
    day: int
    part: int


class _Twins(NamedTuple):
    """A unit, the one whose values it has, and how many days later it has them."""

    unit: int
    other: int
    later: int


def find(arrived: Arrived) -> list[Finding]:
    """Return one finding on units whose readings are another's, and one on days that are another day's."""
    twins = _twins(arrived)
    same = [part for pair, parts in twins.items() if pair.later == 0 for both in parts for part in both]
    copies = [copy for pair, parts in twins.items() if pair.later for _, copy in parts]
    found = (("repeated_unit", same), ("repeated_day", copies))
    return [_finding(arrived, kind, parts) for kind, parts in found if parts]


def _finding(arrived: Arrived, kind: str, parts: list[_Part]) -> Finding:
    touched = _mask(arrived, parts)
    days = len(np.unique(arrived.day[touched.any(axis=0)]))
    return finding(arrived, kind, touched, numbers={"days": float(days)})


def _twins(arrived: Arrived) -> dict[_Twins, list[tuple[_Part, _Part]]]:
    """Return the pairs that chance does not explain, with all their equal parts: the original and the copy."""
    equal = list(_equal_parts(arrived))
    if not equal:
        return {}
    bits = _bits(arrived)
    place = _places(bits >= PART_BITS)
    runs: dict[_Twins, list[tuple[_Part, _Part]]] = defaultdict(list)
    found: dict[_Twins, list[tuple[_Part, _Part]]] = defaultdict(list)
    for original, copy in equal:
        if bits[copy] < PART_BITS:
            continue
        pair = _Twins(original.unit, copy.unit, copy.day - original.day)
        run = runs[pair]
        if run and place[copy] != place[run[-1][1]] + 1:
            run.clear()
        run.append((original, copy))
        if sum(float(bits[one]) for _, one in run) >= LEAST_BITS:
            found[pair] += [both for both in run if both not in found[pair]]
    return found


def _places(telling: BoolArray) -> IntArray:
    """Return the number of each part among the unit's telling ones: of a copy no part in between differs."""
    return np.asarray(np.cumsum(telling.reshape(len(telling), -1), axis=1).reshape(telling.shape))


def _equal_parts(arrived: Arrived) -> Iterator[tuple[_Part, _Part]]:
    """Give parts with the same values as an earlier one, and that one: the first day's first unit's."""
    cells = _in_parts(arrived, np.where(arrived.heard, arrived.energy_wh, -1.0).astype(np.float32))
    parts = np.argwhere((cells > 0).sum(axis=-1) >= LEAST_MADE)
    if not len(parts):
        return
    parts = parts[np.lexsort((parts[:, 0], parts[:, 2], parts[:, 1]))]
    rows = np.ascontiguousarray(cells[tuple(parts.T)])
    keys = rows.view(np.dtype((np.void, rows.dtype.itemsize * rows.shape[1]))).ravel()
    _, groups, counts = np.unique(keys, return_inverse=True, return_counts=True)
    groups = groups.ravel()
    originals: dict[tuple[int, int], _Part] = {}
    for at in np.flatnonzero(counts[groups] > 1).tolist():
        one = _Part(*parts[at].tolist())
        original = originals.setdefault((int(groups[at]), one.part), one)
        if original is not one:
            yield original, one


def _bits(arrived: Arrived) -> FloatArray:
    """Return how many bits speak against chance in each part, (U, D, P)."""
    bits = np.maximum(_by_tolerance(arrived), _by_neighbours(arrived))
    return np.asarray(_in_parts(arrived, np.where(arrived.made, bits, 0.0)).sum(axis=-1))


def _by_tolerance(arrived: Arrived) -> FloatArray:
    energy = arrived.sent_wh
    step = np.maximum(arrived.step_wh, FINEST_SHARE * arrived.most_wh)[:, None]
    bits = np.minimum(np.log2(1 + SPREAD * np.maximum(energy, 0) / step), BITS_OF_A_VALUE)
    again = arrived.repeats.copy()
    again[:, 1:] &= arrived.repeats[:, :-1]
    return np.where(arrived.at_the_top | again, 0.0, bits)


def _by_neighbours(arrived: Arrived) -> FloatArray:
    """Return by how few of the plane's pairs of units agree at once; of many units some are asked."""
    bits = np.zeros(arrived.heard.shape)
    for plane in arrived.planes():
        asked = np.sort(arrived.energy_wh[np.flatnonzero(plane)[:MOST_ASKED]], axis=0)
        heard = np.isfinite(asked).sum(axis=0)
        equal = sum((asked[lag:] == asked[:-lag]).sum(axis=0) for lag in range(1, len(asked)))
        chance = (equal + 1.0) / (heard * (heard - 1) / 2 + 1.0)
        bits[plane] = np.where(heard >= LEAST_NEIGHBOURS, -np.log2(np.minimum(chance, 1.0)), 0.0)
    coarse = arrived.sent_wh < FEW_STEPS * arrived.step_wh[:, None]
    return np.where(coarse, 0.0, np.minimum(bits, MOST_BITS_BY_NEIGHBOURS))


def _parts_of_day(arrived: Arrived) -> int:
    cells = 1440 // arrived.interval_min
    return next((n for n in PARTS_OF_DAY if cells % n == 0 and cells // n >= LEAST_CELLS), 1)


def _in_parts(arrived: Arrived, values: FloatArray) -> FloatArray:
    """Return (U, T) values as (U, D, P, cells), by days and their parts, filled up with zeros at both ends."""
    cells, before = 1440 // arrived.interval_min, _before(arrived)
    padded = np.pad(values, ((0, 0), (before, -(before + values.shape[1]) % cells)))
    parts = _parts_of_day(arrived)
    return padded.reshape(len(values), padded.shape[1] // cells, parts, cells // parts)


def _before(arrived: Arrived) -> int:
    return arrived.start_s // 60 % 1440 // arrived.interval_min


def _mask(arrived: Arrived, parts: Sequence[_Part]) -> BoolArray:
    shape = _in_parts(arrived, np.zeros(arrived.heard.shape)).shape
    inside = np.zeros(shape, dtype=bool)
    for unit, day, part in parts:
        inside[unit, day, part] = True
    flat = inside.reshape(len(inside), -1)
    before = _before(arrived)
    return np.asarray(flat[:, before : before + arrived.heard.shape[1]] & arrived.made)
