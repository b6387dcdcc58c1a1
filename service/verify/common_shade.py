"""Shade that falls on a whole plane: a hill, a neighbour's house, a row of trees.

Units that are shaded together agree with one another, and look like a cloud. Three things tell the two apart: shade
comes back at the same place of the sun on other days, cloud does not; before and after it the light is at the
clear-sky envelope; and another plane still sees the sun. The first two are weighed in a scan over all spans of solar
time: a day on which the beam was gone for the whole span counts by how seldom that day's clouds darkened the hours
beside it, and by how seldom a cloud's edge fell where the span begins and ends. The third compares the best sky for
all planes with the best sky for all planes of which one gets no beam. What is found becomes the plane's horizon, so
that everything after it expects what can really arrive. Nothing is named here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np

from service.expect.plane import horizon_elevation
from service.expect.site import Plane, Site
from service.expect.sky import Irradiance
from service.verify.day import Daylight
from service.verify.inputs import FloatArray
from service.verify.parted import UnitEnergies, parted
from service.verify.plane_beam import (
    BIN_MINUTES,
    Beam,
    BoolArray,
    PlaneEnergies,
    beam_of,
    clouds_of,
    crossed,
    solar_places,
)
from service.verify.shade_beside import Beside
from service.verify.shade_odds import ShadeSigns, signs_of
from service.verify.shade_scan import DAY_CAP, MOST_BRIGHT, Span, likeliest
from service.verify.sky import ArraySky
from service.verify.sunless import sunless
from service.verify.window import HELD, HELD_MINUTES, near_held_level

LONGEST_DAYS = 21
"""Over more days the sun's path shifts so far that the same hour is not the same place."""

AROUND_MINUTES = 150
"""How far around a shaded interval the sky is taken from."""

FEW_BRIGHT = 0.34
"""Share of the days that speak for a span on which the bin beside it may be bright and still belong to it."""

NEEDED = 9.0
"""Log odds from which a span is believed: 7 for the spans tried, the rest for how seldom a plane is shaded."""

NEEDED_BESIDE = 7.0
"""The same where another plane stands in shade over that span: something is there, and no other span was tried. Of 20
planes without shade beside shaded ones (`tests/bench/fleet`, weeks) none had more than 5.9 over any span."""

BY_PLANES, NEEDED_BY_PLANES = 3.0, 6.5
"""Log odds by other planes that have the sun, and what is needed of a span with so much: no cloud and no fog takes one
plane's sun alone. Of 1300 planes without shade of days and weeks (`tests/bench/fleet`) eight had more than 2, all on
sites with a plane described wrongly, which is put right before where it is found."""

NARROW_MINUTES, NEEDED_NARROW = 60, 13.0
"""How long a span must last at least for that to do, and what is needed of a shorter one: what shades all units of a
plane at once is broad, and the sun takes long to pass it, where gaps of clouds are as short as that. Of 35 spans of
720 weeks with a hill or a house (`tests/bench/fleet`) two are shorter, with 20.6 and 20.9; two planes without shade
have 10.1 and 10.8 for half an hour."""

WIDE = ((0.8, 17.0), (0.3, 11.5))
BY_PLANES_WIDE = 7.0
"""Shares of the plane's clear-sky energy from which a span leaves little of the day to compare with, and what is needed
then, more than three days' and two days' edges can give: days that are closed but for their ends are common. Of 1169
planes of simulated weeks without shade (`tests/bench/fleet`) none had more than 13.7, 9.8 and, of less, 8.5. Other
planes in the sun know better."""

HIGHEST_SUN_DEG = 75.0
"""Sun's elevation from which nothing beside a roof hides it from a whole plane, but where other planes have it (our
choice, no source). In the tropics the sun goes over by the zenith, and comes to the same azimuths twice a day."""

LONG_BIN_MINUTES, LONG_BIN_DAYS = 30, 3
"""Width of bins from which fog may well burn off in the same one twice, and the days from which edges there are no
chance: what stands there takes the beam on every day with sun beside it (our choice, no source)."""

FOR_OTHERS_DAYS, FOR_OTHERS = 3, 15.0
"""Days and log odds from which a span speaks for other planes, too: a cloud that once or twice looks like shade on one
plane darkens all."""

