"""Planes whose units give two unlike curves: which of these lie elsewhere, told by the sun and not by their number.

Each of two sets of units is read as a plane of its own under one sky for all (`window`) and turned as it explains the
record best. The set that must be turned for it lies elsewhere, be it the larger one. An obstacle and a fault only take
light away: a set that is now and then brighter than the other has more of the sun there than the record lets it have,
while one that never is may stand in shade, and is asked for more. Not here: units of one curve that are all on another
plane, which is their plane's description (`alignment`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from service.expect.energy import UnitGroup, unit_groups
from service.expect.site import Plane
from service.verify.angles import LIKE_ANOTHER_DEG, apart_deg
from service.verify.case import Case, once
from service.verify.consensus import shapes_apart
from service.verify.explained import HALF_AS_MUCH, gain_over_record
from service.verify.inputs import FloatArray
from service.verify.search import AS_LIKELY, Turn, turn_of
from service.verify.turn_bounds import DIMMED, PER_CLEAR_DAY, is_possible
from service.verify.unit_curves import by_rating
from service.verify.window import Window, window

OTHER_CURVE, BLOCK_MIN, LEAST_BLOCKS = 0.06, 30, 6
"""Share of the energy at another time, in blocks so long, from which two curves are unlike: fewer blocks tell none."""

MOST_SETS = 3
"""So many sets of a plane's units are held against the largest: where more differ each has a shadow of its own."""

BRIGHTER, BY_MORE_THAN = 0.04, 1.05
"""Share of its energy that a set must make beyond so many times what the other makes, to be the brighter one there."""

FOR_BRIGHTER, FOR_NEVER_BRIGHTER, OVER_OTHER = 16.0, 25.0, 10.0
"""Log-likelihood over the record's from which a set of units lies elsewhere, by whether it is brighter at times, on one
day (each further one asks for PER_CLEAR_DAY more), and over what a turn of the other set explains. Of 120 days and 120
weeks with shade (`tests/bench/stranger`) sets on their own plane that passed all else had 13 and 20 of a day and 55 of
a week, where units elsewhere had 22 to 141 and 260 to 470."""

LEAST_APART_DEG, APART_NEVER_BRIGHTER_DEG, MOST_LEAN_DEG = 12.0, 20.0, 20.0
"""Angle between the normals from which an orientation is another, and the most between the tilts: units lie on roofs
like their own or on dormers (common practice, no source), and shade imitates a steeper plane: of the same sites the one
set on its plane with more than was asked of it leaned by 25 degrees."""

LEAST_LIGHT, FULL, LEVEL_WITHIN, MUCH_OF_LIGHT = 0.1, 0.9, 0.05, 0.3
"""What is at its level for so much of the light (that has so much of the brightest's) as in this quantile of it, within
so much, has lost the rest to a shadow (common practice, no source)."""

NO_BEAM = ((0.0, 0.7), (0.0, 1.0), (0.5, 1.0))
"""Shares of beam and diffuse light behind something that hides the sun all day, or half of the units."""


@dataclass(frozen=True)
class Stray:
    """A unit that lies elsewhere than recorded, and the orientation that it has by its light."""

    unit: int
    tilt_deg: float
    azimuth_deg: float


@dataclass(frozen=True)
class Divided:
    """The units that lie elsewhere, and those that are shown by it to lie where they are recorded."""

    strays: tuple[Stray, ...] = ()
    in_place: frozenset[int] = frozenset()


@dataclass(frozen=True)
class _Move:
    """A set of units recorded on `plane` that another orientation explains, `surely` or about as well as less light."""

    plane: Plane
    units: tuple[int, ...]
    turn: Turn
    surely: bool
    stay: tuple[int, ...]

    def exchanged_for(self, other: _Move) -> bool:
        """Return whether each of two sets faces as the other's plane does."""
        there, here = apart_deg(self.turn, other.plane), apart_deg(other.turn, self.plane)
        return max(there, here) < LIKE_ANOTHER_DEG


@once
def divided(case: Case) -> Divided:
    """Return which units of planes with unlike curves lie elsewhere.

    What stands in shade besides fits less light as well, but is told by the set that stands where it should.
    """
    moves = [move for group in unit_groups(case.alignment.site) for move in _moves(case, group)]
    sure = [m for m in moves if m.surely]
    sure += [m for m in moves if not m.surely and any(m.exchanged_for(other) for other in sure)]
    strays = tuple(Stray(i, m.turn.tilt_deg, m.turn.azimuth_deg) for m in sure for i in m.units)
    return Divided(strays, frozenset(i for m in sure for i in m.stay))


def _moves(case: Case, group: UnitGroup) -> list[_Move]:
    """Return what may lie elsewhere of a group's units than where the plane's light falls."""
    curves = _curves(case, group)
    first, *others = _sets(curves) or [()]
    found: list[_Move] = []
    for other in others[:MOST_SETS]:
        move = _elsewhere(case, group, curves, other, first)
        found += [move] if move else []
        first = move.stay if move and move.surely else first
    return found


Rows = tuple[int, ...]


