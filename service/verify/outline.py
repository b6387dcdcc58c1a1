"""The outline of what stands before a unit, as far as the sun has shown it: how high it reaches at each azimuth.

A shaded unit says that the obstacle reaches at least to the sun, a clear one that it ends below. Pure geometry from
masks that a cause has made; whether anything shades at all is not judged here. Elevations are apparent ones
(refraction-corrected), as in `service.expect.sun`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.expect.grid import floats
from service.verify.case import BoolArray, Case
from service.verify.inputs import FloatArray

BIN_DEG = 5.0
BINS = int(360 / BIN_DEG)
AROUND_DEG = floats((np.arange(BINS) + 0.5) * BIN_DEG)
"""The middles of all bins."""

KNOWN_WITHIN_DEG = 5.0
"""Largest distance between the highest shaded and the lowest clear sun at which the top counts as known."""

LEAST_OF_ALL = 0.1
"""Share of the shaded light that a stretch of azimuths must hold to belong to the outline: the rest is chance."""

BEYOND, BEYOND_OF_PLANE = (1, 3), (4, 5)
"""How many bins an obstacle is guessed to go on where the sun left it past its side and over its top: below the sun's
path nothing is seen, and what shades a whole plane is wide. With these the year's loss comes out at 0.9 of the true one
in the median, for random chimneys, trees, houses and hills of the fleet's."""

GAP_BINS = 6
"""Azimuths without any sun that one obstacle may still bridge: at noon an hour's step leaves such gaps."""

NO_TOP_DEG = 90.0

PLANE_BEAM_INDEX = 0.75
"""Clear-sky index from which a plane that is not in shade surely had beam: nothing but the model says so."""

Bins = NDArray[np.intp]


@dataclass(frozen=True)
class Outline:
    """What stands before the sky, at K azimuths in the middle of bins of BIN_DEG, ascending, degrees, arrays (K,).

    Up to `at_least_deg` the beam was seen taken (0 where the outline is a guess), from `at_most_deg` on seen given (90
    where it never was); `elevation_deg` is the best guess between them: as high as the obstacle is anywhere, unless
    clear sun says less. `taken` is the share of beam that is taken below it (0-1): a tree lets some through, and of a
    module only a part may be shaded.
    """

    azimuth_deg: FloatArray
    elevation_deg: FloatArray
    at_least_deg: FloatArray
    at_most_deg: FloatArray
    taken: float

    @property
    def known(self) -> BoolArray:
        """Return where the top was seen from both sides, within KNOWN_WITHIN_DEG, (K,)."""
        return _known(self.at_least_deg, self.at_most_deg)

    @property
    def highest_deg(self) -> float:
        """Return the highest elevation at which the beam was seen taken, degrees."""
        return float(self.at_least_deg.max(initial=0.0))

    @property
    def span_deg(self) -> tuple[float, float]:
        """Return between which azimuths the beam was seen taken, clockwise, degrees; 0 and 0 where nowhere."""
        seen = self.azimuth_deg[self.at_least_deg > 0]
        if not len(seen):
            return 0.0, 0.0
        widest = int(np.diff(seen, append=seen[0] + 360).argmax())
        first, last = seen[(widest + 1) % len(seen)], seen[widest]
        return float(first - BIN_DEG / 2), float(last + BIN_DEG / 2)

    def top_at(self, azimuth_deg: FloatArray) -> FloatArray:
        """Return the best guess of the top at any azimuths, degrees, same shape; 0 beside the outline."""
        tops = np.zeros(BINS)
        tops[_bin(self.azimuth_deg)] = self.elevation_deg
        return np.asarray(tops[_bin(azimuth_deg)])

    def as_details(self) -> list[dict[str, Any]]:
        """Return the outline as a list that JSON can hold, by azimuth."""
        columns = (self.azimuth_deg, self.elevation_deg, self.at_least_deg, self.at_most_deg)
        rows = zip(*(np.round(c, 1).tolist() for c in columns), self.known.tolist(), strict=True)
        names = ("azimuth_deg", "elevation_deg", "at_least_deg", "at_most_deg", "known")
        return [dict(zip(names, row, strict=True)) for row in rows]

    def as_fields(self) -> dict[str, Any]:
        """Return the fields that a finding carries: the outline and the share of beam that it takes."""
        return {"outline": self.as_details(), "beam_taken": round(self.taken, 3)}

    @classmethod
    def from_details(cls, points: list[dict[str, Any]], taken: float) -> Outline:
        """Return the outline that `as_details` wrote."""
        azimuth, top, at_least, at_most = (
            floats([p[f"{name}_deg"] for p in points])
            for name in ("azimuth", "elevation", "at_least", "at_most")
        )
        return cls(azimuth, top, at_least, at_most, taken)