SURELY_SUN = 0.85
"""Share of a plane's clear-sky energy from which one that is held at a limit has the sun all the same: it would have
that much at least without."""

SHARED = 0.5
"""Share of the shorter of two spans that must lie in the other for both to be of one object."""

MOST_SPANS = 3

MUCH_OF_LIGHT = 0.3
"""Share of the plane's clear-sky energy that a span without sun must hold (our choice, no source)."""

WALL_EDGE_DEG = 0.05


@dataclass(frozen=True)
class Facing:
    """How a plane would face, whole degrees."""

    tilt_deg: int
    azimuth_deg: int


@dataclass(frozen=True)
class PlaneShade:
    """One span of solar time in which `plane` gets no beam.

    `azimuths_deg` are the sun's at its begin and end; `where` (D,) the intervals in it; `days` on how many days it
    was seen dark beside bright hours or against other planes, and `seen` (D,) its intervals on those; `log_odds` for
    shade against cloud; `turned` whether the plane may face elsewhere instead, `facing` how it would if that explains
    its light at least as well; `sunless` whether no sun was seen in it on any day, so that what is left tells of it.
    """

    plane: str
    azimuths_deg: tuple[float, float]
    where: BoolArray
    days: int
    log_odds: float
    seen: BoolArray = field(default_factory=lambda: np.zeros(0, dtype=bool))
    turned: bool = False
    sunless: bool = False
    facing: Facing | None = None

    @property
    def speaks_for_others(self) -> bool:
        """Return whether the span is so sure that what it says of an object holds for other planes."""
        sure = self.sunless or self.log_odds >= FOR_OTHERS
        return not self.turned and self.days >= FOR_OTHERS_DAYS and sure

    def shares(self, other: PlaneShade) -> bool:
        """Return whether the two spans are mostly the same."""
        both = int((self.where & other.where).sum())
        return both > SHARED * min(int(self.where.sum()), int(other.where.sum()))


@dataclass(frozen=True)
class Judged:
    """A span of bins from `first` to `last` as shade, whether bounds alone say so, and all its signs.

    `overhead` is one in which the sun stands higher than what is beside a roof.
    """

    shade: PlaneShade
    first: int
    last: int
    by_bounds: bool
    overhead: bool
    signs: ShadeSigns


def common_shade(
    day: Daylight,
    table: FloatArray,
    agreed: FloatArray,
    sky: Irradiance | None = None,
    elsewhere: Callable[[PlaneShade], bool] = lambda _: False,
    units: UnitEnergies | None = None,
) -> tuple[PlaneShade, ...]:
    """Return the shade found on whole planes; under a measured `sky` no cloud is taken for any.

    `table` (G, S, K, D) is `sky.family(day)`, `agreed` (G, D) what most units of each group made, Wh, `units` what each
    made; `elsewhere` tells whether a plane in such shade is better explained by facing elsewhere. Empty where nothing
    is sure, and for windows of more than LONGEST_DAYS days.
    """
    if day.grid.count * day.grid.interval_min > LONGEST_DAYS * 24 * 60 or len(day.positions) == 0:
        return ()
    energies, beams, asked = _seen(day, table, agreed, sky, units)
    scan = partial(_spans, day, energies, elsewhere)
    alone = [shade for name, beam in asked.items() for shade in scan(name, beam)]
    found: list[PlaneShade] = []
    for name, beam in asked.items():
        beside = [s for s in alone if s.plane != name and not s.turned]
        found += scan(name, beam, beside) if beside else [s for s in alone if s.plane == name]
    return tuple(found + _beside(day, energies, beams, found))


def first_spans(
    day: Daylight,
    table: FloatArray,
    agreed: FloatArray,
    sky: Irradiance | None = None,
    units: UnitEnergies | None = None,
) -> dict[str, Judged]:
    """Return by plane what its likeliest span says of shade, be it enough or not; arguments as of `common_shade`."""
    energies, _, asked = _seen(day, table, agreed, sky, units)
    spans = {name: likeliest(beam, _width_min(day)) for name, beam in asked.items()}
    return {
        name: _judged(day, energies, name, asked[name], span)
        for name, span in spans.items()
        if span is not None
    }