def _curves(case: Case, group: UnitGroup) -> dict[int, FloatArray]:
    """Return by unit the mean DC power over its rating in blocks, (B,), NaN where nothing was heard or given."""
    rows = [i for i in group.members if np.nansum(case.measured_wh[i]) > 0]
    giving = np.where(case.giving_nothing[rows], np.nan, case.measured_wh[rows])
    made = by_rating(case, group, giving)
    minutes = case.day.positions * case.day.grid.interval_min
    starts = np.flatnonzero(np.diff(minutes // BLOCK_MIN, prepend=-1))
    heard = np.add.reduceat(np.isfinite(made).astype(float), starts, axis=1)
    total = np.add.reduceat(np.nan_to_num(made), starts, axis=1)
    mean = np.divide(total, heard, out=np.full(total.shape, np.nan), where=heard > 0)
    return dict(zip(rows, mean, strict=True))


def _sets(curves: dict[int, FloatArray]) -> list[Rows]:
    """Return the units in sets of like curves, the largest first."""
    left = list(curves)
    like = {i: [k for k in left if apart(curves[i], curves[k]) < OTHER_CURVE] for i in left}
    out: list[Rows] = []
    while left:
        most = max(left, key=lambda i: sum(k in left for k in like[i]))
        out.append(tuple(k for k in left if k == most or k in like[most]))
        left = [k for k in left if k not in out[-1]]
    return out


def apart(a: FloatArray, b: FloatArray) -> float:
    """Return the share of their energies that two curves have at another time; 0 where too little tells."""
    use = np.isfinite(a) & np.isfinite(b)
    a, b = a[use], b[use]
    if use.sum() < LEAST_BLOCKS or not a.sum() > 0 or not b.sum() > 0:
        return 0.0
    return float(shapes_apart(a, b))


def _elsewhere(case: Case, group: UnitGroup, curves: dict[int, FloatArray], a: Rows, b: Rows) -> _Move | None:
    """Return which of two sets lies elsewhere; None where neither seems to."""
    one, other = (middle([curves[i] for i in rows]) for rows in (a, b))
    more = _brighter(one, other), _brighter(other, one)
    shadow = _at_full_level(one, other), _at_full_level(other, one)
    if any(back and not bright for back, bright in zip(shadow, more, strict=True)):
        return None
    seen = _read_apart(case, group, a, b)
    if seen is None:
        return None
    plane = group.plane
    turns = [turn_of(seen, name) for name in (_BESIDE + plane.name, plane.name)]
    ways = ((a, b), (b, a))
    for (turned, stays), bright, turn, rival in zip(ways, more, turns, reversed(turns), strict=True):
        if turn is None or rival is None or turn.worth - rival.worth < OVER_OTHER:
            continue
        if _explains_enough(seen, plane, turn, more=bright):
            less = max(by_less_light(seen, turn))
            if less <= max(HALF_AS_MUCH * turn.worth, turn.worth - AS_LIKELY):
                return _Move(plane, turned, turn, less <= HALF_AS_MUCH * turn.worth, stays)
    return None


def middle(curves: list[FloatArray]) -> FloatArray:
    """Return the median of curves, (B,), NaN where none is known."""
    light = np.stack(curves)
    known = np.isfinite(light).any(axis=0)
    out = np.full(light.shape[1], np.nan)
    out[known] = np.nanmedian(light[:, known], axis=0)
    return out


_BESIDE = "beside "


def _read_apart(case: Case, group: UnitGroup, a: Rows, b: Rows) -> Window | None:
    """Return the window with set `a` as a plane of its own and without the plane's other units."""
    site, plane = case.alignment.site, group.plane
    beside = replace(plane, name=_BESIDE + plane.name)
    units = tuple(replace(u, plane=beside.name) if i in a else u for i, u in enumerate(site.units))
    energy = case.readings.energy_wh.copy()
    energy[[i for i, u in enumerate(site.units) if u.plane == plane.name and i not in (*a, *b)]] = np.nan
    two = replace(site, units=units, planes=(*site.planes, beside))
    return window(two, replace(case.readings, energy_wh=energy), scale=case.scale)


def _brighter(mine: FloatArray, others: FloatArray) -> bool:
    """Return whether some make much of their energy beyond what others make."""
    use = np.isfinite(mine) & np.isfinite(others)
    beyond = np.maximum(mine[use] - BY_MORE_THAN * others[use], 0.0).sum()
    return bool(beyond >= BRIGHTER * max(mine[use].sum(), 1e-9))


def _at_full_level(mine: FloatArray, others: FloatArray) -> bool:
    """Return whether some make the same share of what others make for much of the light, and less for the rest.

    What stands in a shadow is back at its level outside it, while the share of one that faces elsewhere always changes.
    """
    use = np.isfinite(mine) & (others > LEAST_LIGHT * np.nanmax(others, initial=1e-9))
    share, light = mine[use] / others[use], others[use]
    full = float(np.quantile(share, FULL)) if len(share) else 0.0
    if full <= 0:  # nothing tells: there was no light, or they gave none of it
        return True
    near = np.abs(share / full - 1) <= LEVEL_WITHIN
    return bool(light[near].sum() >= MUCH_OF_LIGHT * light.sum())


def _explains_enough(seen: Window, plane: Plane, turn: Turn, *, more: bool) -> bool:
    """Return whether an orientation explains enough more than the record of units, and is one that roofs have.

    `more` where they are brighter than others at times.
    """
    least = (FOR_BRIGHTER if more else FOR_NEVER_BRIGHTER) + PER_CLEAR_DAY * (seen.lit_days - 1)
    apart_least = LEAST_APART_DEG if more else APART_NEVER_BRIGHTER_DEG
    if turn.worth < least or apart_deg(plane, turn) < apart_least or not is_possible(seen, turn):
        return False
    return abs(turn.tilt_deg - plane.tilt_deg) <= MOST_LEAN_DEG


def by_less_light(seen: Window, turn: Turn) -> Iterator[float]:
    """Yield the log-likelihoods, over the record's, of a set with less light, or without beam."""
    for beam, diffuse in (*((level, level) for level in DIMMED), *NO_BEAM):
        yield gain_over_record(seen, seen.dimmed(turn.plane, beam, diffuse))
