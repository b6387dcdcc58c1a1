"""A loss that comes at certain sun positions and leaves the unit whole at others.

Reasoning: an obstacle takes the beam away while the sun stands behind it and leaves most of the diffuse light, so
the loss comes and goes with the sun's place while the unit is at its full level for the rest of the day. A steady
level is another cause's. On one day sun position and hour are the same thing: the confidence says so, and rises with
days on which the loss came back at the same azimuth. Where a whole plane is shaded its units say nothing against one
another: `verify/common_shade.py` tells that from cloud, and one finding speaks for the plane. What shades planes of two
directions alike stands before a third one, too, even where that has its back to the sun then: their findings say so.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from service.expect.site import Plane
from service.verify.angles import azimuths_apart_deg
from service.verify.case import BoolArray, Case, once
from service.verify.causes import curtailed
from service.verify.causes.steady import has_peers
from service.verify.causes.wording import azimuths, energy, percent
from service.verify.common_shade import NEEDED, Facing, PlaneShade
from service.verify.consensus import median, robust_sd
from service.verify.elsewhere import may_be_the_sky
from service.verify.inputs import FloatArray
from service.verify.levels import PEERS_FOR_COMPARISON
from service.verify.outline import outline_of, outline_of_plane, sun_of_intervals
from service.verify.plane_beam import TELLING_BEAM
from service.verify.result import Finding
from service.verify.sentence import Quantity, Sentence, counted_sentence, joined, sentence
from service.verify.sky import sunward_shares

DEFICIT = 0.10
"""Shortfall against its peers from which an interval counts as short."""

LEAST_SHARE, LEAST_SHARE_TOGETHER, LEAST_SHARE_RETURNED = 0.025, 0.01, 0.003
"""Share of the energy that a unit's shadow takes at least, one over its plane, and one that came on DAYS_TO_RETURN."""

LEAST_SHARE_OF_CALM, CALM, DEPTH = 0.012, 0.02, 8.0
"""What a shadow takes at least of a unit beside like ones whose other readings scatter by so little, and by how many
times as much it must be short: no noise does that. Of 3024 healthy units of days (`tests/bench/fleet`) one lacked more
than 0.008, and it scattered by 0.04; units in shade that lacked 0.012 to 0.025 mostly by 0.005."""

LEAST_SHARE_BY_MODEL = 0.08
DAYS_TO_RETURN, LEAST_RETURN, SURE_SHARE = 3, 0.35, 0.06
"""From so many days on, a loss that is small or told by the model alone must come back at so many of its sun positions;
a larger one beside like units need not: the days may have been dark."""

AS_SUNNY = 0.9
"""Share of the clear-sky index of its short readings from which another day has as much sun (our choice)."""

DEEPER, SUNNY, CLOUDED, BRIGHTER = 3.0, 0.6, 0.4, 0.2
"""How many times as deep as a unit is low otherwise a shadow is that explains that as well, the shares of a plane's
light from the sun's direction that make it sunny and clouded, and how much of what the unit lacks under clouds it must
have in the sun: what stands before a unit takes light of the sky all day, a weak module the same share of any light. Of
four units in shade (`tests/bench/fleet`, weeks) all had 0.28 to 0.38, two weak ones beside them 0.0."""

LEAST_MATES, LEAST_RETURN_BESIDE, SAME_PLACE, LEAST_SHARE_BESIDE = 2, 0.2, 0.9, 0.006
"""So many like units in shade show that something stands there: at how few of its sun positions a loss must come back
then, of which so many are theirs, and what it takes at least of a unit that is calm otherwise."""

SURE_RETURN, LEAST_SHARE_OF_SURE = 0.6, 0.015
"""Share of the sun positions at which a loss on so many days comes back and is no chance, however uneven the unit's
level looks by it, and what it must take then."""

WHOLE_SHARE, LEAST_WHOLE_SHARE = 0.10, 0.03
"""Least share of the energy that must be at full level, beside the least share that must be lost, and how little does
where as many readings in a row as make a shadow are whole beside like units."""

AS_FOG = 0.6
"""How sure a plane's shade can be that no sun tells: even fog of some days in a row may leave as still a light. Of 300
winter weeks of the demo's engine, whose covers change slowly, two were said to stand in shade (our choice)."""

AS_A_TURN = 0.55
"""How sure a plane's shade is where facing elsewhere explains its light as well: of eleven such planes of weeks
(`tests/bench/fleet`) eight stood in shade and three were described wrongly, which are seldomer on a roof than there."""