def _seen(
    day: Daylight, table: FloatArray, agreed: FloatArray, sky: Irradiance | None, units: UnitEnergies | None
) -> tuple[PlaneEnergies, dict[str, Beam], dict[str, Beam]]:
    """Return the planes' energies and by plane its beam, alone and with what other planes and its own edges say."""
    energies = PlaneEnergies(day, table, agreed, sky)
    held = _held(day, agreed)
    energies.told &= ~held
    names = dict.fromkeys(g.plane.name for g in day.groups)
    beams = {name: beam for name in names if (beam := beam_of(day, energies, name)) is not None}
    asked = {name: _with_edges(_asked(name, beams, energies), energies, name, units) for name in beams}
    beams, asked = (
        {name: _sunny_at_limit(beam, energies, name, held) for name, beam in of.items()}
        for of in (beams, asked)
    )
    return energies, beams, asked


def _asked(plane: str, beams: dict[str, Beam], energies: PlaneEnergies) -> Beam:
    """Return a plane's beam with what the others say of it where they have the sun."""
    beam, others = beams[plane], [b for name, b in beams.items() if name != plane]
    if not others:
        return crossed(beam, energies, plane, np.zeros(beam.told.shape, dtype=bool))
    clouds = clouds_of(others)
    if not beam.clouds.told.any():
        beam = replace(beam, clouds=clouds)
    return crossed(beam, energies, plane, clouds.lit)


def _sunny_at_limit(beam: Beam, energies: PlaneEnergies, plane: str, held: BoolArray) -> Beam:
    """Return a plane's beam with the sun that it surely has while the site is `held` (D,): it shows no edge there."""
    groups = [g for g, group in enumerate(energies.day.groups) if group.plane.name == plane]
    sunny = held & (energies.agreed[groups] >= SURELY_SUN * energies.clear[groups]).any(axis=0)
    at = np.isin(np.arange(beam.told.size), beam.place[sunny]).reshape(beam.told.shape)
    named = {name: getattr(beam, name) | at for name in ("told", "bright", "strong", "calm")}
    return replace(beam, **named)


def _with_edges(beam: Beam, energies: PlaneEnergies, plane: str, units: UnitEnergies | None) -> Beam:
    """Return a plane's beam with the edges at which its units lose the sun one after another."""
    if units is None:
        return beam
    begins, ends = parted(energies, plane, beam, units)
    return replace(beam, begins_parted=begins, ends_parted=ends)