def outline_of(
    case: Case,
    rows: list[int],
    short: BoolArray,
    read: BoolArray,
    left: FloatArray | None = None,
    *,
    beyond: tuple[int, int] = BEYOND,
) -> Outline:
    """Return the outline before the units `rows`, alike in plane, from the intervals in which they were shaded.

    `short` (D,) are the intervals with the beam taken, `read & ~short` those with the beam seen; `left` (D,) is the
    share of output that was left, the units' mean level by default. Without any short interval the outline is empty.
    """
    sun = sun_of_intervals(case)
    light = case.stated.dc_wh[rows].sum(axis=0)
    seen = np.asarray((short | (read & ~_plane_in_shade(case, rows))) & (sun.elevation_deg > 0))
    at_least, at_most = _bounds(sun, seen, short, light)
    shaded_light = floats(np.bincount(_bin(sun.azimuth_deg), light * (short & seen), BINS))
    top = np.zeros(BINS)
    for stretch in _main_stretches(at_least, at_most, shaded_light):
        highest = at_least[stretch].max()
        for b in (*stretch, *_beyond(stretch, at_least, at_most, beyond)):
            top[b] = max(top[b], min(highest, at_most[b]))
    top = np.where(_known(at_least, at_most) & (top > 0), (at_least + at_most) / 2, top)
    shown = np.flatnonzero(top > 0)
    return Outline(
        azimuth_deg=AROUND_DEG[shown],
        elevation_deg=top[shown],
        at_least_deg=at_least[shown],
        at_most_deg=at_most[shown],
        taken=_taken(case, rows, np.asarray(short & seen), left),
    )


def _known(at_least: FloatArray, at_most: FloatArray) -> BoolArray:
    return np.asarray((at_least > 0) & (at_most - at_least <= KNOWN_WITHIN_DEG))


def _beyond(stretch: Bins, at_least: FloatArray, at_most: FloatArray, beyond: tuple[int, int]) -> list[int]:
    """Return the unshaded bins on either side of a stretch into which the obstacle is guessed to go on."""
    found: list[int] = []
    for edge, way in ((int(stretch[0]), -1), (int(stretch[-1]), 1)):
        over_top = bool(_known(at_least, at_most)[edge])
        for k in range(1, 1 + beyond[over_top]):
            b = (edge + way * k) % BINS
            if at_least[b] > 0:
                break
            found.append(b)
    return found


def outline_of_plane(case: Case, rows: list[int], where: BoolArray) -> Outline:
    """Return the outline before a whole plane, in shade in the intervals `where`, as its units `rows` saw it."""
    with np.errstate(invalid="ignore", divide="ignore"):
        made = np.where(case.heard[rows], case.measured_wh[rows], 0.0).sum(axis=0)
        left = made / np.where(case.heard[rows], case.stated.energy_wh[rows], 0.0).sum(axis=0)
    beam = case.array_sky.known & (case.array_sky.index >= PLANE_BEAM_INDEX)
    return outline_of(case, rows, where, np.asarray(where | beam), left, beyond=BEYOND_OF_PLANE)


def _plane_in_shade(case: Case, rows: list[int]) -> BoolArray:
    """Return where the units' whole plane has no beam: what one of them does there says nothing of its own shade."""
    plane = case.day.site.units[rows[0]].plane
    none = np.zeros(len(case.day.positions), dtype=bool)
    return np.asarray(np.any([none, *(s.where for s in case.shades if s.plane == plane)], axis=0))


@dataclass(frozen=True)
class _Positions:
    """The sun at the middle of the intervals, degrees, (D,); elevations are apparent ones."""

    azimuth_deg: FloatArray
    elevation_deg: FloatArray


def sun_of_intervals(case: Case) -> _Positions:
    """Return where the sun stood in each interval."""
    return _Positions(case.day.azimuth_deg, case.day.elevation_deg)