LIKE_ITS_PLANE = 0.5
"""Share of its plane's usual loss from which a unit is shaded with it."""

LEAST_INTERVALS, LEAST_LONG, LONG_MINUTES = 4, 2, 30
"""Least number of short readings, and of such that are long: the scatter of half an hour's energy is no shadow."""

MOST_AT_LIMIT = 0.5
BEAM_INDEX, CLEAR_INDEX = 0.45, 0.95
"""Clear-sky index from which there is beam enough to take away: for like units, and where only the model compares: a
bright closed cover has up to nine tenths of a clear sky's light and no beam at all."""

AZIMUTH_STEP_DEG = 5.0

BORNE_OUT = 0.5
"""Share of a loss beside like units that must show by the sky that all units show, too: of few like ones a unit that
faces elsewhere makes whole ones look short. Of 37 units in shade (`tests/bench/fleet`) none had less than 0.92."""

BEAM_OF_LOSS = 0.3
"""Share of a loss that the beam due to the plane must make up: what shades a unit takes beam before the sky's light. A
plane with its back to a low winter sun has none to lose, and its own light is what the model knows worst. Of 95 units
in shade (`tests/bench/stranger`, weeks of seeds 0 to 39) one had 0.5, the others 0.66 and more."""

MOST_HELD = 0.5
"""Share of a plane's shade at most in which the site stands at a limit, which comes back day by day as well."""

OTHER_WAY_DEG, LITTLE_BEAM = 40.0, TELLING_BEAM
"""Between the azimuths of planes that face different ways; share of beam up to which a plane cannot show that it lost
it."""


@dataclass(frozen=True)
class _Shortfall:
    short: BoolArray
    read: BoolArray
    lost_share: float
    azimuths_deg: tuple[float, float]
    return_share: float
    days: int


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return one finding for each plane that is shaded, and for each other unit with a loss bound to sun positions."""
    found = _before_the_site(case, _planes(case, named))
    named |= {serial for f in found for serial in f.serials}
    left = [i for i, serial in enumerate(case.serials) if serial not in named]
    falls = {i: fall for i in left if (fall := _borne_out(case, i, _shortfall(case, i))) is not None}
    falls |= {
        i: fall
        for i in left
        if i not in falls and len(mates := [falls[k] for k in case.like(i) if k in falls]) >= LEAST_MATES
        if (fall := _borne_out(case, i, _shortfall(case, i, beside=True))) is not None
        if _stands_there(case, fall, mates)
    }
    found += [_finding(case, i, fall) for i, fall in sorted(falls.items())]
    return found


def explains(case: Case, i: int, loss: float) -> bool:
    """Return whether what shades a unit for a part of the day makes it low by `loss` otherwise: it hides sky, too."""
    fall = _borne_out(case, i, _shortfall(case, i))
    if fall is None or fall.days < DAYS_TO_RETURN or fall.return_share < SURE_RETURN:
        return False
    series, weight = case.levels.relative_series(i), case.levels.weight[i]
    sun = case.sunward_shares[case.day.site.units[i].plane]
    # what is short by as much as it is low lies in no shadow
    deep = fall.short & (series < 1 - DEEPER * loss)
    usual = np.isfinite(series) & (weight > 0) & ~(series < 1 - DEFICIT - loss)
    parts = [usual & (sun >= SUNNY), usual & (sun < CLOUDED)]
    if 2 * deep.sum() < fall.short.sum() or not all(part.any() for part in parts):
        return False
    sunny, clouded = (float(np.average(series[part], weights=weight[part])) for part in parts)
    return sunny - clouded >= BRIGHTER * (1 - clouded)


def _borne_out(case: Case, i: int, fall: _Shortfall | None) -> _Shortfall | None:
    """Return the shortfall if the sky that all units show bears it out and the sun has so much to give."""
    if fall is None or _lost_by_all(case, i, fall) < BORNE_OUT * fall.lost_share:
        return None
    if may_be_the_sky(case, i, fall.short):
        return None
    return fall if _has_beam_to_lose(case, i, fall) else None


def _stands_there(case: Case, fall: _Shortfall, mates: list[_Shortfall]) -> bool:
    """Return whether a unit is short while the sun stands where like ones are in shade."""
    place = sun_of_intervals(case).azimuth_deg // AZIMUTH_STEP_DEG
    there = np.isin(place, place[np.any([m.short for m in mates], axis=0)])
    return bool(there[fall.short].mean() >= SAME_PLACE)


def _planes(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return one finding for each plane on which shade takes enough, for its units that nothing else explains."""
    found, held = [], curtailed.held(case)
    for plane in dict.fromkeys(shade.plane for shade in case.shades):
        shades = [s for s in case.shades if s.plane == plane]
        where = np.asarray(np.any([s.where for s in shades], axis=0))
        if (where & held).sum() > MOST_HELD * where.sum():
            continue
        members = [
            i for i, unit in enumerate(case.day.site.units) if unit.plane == plane and case.heard[i].any()
        ]
        rows = [
            i for i in members if case.serials[i] not in named and _loses_with_plane(case, i, members, where)
        ]
        lost = sum(_lost_to_shade(case, i, where) for i in rows)
        due = sum(float(case.stated.energy_wh[i, case.heard[i]].sum()) for i in rows)
        least = (
            LEAST_SHARE_RETURNED if max(s.days for s in shades) >= DAYS_TO_RETURN else LEAST_SHARE_TOGETHER
        )
        if rows and lost >= least * due:
            found.append(_plane_finding(case, shades, rows, where, (lost, due)))
    return found


