"""Units of one plane that lose the sun one after another, as they do behind a house next door.

A cloud's edge crosses a roof within seconds, so that all units of a plane lose the sun in the same interval, and so
they do behind a far ridge. An object close by has its edge elsewhere for each: while its shadow moves over the plane
some have the sun and others have not, just after all had it and just before none has. That shows within one day, and
no cloud does it, unless the units' clocks are apart: so clouds must take them together. Which span the edges belong to
is told elsewhere (`shade_scan`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.verify.inputs import FloatArray
from service.verify.plane_beam import LEAST_LIGHT, TELLING_BEAM, Beam, BoolArray, Ints, PlaneEnergies

APART, AGREED = 0.15, 0.08
"""Share of a clear sky's beam by which units differ at least while a shadow passes, beyond what steps of the registers
give, and at most just before and after. Of 1213 planes of 707 weeks without shade over a plane (`tests/bench/fleet`)
six have such an edge of the sun at any time of the week, all with a branch that trips or units in shades of their own;
of 117 planes of four units and more behind a house, in intervals of a quarter of an hour and less, 49 have one."""

LEAST_UNITS, LEAST_BRIGHT = 4, 6
"""How many units must be heard at once, and how many sunny intervals tell a unit's own level (our choice)."""

COARSEST = 0.25
"""Share of the beam that two steps of a register may be at most."""

LONGEST_MINUTES, FLANK, FLANK_REACH = 45, 3, 5
"""How long a shadow takes to pass at most, and of how many intervals beside it the first few tell what was before."""


LEAST_TOGETHER, TOGETHER_OF_PARTED, JUMP = 3, 0.5, 0.5
"""How many times the light must have jumped by so much of the beam within two intervals with all units together, at
least and beside each time that they were parted: units whose clocks are minutes apart part at every cloud's edge."""


@dataclass(frozen=True)
class UnitEnergies:
    """What each unit made, (U, D) in Wh, NaN where it was not heard, and the registers' step."""

    wh: FloatArray
    step_wh: float


@dataclass(frozen=True)
class _Run:
    """Intervals from `first` to `last` in which units were apart."""

    first: int
    last: int


def parted(
    energies: PlaneEnergies, plane: str, beam: Beam, units: UnitEnergies
) -> tuple[BoolArray, BoolArray]:
    """Return by day and bin (days, B) where units lost the sun one after another, and where they came back so."""
    apart, middle = _apart(energies, plane, beam, units)
    bright, hidden = ((beam.told & of).ravel()[beam.place] for of in (beam.bright, beam.hidden))
    day = beam.place // beam.told.shape[1]
    longest = LONGEST_MINUTES // energies.day.grid.interval_min
    begins, ends = (np.zeros(beam.told.size, dtype=bool) for _ in range(2))
    edges_parted = 0
    for run in _runs(apart > APART, day):
        if run.last - run.first >= longest:
            continue
        before = _flank(apart, day, range(run.first - 1, run.first - 1 - FLANK_REACH, -1), run.first)
        after = _flank(apart, day, range(run.last + 1, run.last + 1 + FLANK_REACH), run.first)
        for lit, dark, edges in ((before, after, begins), (after, before, ends)):
            if lit and dark and bright[lit].any() and hidden[dark].all():
                edges[beam.place[run.first : run.last + 1]] = True
                edges_parted += 1
    if _jumps_together(middle, apart, day) < max(LEAST_TOGETHER, TOGETHER_OF_PARTED * edges_parted):
        begins[:] = ends[:] = False
    return begins.reshape(beam.told.shape), ends.reshape(beam.told.shape)


def _jumps_together(middle: FloatArray, apart: FloatArray, day: Ints) -> int:
    """Return how often the beam that most units see, (D,), jumped up or down within two intervals for all at once."""
    same = day[2:] == day[:-2]
    jumps = same & (np.abs(middle[2:] - middle[:-2]) > JUMP)
    together = jumps & (np.maximum(np.maximum(apart[2:], apart[:-2]), apart[1:-1]) <= AGREED)
    return int((together[1:] & ~together[:-1]).sum() + together[:1].sum())


def _runs(where: BoolArray, day: Ints) -> list[_Run]:
    """Return the runs of intervals (D,) of one day in which something holds."""
    at = np.flatnonzero(where)
    if not len(at):
        return []
    cuts = np.flatnonzero((np.diff(at) > 1) | (np.diff(day[at]) != 0)) + 1
    return [_Run(int(part[0]), int(part[-1])) for part in np.split(at, cuts)]


def _flank(apart: FloatArray, day: Ints, beside: range, run: int) -> list[int]:
    """Return the told intervals among those `beside` a run, the nearest first; none if units never agree there."""
    there = [k for k in beside if 0 <= k < len(day) and day[k] == day[run] and np.isfinite(apart[k])][:FLANK]
    return there if any(apart[k] <= AGREED for k in there) else []


def _apart(
    energies: PlaneEnergies, plane: str, beam: Beam, units: UnitEnergies
) -> tuple[FloatArray, FloatArray]:
    """Return by how much of the beam the plane's second brightest unit is above its second dimmest, (D,), or NaN.

    With it comes the share of the beam that the middle unit sees. One unit alone may have a fault of its own, and what
    gives nothing is out rather than shaded.
    """
    groups = energies.day.groups
    rows = [(g, i) for g, group in enumerate(groups) if group.plane.name == plane for i in group.members]
    of_group, unit = np.array([g for g, _ in rows]), np.array([i for _, i in rows])
    clear, hidden, made = energies.clear[of_group], energies.hidden[of_group], units.wh[unit]
    told = energies.told[of_group] & np.isfinite(made) & (clear - hidden > TELLING_BEAM * clear)
    bright = (beam.told & beam.bright).ravel()[beam.place]
    level = _levels(made, energies.agreed[of_group], told, bright)
    made = made / level[:, None]
    dead = told & (made <= LEAST_LIGHT * hidden)
    size = np.maximum(clear - hidden, 1e-6)
    seen = np.where(told & ~dead & np.isfinite(made), (made - hidden) / size, np.nan)
    if len(seen) < LEAST_UNITS:
        return np.full(seen.shape[1], np.nan), np.full(seen.shape[1], np.nan)
    step = 2 * units.step_wh / size.min(axis=0)
    in_order, count = np.sort(seen, axis=0), np.isfinite(seen).sum(axis=0)
    brightest = np.take_along_axis(in_order, np.maximum(count - 2, 0)[None], axis=0)[0]
    use = (count >= LEAST_UNITS) & (step <= COARSEST)
    middle = np.take_along_axis(in_order, (count // 2)[None], axis=0)[0]
    return np.where(use, brightest - in_order[1] - step, np.nan), np.where(use, middle, np.nan)


def _levels(made: FloatArray, agreed: FloatArray, told: BoolArray, bright: BoolArray) -> FloatArray:
    """Return each unit's level over what its like ones agree on, (U,), NaN where that is not told."""
    out = np.full(len(made), np.nan)
    ratio = np.divide(made, agreed, out=np.full_like(made, np.nan), where=told & (agreed > 0))
    for u, of_unit in enumerate(ratio):
        sunny, all_told = of_unit[bright & np.isfinite(of_unit)], of_unit[np.isfinite(of_unit)]
        best = sunny if len(sunny) >= LEAST_BRIGHT else all_told
        if len(best) >= LEAST_BRIGHT:
            out[u] = np.median(best)
    return np.where(out > 0, out, np.nan)