def _bin(azimuth_deg: FloatArray) -> Bins:
    return np.asarray((azimuth_deg % 360 // BIN_DEG).astype(np.intp) % BINS)


def _bounds(
    sun: _Positions, seen: BoolArray, short: BoolArray, light: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return between which elevations the top lies by azimuth, (BINS,) each; 0 and 90 where open."""
    at_least, at_most = np.zeros(BINS), np.full(BINS, NO_TOP_DEG)
    place = _bin(sun.azimuth_deg)
    for here in _by_bin(place, seen):
        b = place[here[0]]
        within = _between_shaded(sun.azimuth_deg[here], short[here])
        if light[here[~within]].sum() > light[here[short[here]]].sum():
            at_most[b] = sun.elevation_deg[here[~short[here]]].min()  # the side of the obstacle, or chance
        else:
            inside = here[within]
            at_least[b], at_most[b] = _least_contradicted(
                sun.elevation_deg[inside], short[inside], light[inside]
            )
    return at_least, at_most


def _by_bin(place: Bins, seen: BoolArray) -> list[Bins]:
    """Return the positions of the seen intervals, those of each bin together; no bin is empty."""
    at = np.flatnonzero(seen)
    at = at[np.argsort(place[at], kind="stable")]
    return [part for part in np.split(at, np.flatnonzero(np.diff(place[at])) + 1) if len(part)]


def _between_shaded(azimuth: FloatArray, short: BoolArray) -> BoolArray:
    """Return which positions of a bin lie between its shaded ones.

    A clear sun beside them may as well have passed the obstacle's side as its top.
    """
    if not short.any():
        return np.zeros(short.shape, dtype=bool)
    return np.asarray((azimuth >= azimuth[short].min()) & (azimuth <= azimuth[short].max()))


def _least_contradicted(elevation: FloatArray, short: BoolArray, light: FloatArray) -> tuple[float, float]:
    """Return the two elevations between which a top has the least light against it; 0 and 90 where open.

    Against it are shade above and clear sun below: single wrong intervals move nothing.
    """
    order = np.argsort(elevation)
    for_it = np.concatenate(([0.0], np.cumsum(np.where(short, light, -light)[order])))
    heights = np.concatenate(([0.0], elevation[order], [NO_TOP_DEG]))
    best = int(np.argmax(for_it))
    return float(heights[best]), float(heights[best + 1])


def _main_stretches(at_least: FloatArray, at_most: FloatArray, shaded_light: FloatArray) -> list[Bins]:
    """Return the stretches of azimuths that hold the shaded light, without those that are chance."""
    shaded = at_least > 0
    unseen = ~shaded & (at_most == NO_TOP_DEG)
    least = LEAST_OF_ALL * shaded_light[shaded].sum()
    return [s for s in _stretches(shaded, unseen) if shaded_light[s].sum() >= least]


def _stretches(shaded: BoolArray, unseen: BoolArray) -> list[Bins]:
    """Return the runs of shaded bins around the compass, small gaps without any sun within them bridged."""
    at = np.flatnonzero(shaded)
    if not len(at):
        return []
    at = np.roll(at, -1 - int(np.diff(at, append=at[0] + BINS).argmax()))  # no run goes on beyond the last
    runs = [[int(at[0])]]
    for b in at[1:]:
        between = np.arange(runs[-1][-1] + 1, runs[-1][-1] + 1 + (b - runs[-1][-1] - 1) % BINS) % BINS
        if len(between) <= GAP_BINS and unseen[between].all():
            runs[-1] += [*between.tolist(), int(b)]
        else:
            runs.append([int(b)])
    return [np.array(run, dtype=np.intp) for run in runs]


def _taken(case: Case, rows: list[int], short: BoolArray, left: FloatArray | None) -> float:
    """Return the share of beam that is taken in the short intervals, 0-1, so that their energy comes out right."""
    if left is None:
        left = np.mean([case.levels.relative_series(i) for i in rows], axis=0)
    beam = case.sunward_shares[case.day.site.units[rows[0]].plane]
    use = short & np.isfinite(left)
    weight = case.stated.dc_wh[rows].sum(axis=0)[use]
    due = float((weight * beam[use]).sum())
    lost = float((weight * np.clip(1 - left[use], 0.0, 1.0)).sum())
    return min(lost / due, 1.0) if due > 0 else 0.0