def _before_the_site(case: Case, found: list[Finding]) -> list[Finding]:
    """Return the findings, of which two say if what they name stands before planes with their backs to it, too.

    An object before one plane shades that alone; one before two is before the whole site, and takes sky from all. A
    plane that shows no loss of its own is not named for it.
    """
    told = {f.plane for f in found}
    both = _shared_by_two(case, told)
    others = [p for p in case.day.site.planes if p.name not in told and p.name not in case.doubted]
    if both is None or not any(_turns_its_back(case, plane, both[0].where) for plane in others):
        return found
    one, other = both[0].plane, both[1].plane
    said = sentence(
        " %(one)s and %(other)s face different ways and lose the sun at the same azimuths: what stands there is before "
        "the whole site. It takes light of the sky from planes with their backs to it, too; how much does not show.",
        one=one,
        other=other,
    )
    return [replace(f, evidence=joined(f.evidence, said)) if f.plane in (one, other) else f for f in found]


def _shared_by_two(case: Case, told: set[str | None]) -> tuple[PlaneShade, PlaneShade] | None:
    """Return two planes' shade over the same span where they face different ways and both surely lose by it."""
    facing_deg = {p.name: p.azimuth_deg for p in case.day.site.planes}
    pairs = combinations([s for s in case.shades if s.speaks_for_others and s.plane in told], 2)
    shared = (
        (a, b)
        for a, b in pairs
        if a.shares(b) and azimuths_apart_deg(facing_deg[a.plane], facing_deg[b.plane]) >= OTHER_WAY_DEG
    )
    return next(shared, None)


def _turns_its_back(case: Case, plane: Plane, where: BoolArray) -> bool:
    """Return whether the sun has little to give to the plane in the intervals `where`: what shades it takes no beam."""
    share = sunward_shares(case.day, case.day.clear, [replace(plane, horizon=())])[plane.name]
    return bool(share[where].mean() < LITTLE_BEAM)


def _look(plane: str, spans: Quantity) -> Sentence:
    return sentence(
        "Look from %(plane)s towards %(spans)s degrees for a hill, house or trees; nothing on the roof is to be "
        "mended, but the yield promised must allow for it.",
        plane=plane,
        spans=spans,
    )


def _look_or_measure(plane: str, spans: Quantity) -> Sentence:
    return sentence(
        "Look from %(plane)s towards %(spans)s degrees for a hill, house or trees; if nothing stands there, measure "
        "the plane's azimuth (compass or map) and tilt and correct the record.",
        plane=plane,
        spans=spans,
    )


def _loses_with_plane(case: Case, i: int, members: list[int], where: BoolArray) -> bool:
    """Return whether the unit loses as most of its plane do: a house may stand before a part of it only."""
    shares = {k: _lost_share(case, k, where) for k in members}
    return shares[i] >= LIKE_ITS_PLANE * float(np.median([s for s in shares.values() if s > 0] or [1.0]))


def _lost_share(case: Case, i: int, where: BoolArray) -> float:
    due = float(case.stated.energy_wh[i, case.heard[i] & where].sum())
    return _lost_to_shade(case, i, where) / due if due > 0 else 0.0


def _lost_to_shade(case: Case, i: int, where: BoolArray) -> float:
    use = case.heard[i] & where
    return max(float(case.stated.energy_wh[i, use].sum() - case.measured_wh[i, use].sum()), 0.0)