def _beside(
    day: Daylight, energies: PlaneEnergies, beams: dict[str, Beam], found: list[PlaneShade]
) -> list[PlaneShade]:
    """Return the shade of other planes behind the same objects, but for those that saw the sun there."""
    place, shape = solar_places(day)
    beside = Beside(energies, place // shape[1], day.grid.interval_min)
    names = dict.fromkeys(g.plane.name for g in day.groups)
    out: list[PlaneShade] = []
    for shade in (s for s in found if s.speaks_for_others):
        told = {s.plane for s in (*found, *out) if s.shares(shade)}
        others = [n for n in names if n not in told and not (n in beams and _saw_sun(beams[n], shade.seen))]
        also = [n for n in others if beside.also_shaded(n, shade.plane, shade.seen)]
        out += [replace(shade, plane=n) for n in also]
    return out


def _saw_sun(beam: Beam, seen: BoolArray) -> bool:
    """Return whether the sun shone on a plane as from a clear sky for some of the intervals `seen` (D,)."""
    calm = beam.calm & beam.bright & beam.strong
    told, sunny = ((beam.told & x).ravel()[beam.place][seen].sum() for x in (beam.told, calm))
    return bool(sunny > MOST_BRIGHT * told)


def _held(day: Daylight, agreed: FloatArray) -> BoolArray:
    """Return when the site stands at one level, (D,), from a day's first such interval to its last.

    A limit comes back day by day as shade does, and at its own level, be it that noise hides how a day crowds there.
    """
    counts = np.array([len(g.members) for g in day.groups])[:, None] * np.isfinite(agreed)
    rated = np.array([g.inverter.ac_rated_w for g in day.groups])[:, None] * day.interval_hours
    share = (np.nan_to_num(agreed) * counts).sum(axis=0) / np.maximum((rated * counts).sum(axis=0), 1e-9)
    place, shape = solar_places(day)
    todays = [place // shape[1] == one for one in np.unique(place // shape[1])]
    limited = [near_held_level(np.where(today, share, 0.0), day.grid.interval_min) for today in todays]
    held = np.zeros(len(place), dtype=bool)
    if not np.any(limited):
        return held
    near = np.abs(share / np.median(share[np.any(limited, axis=0)]) - 1) <= 2 * HELD
    for today in todays:
        at = np.flatnonzero(near & today)
        if len(at) * day.grid.interval_min >= HELD_MINUTES:
            held[at[0] : at[-1] + 1] = True
    return held


def _spans(
    day: Daylight,
    energies: PlaneEnergies,
    elsewhere: Callable[[PlaneShade], bool],
    plane: str,
    beam: Beam,
    beside: Sequence[PlaneShade] = (),
) -> list[PlaneShade]:
    """Return the spans found one after another, the likeliest first; `beside` is the shade of other planes."""
    found: list[PlaneShade] = []
    for _ in range(MOST_SPANS):
        best = likeliest(beam, _width_min(day))
        if best is None:
            break
        judged = _judged(day, energies, plane, beam, best, beside)
        if judged.overhead or not (judged.by_bounds or judged.signs.are_enough):
            break
        if _rests_on_planes(best) and elsewhere(judged.shade):
            found.append(replace(judged.shade, turned=True))
            break
        found.append(judged.shade)
        beam = beam.without(judged.first, judged.last)
    return found or _without_sun(day, energies, elsewhere, plane, beam)


def _judged(
    day: Daylight,
    energies: PlaneEnergies,
    plane: str,
    beam: Beam,
    span: Span,
    beside: Sequence[PlaneShade] = (),
) -> Judged:
    """Return a span as shade of the plane, with what speaks for it; `beside` is the shade of other planes."""
    width, clear_wh, bins = _width_min(day), energies.clear_of(plane), beam.told.shape[1]
    first, last = _to_its_ends(beam, span)
    where = (beam.place % bins >= first) & (beam.place % bins <= last)
    share = float(clear_wh[where].sum() / clear_wh.sum())
    azimuths, seen = _azimuth_span(day.azimuth_deg[where]), where & span.spoke[beam.place // bins]
    shade = PlaneShade(plane, azimuths, where, int(span.spoke.sum()), span.log_odds, seen)
    minutes, odds = (last - first + 1) * width, _without_chance(span, width)
    shared = any(shade.shares(other) for other in beside)
    least = NEEDED_BESIDE if shared else _needed(span, minutes)
    heights = day.elevation_deg[where]
    signs = signs_of(beam, span, width, log_odds=odds, minutes=minutes, share=share, elevation_deg=heights)
    overhead = bool(heights.max() > HIGHEST_SUN_DEG) and span.by_planes < BY_PLANES_WIDE
    return Judged(shade, first, last, _is_sure(span, odds, share, least), overhead, signs)


def _width_min(day: Daylight) -> int:
    return max(BIN_MINUTES, day.grid.interval_min)


def _without_sun(
    day: Daylight,
    energies: PlaneEnergies,
    elsewhere: Callable[[PlaneShade], bool],
    plane: str,
    beam: Beam,
) -> list[PlaneShade]:
    """Return the shade of a plane that sees no sun for much of its light on any day, and still days' light instead."""
    dark = sunless(beam, _width_min(day))
    if dark is None:
        return []
    inside, clear_wh = beam.place % beam.told.shape[1], energies.clear_of(plane)
    where = (inside >= dark.first) & (inside <= dark.last)
    if clear_wh[where].sum() < MUCH_OF_LIGHT * clear_wh.sum():
        return []
    span = _azimuth_span(day.azimuth_deg[where])
    shade = PlaneShade(plane, span, where, dark.days, NEEDED, where, sunless=True)
    return [replace(shade, turned=elsewhere(shade))]


def _rests_on_planes(span: Span) -> bool:
    """Return whether the span's own edges would not do without other planes, so that this one may face elsewhere.

    Shade begins and ends sharply, and of a plane that is described wrongly it is not known what it should make. Days
    are alike on a turned plane, too.
    """
    edges = span.log_odds - span.by_planes - span.by_days
    return span.by_planes > span.by_days and edges < NEEDED


def _without_chance(span: Span, width_min: int) -> float:
    """Return the span's log odds, where the edges of few days with long bins count as one day's."""
    edges = span.log_odds - span.by_planes - span.by_days
    few = width_min >= LONG_BIN_MINUTES and span.spoke.sum() < LONG_BIN_DAYS
    return span.log_odds - (max(edges - DAY_CAP, 0.0) if few else 0.0)


def _needed(span: Span, minutes: int) -> float:
    """Return the log odds from which a span of so many minutes is believed, however little of the light lies in it."""
    if minutes < NARROW_MINUTES and span.by_planes < BY_PLANES_WIDE:
        return NEEDED_NARROW
    return NEEDED_BY_PLANES if span.by_planes >= BY_PLANES else NEEDED


def _is_sure(span: Span, odds: float, share: float, least: float) -> bool:
    """Return whether such odds are enough for a span with that share of the plane's clear-sky energy."""
    wide = [needed for above, needed in WIDE if share > above and span.by_planes < BY_PLANES_WIDE]
    return odds >= (wide[0] if wide else least)


def _to_its_ends(beam: Beam, span: Span) -> tuple[int, int]:
    """Return the span's first and last bin, one more where it is partly shaded on most days."""
    told = beam.told[span.spoke]
    bright = (told & beam.bright[span.spoke]).sum(axis=0) > FEW_BRIGHT * told.sum(axis=0)
    first, last = span.first, span.last
    if first > 0 and not bright[first - 1]:
        first -= 1
    if last < len(bright) - 1 and not bright[last + 1]:
        last += 1
    return first, last


def _azimuth_span(azimuth: FloatArray) -> tuple[float, float]:
    """Return the azimuths between which the sun stood, clockwise; through north where it did."""
    turned = (azimuth + 180) % 360
    low, high = (azimuth.min(), azimuth.max()), (turned.min(), turned.max())
    if low[1] - low[0] <= high[1] - high[0]:
        return float(low[0]), float(low[1])
    return float((high[0] + 180) % 360), float((high[1] + 180) % 360)


def behind(site: Site, shades: tuple[PlaneShade, ...]) -> Site:
    """Return the site with the shade as its planes' horizon: none of them sees the sun within a span."""
    return replace(site, planes=tuple(walled(p, shades) for p in site.planes))


def without_shaded(day: Daylight, energy_wh: FloatArray, shades: tuple[PlaneShade, ...]) -> FloatArray:
    """Return the energies (U, D) with those of units in shade as NaN: they say nothing about the sky."""
    out = energy_wh.copy()
    for shade in shades:
        rows = [i for i, unit in enumerate(day.site.units) if unit.plane == shade.plane]
        out[np.ix_(np.array(rows), np.flatnonzero(shade.where))] = np.nan
    return out


def sky_behind(day: Daylight, sky: ArraySky, shades: tuple[PlaneShade, ...]) -> ArraySky:
    """Return the sky with that of shaded intervals of which no plane tells taken from the hours around them."""
    shaded = np.any([s.where for s in shades], axis=0) & ~sky.known
    index = sky.index.copy()
    minutes = day.positions * day.grid.interval_min
    for at in np.flatnonzero(shaded):
        near = sky.known & (np.abs(minutes - minutes[at]) <= AROUND_MINUTES)
        if near.any():
            index[at] = index[near].mean()
    return replace(sky, index=index)


def walled(plane: Plane, shades: tuple[PlaneShade, ...]) -> Plane:
    """Return the plane with a wall in each span of its own shade, its recorded horizon kept beside them."""
    for low, high in (s.azimuths_deg for s in shades if s.plane == plane.name):
        sides = np.array([(low - WALL_EDGE_DEG) % 360, (high + WALL_EDGE_DEG) % 360])
        left, right = horizon_elevation(plane, sides)
        width = (high - low) % 360
        points = {a: e for a, e in plane.horizon if (a - low) % 360 > width}
        points |= {
            low % 360: 90.0,
            high % 360: 90.0,
            float(sides[0]): float(left),
            float(sides[1]): float(right),
        }
        plane = replace(plane, horizon=tuple(sorted(points.items())))
    return plane