def _plane_finding(
    case: Case, shades: list[PlaneShade], rows: list[int], where: BoolArray, energies: tuple[float, float]
) -> Finding:
    first, last = case.first_and_last(where)
    lost, due = energies
    spans, facing = azimuths(s.azimuths_deg for s in shades), shades[0].facing
    told = _told_by(shades, units=len(rows), spans=spans, lost=energy(lost), share=percent(lost / due))
    outline = outline_of_plane(case, rows, where).as_fields()
    return Finding(
        cause="shaded",
        serials=case.named(rows),
        confidence=_confidence(shades),
        evidence=joined(told, _or_faces(facing)) if facing else told,
        advice=_look_or_measure(shades[0].plane, spans) if facing else _look(shades[0].plane, spans),
        first_seen=first,
        last_seen=last,
        lost_wh=round(lost, 1),
        plane=shades[0].plane,
        details={**outline, "also_explained_by": "plane_misdescribed"} if facing else outline,
    )


def _confidence(shades: list[PlaneShade]) -> float:
    """Return how sure a plane's shade is."""
    if shades[0].facing:
        return AS_A_TURN
    odds = max(s.log_odds for s in shades)
    return AS_FOG if _is_sunless(shades) else round(min(0.97, 0.75 + 0.02 * (odds - NEEDED)), 2)


def _or_faces(facing: Facing) -> Sentence:
    """Return what else explains a plane's light as well, and what decides."""
    return sentence(
        " A plane that faces azimuth %(azimuth)s at a tilt of %(tilt)s degrees would explain this as well: nothing "
        "would shade it, and the record would describe it wrongly. A look towards that sun and a compass on the plane "
        "decide.",
        azimuth=facing.azimuth_deg,
        tilt=facing.tilt_deg,
    )


def _is_sunless(shades: list[PlaneShade]) -> bool:
    """Return whether nothing but the light that is left without sun tells of a plane's shade."""
    return all(shade.sunless for shade in shades)


def _told_by(shades: list[PlaneShade], **values: str | float | Quantity) -> Sentence:
    """Return what tells of a plane's shade: the sun at its edges or elsewhere, or the light that is left without it."""
    days = max(s.days for s in shades)
    if _is_sunless(shades):
        return counted_sentence(
            "All %(units)s units see no sun while it is between azimuth %(spans)s degrees, on %(num)s day; what is "
            "left is as still and as even as the light of a clear sky alone, and not as passing clouds'; even fog may "
            "look like it: a day with sun decides; lost: %(lost)s, %(share)s of their energy.",
            "All %(units)s units see no sun while it is between azimuth %(spans)s degrees, on %(num)s days; what is "
            "left is on several of them as still and as even as the light of a clear sky alone, or about the same on "
            "all, and not as passing clouds'; even fog may look like it: a day with sun decides; lost: %(lost)s, "
            "%(share)s of their energy.",
            days,
            **values,
        )
    return counted_sentence(
        "All %(units)s units lose their beam together while the sun is between azimuth %(spans)s degrees, on "
        "%(num)s day with sun just before or after or on another plane; lost: %(lost)s, %(share)s of their energy.",
        "All %(units)s units lose their beam together while the sun is between azimuth %(spans)s degrees, on "
        "%(num)s days with sun just before or after or on another plane; lost: %(lost)s, %(share)s of their "
        "energy.",
        days,
        **values,
    )


def _shortfall(case: Case, i: int, *, beside: bool = False) -> _Shortfall | None:
    """Return when a unit is short of what is due, None where that is no shadow; one `beside` others needs less."""
    least_of_calm = LEAST_SHARE_BESIDE if beside else LEAST_SHARE_OF_CALM
    by_peers = has_peers(case, i)
    series, weight = (of_all[i] for of_all in (_with_limited(case) if by_peers else _whole_at_limit(case)))
    told_by_peers = by_peers & _beside_peers(case)[i]
    least_index = np.where(told_by_peers, BEAM_INDEX, CLEAR_INDEX)
    read = np.isfinite(series) & (weight > 0) & (case.array_sky.index >= least_index)
    least = LEAST_LONG if by_peers and case.day.grid.interval_min >= LONG_MINUTES else LEAST_INTERVALS
    if read.sum() < 2 * least:
        return None
    due = np.ones(len(series)) if by_peers else _mates_level(case, i)
    short = np.asarray(read & (series < due - DEFICIT - 2 * case.levels.grain[i]))
    lost = float((weight * np.clip(1 - series, 0, 1))[short].sum() / weight.sum())
    whole = np.asarray(read & ~short)
    if lost < least_of_calm or _readings(case, i, short) < least:
        return None
    if not _is_whole_elsewhere(weight, read, whole, least if by_peers else None):
        return None
    by_peers = bool(weight[short & told_by_peers].sum() > 0.5 * weight[short].sum())
    azimuth = sun_of_intervals(case).azimuth_deg
    returned, days = _returns(case, azimuth, read, short)
    visible = max(LEAST_SHARE if by_peers else LEAST_SHARE_BY_MODEL, float(case.levels.visible[i]) / 2)
    comes_back = by_peers and (beside or (days >= DAYS_TO_RETURN and returned >= SURE_RETURN))
    calm = lost >= (least_of_calm if by_peers else LEAST_SHARE_BY_MODEL) and _is_calm(series, whole, short)
    # a deep shadow itself makes a unit's level look unsure
    sure = by_peers and lost >= SURE_SHARE
    if lost < visible and not (sure or calm or (comes_back and lost >= LEAST_SHARE_OF_SURE)):
        return None
    if days >= DAYS_TO_RETURN and returned < (LEAST_RETURN_BESIDE if beside else LEAST_RETURN) and not sure:
        return None
    return _Shortfall(short, np.asarray(read), lost, _span(azimuth[short], weight[short]), returned, days)


def _is_calm(series: FloatArray, whole: BoolArray, short: BoolArray) -> bool:
    """Return whether a unit's whole readings scatter so little that its short ones are none of that."""
    scatter = robust_sd(series[whole] - median(series[whole]))
    return scatter <= CALM and float(np.median(1 - series[short])) >= DEPTH * scatter


def _is_whole_elsewhere(weight: FloatArray, read: BoolArray, whole: BoolArray, in_a_row: int | None) -> bool:
    """Return whether enough of the energy `read` (D,) is at full level, or a little in so many readings in a row."""
    share = float(weight[whole].sum() / weight[read].sum())
    if share >= WHOLE_SHARE or in_a_row is None:
        return share >= WHOLE_SHARE
    return share >= LEAST_WHOLE_SHARE and _longest_run(whole[read]) >= in_a_row


def _longest_run(of: BoolArray) -> int:
    """Return the length of the longest run that is true in (N,)."""
    runs = np.bincount(np.cumsum(~of)[of], minlength=1)
    return int(runs.max())


@once
def _beside_peers(case: Case) -> BoolArray:
    """Return where like units work and say what was due, be it that they are at their limit, (U, D)."""
    told = np.isfinite(case.levels.series) | case.at_limit
    return _of_like(case, told) >= PEERS_FOR_COMPARISON


def _of_like(case: Case, where: BoolArray) -> FloatArray:
    """Return for how many of the units like each one something holds, (U, D)."""
    return case.day.for_units([where[list(g.members)].sum(axis=0) for g in case.day.groups])


def _readings(case: Case, i: int, where: BoolArray) -> int:
    """Return how many separate readings lie in `where` (D,): those put together for their steps' sake are one."""
    grain = case.levels.grain[i, where]
    return int((grain == 0).sum()) + len(np.unique(grain[grain > 0]))


@once
def _with_limited(case: Case) -> tuple[FloatArray, FloatArray]:
    """Return the units' levels over their references and the weights [Wh] of their intervals, (U, D) each.

    While like units stand at their inverters' limit no level is read, but a unit far below the limit is short all the
    same, by more than its AC output is.
    """
    series, weight = case.levels.series / case.levels.reference[:, None], case.levels.weight
    limited, rated = case.at_limit, case.day.rated_wh[:, None]
    mates = _of_like(case, case.heard) - case.heard
    most = _of_like(case, limited) - limited > MOST_AT_LIMIT * mates
    hidden = np.isnan(series) & case.heard & most
    level = np.minimum(case.measured_wh / rated, 1.0) / case.levels.reference[:, None]
    return np.where(hidden, level, series), np.where(hidden, rated, weight)


@once
def _whole_at_limit(case: Case) -> tuple[FloatArray, FloatArray]:
    """Return the same where few like units tell: a unit at its inverter's limit gives what that can, and is whole."""
    series, weight = case.levels.series / case.levels.reference[:, None], case.levels.weight
    hidden = np.isnan(series) & case.at_limit
    return np.where(hidden, 1.0, series), np.where(hidden, case.day.rated_wh[:, None], weight)


def _mates_level(case: Case, i: int) -> FloatArray:
    """Return the level of the brightest like unit, at most 1, (D,): what like units share is no one's shade.

    A unit without any like is held against the model.
    """
    mates = [k for k in case.like(i) if k != i and np.isfinite(case.levels.level[k])]
    if not mates:
        return np.ones(case.levels.series.shape[1])
    levels = np.stack([case.levels.relative_series(k) for k in mates])
    return np.asarray(np.clip(np.where(np.isfinite(levels), levels, 0.0).max(axis=0), 0.0, 1.0))


def _span(azimuth: FloatArray, weight: FloatArray) -> tuple[float, float]:
    """Return between which azimuths the middle four fifths of the loss lie, clockwise, degrees, maybe through north."""
    middle = float(np.degrees(np.angle((weight * np.exp(1j * np.radians(azimuth))).sum())))
    turned = (azimuth - middle + 180) % 360 - 180
    order = np.argsort(turned)
    sums = np.cumsum(weight[order]) / weight.sum()
    at = np.searchsorted(sums, [0.1, 0.9])
    low, high = (turned[order][np.minimum(at, len(order) - 1)] + middle) % 360
    return float(low), float(high)


def _returns(case: Case, azimuth: FloatArray, read: BoolArray, short: BoolArray) -> tuple[float, int]:
    """Return how often a short azimuth was short again on the other days that saw it, and the number of days.

    A day sees it that has as much sun there: behind an obstacle there is nothing to lose under a cloud.
    """
    day = case.day.positions * case.day.grid.interval_min // (24 * 60)
    place = (azimuth // AZIMUTH_STEP_DEG).astype(int)
    index, days = case.array_sky.index, len(np.unique(day[read]))
    again, seen = 0, 0
    for p in np.unique(place[short]):
        here = place == p
        here &= short | (index >= AS_SUNNY * np.median(index[here & short]))
        read_days, short_days = np.unique(day[here & read]), np.unique(day[here & short])
        again += len(short_days) - 1
        seen += len(read_days) - 1
    return (again / seen if seen else 1.0), days


def _lost_by_all(case: Case, i: int, fall: _Shortfall) -> float:
    """Return the share that was lost while the unit was short by the sky that all units show, at its plane's level."""
    due = max(float(case.levels.reference[i]), 1.0) * case.peers.energy_wh[i]
    lost = float((due - case.measured_wh[i])[case.heard[i] & fall.short].sum())
    return lost / float(due[case.heard[i]].sum())


def _has_beam_to_lose(case: Case, i: int, fall: _Shortfall) -> bool:
    """Return whether the sun gives the plane, while the unit is short, as much as most of what is lost."""
    due_wh = float(case.levels.reference[i]) * case.peers.energy_wh[i]
    short = case.heard[i] & fall.short
    beam_wh = due_wh * case.sunward_shares[case.day.site.units[i].plane]
    lost = float((due_wh - case.measured_wh[i])[short].sum())
    return float(beam_wh[short].sum()) >= BEAM_OF_LOSS * lost


def _finding(case: Case, i: int, fall: _Shortfall) -> Finding:
    first, last = case.first_and_last(fall.short)
    lost = case.lost_wh(i, fall.short)
    low, high = fall.azimuths_deg
    confidence = 0.7 if fall.days < 2 else 0.55 + 0.4 * min(fall.return_share / 0.6, 1.0)
    return Finding(
        cause="shaded",
        serials=case.named([i]),
        confidence=round(confidence, 2),
        evidence=joined(
            sentence(
                "Short by %(share)s of its energy (%(lost)s), mostly with the sun between azimuth %(low)s and %(high)s "
                "degrees, and at its full level otherwise",
                share=percent(fall.lost_share),
                lost=energy(lost),
                low=low,
                high=high,
            ),
            _repeat(fall),
        ),
        advice=sentence(
            "Look from the module towards %(low)s to %(high)s degrees for a chimney, tree, aerial or neighbour; from a "
            "safe stand, not from the roof's edge.",
            low=low,
            high=high,
        ),
        first_seen=first,
        last_seen=last,
        lost_wh=round(lost, 1),
        details=outline_of(case, [i], fall.short, fall.read).as_fields(),
    )


def _repeat(fall: _Shortfall) -> Sentence:
    if fall.days < 2:
        return sentence("; one day cannot tell shade from another passing loss.")
    share = percent(fall.return_share)
    return sentence(
        "; it came back there in %(share)s of the chances on %(num)s days.", share=share, num=fall.days
    )
