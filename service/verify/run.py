"""The verification, start to end: scale, sky, levels, causes, ratios, verdict.

`verify` is the only thing that other rooms call. It is a pure function: the same inputs give the same result.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC
from functools import partial
from typing import NamedTuple

import numpy as np

from service.expect.energy import unit_groups
from service.expect.grid import Grid
from service.expect.site import Site
from service.expect.sky import Irradiance, filled_with
from service.expect.weather import Weather, sky_from_weather
from service.verify.alignment import (
    LONGEST_SENSOR_MIN,
    Alignment,
    align,
    as_sent,
)
from service.verify.angles import apart_deg
from service.verify.case import (
    GIVES_NOTHING,
    Case,
    Expectation,
    active_mask,
    day_left,
    expectation,
    gone_after,
)
from service.verify.causes import name_causes, unit_scale
from service.verify.causes.misplaced import misplaced_units, turned_units
from service.verify.causes.site_low import best_hour_is_short, low_level
from service.verify.common_shade import (
    NEEDED,
    PlaneShade,
    behind,
    common_shade,
    sky_behind,
    without_shaded,
)
from service.verify.day import Daylight, daylight
from service.verify.divided import LEAST_APART_DEG, divided
from service.verify.inputs import FloatArray, FromService, Readings
from service.verify.levels import Levels, dc_series, levels, resolution_wh, untold
from service.verify.parted import UnitEnergies
from service.verify.plane_level import low_planes
from service.verify.ranking import curves, ranked, sky_result, verdict
from service.verify.rest import outages, without_standby
from service.verify.result import SkySource, Verification
from service.verify.same_share import DEEP, fallen_by
from service.verify.scale import factor_of_clear_hours, factor_of_share, scale_factor, site_brightness
from service.verify.search import LEAST_TURN_DEG
from service.verify.shade_or_turn import faces_elsewhere, stands_in_shade, with_facings
from service.verify.silence import silences, with_flanks
from service.verify.sky import (
    INDEX_LEVELS,
    SHIFT_COST,
    SHIFT_COST_KNOWN_LEVELS,
    ArraySky,
    family,
    group_consensus,
    infer,
    sky_at,
    spread_steps,
    within_limits,
    without_sun,
)
from service.verify.unseen import unseen
from service.verify.yearly import with_yearly_loss

STEADY_ENOUGH = (0.5, 1.2)
"""Levels that a unit may have and still be trusted, its level taken out, about how the sky changes."""

DOUBTED_VOTE = 0.3

EVEN_COVER = 0.2
"""Clear-sky index of a cover that no beam comes through (Erbs et al. 1982, doi:10.1016/0038-092X(82)90302-4)."""

MISLEADING, MISLEADING_SHARE = 2, 1 / 3
"""So many units of a plane, or so large a share of them, that lie elsewhere may be taken for its light: three that
agree in the sun outvote others (`consensus.py`), and of two the brighter is believed."""


def verify(
    site: Site, readings: Readings, weather: Weather | None = None, service: FromService | None = None
) -> Verification:
    """Return the verification of `readings` (in the order of `site.units`) against `site`.

    The units are judged against the sky that they themselves show; where irradiance was measured, the reported
    expected energy and ratios are those under the measured one, and means over a quarter of an hour or less tell what
    the units alone do not: a clock under a closed cover, a hill from a cloud. A site without a live unit, or
    with one that is all that is heard, is held against the clear sky. An open weather `service` is heard and judges
    nothing; its air temperature, if any, stands in `weather` with its own uncertainty. Raises ValueError if the
    readings' rows are not the site's units.
    """
    if readings.energy_wh.shape[0] != len(site.units):
        raise ValueError(
            f"readings have {readings.energy_wh.shape[0]} rows, the site {len(site.units)} units; give a row a unit."
        )
    case = build_case(site, readings, weather)
    findings = with_yearly_loss(case, name_causes(case), site)
    sky = sky_result(case, service)
    units = ranked(case, findings)
    return Verification(
        start=case.labels.start,
        end=case.labels.end,
        sky=sky,
        verdict=verdict(
            sky,
            findings,
            units,
            best_hour_is_short=best_hour_is_short(case),
            may_be_too_low=unit_scale.may_be_too_low(case),
        ),
        units=units,
        findings=findings,
        curves=curves(case),
        not_yet=unseen(case, findings),
    )


def build_case(site: Site, readings: Readings, weather: Weather | None = None) -> Case:
    """Return all that the causes look at: what is wrong with the site as a whole is undone first.

    Units that prove to lie elsewhere tell nothing of their plane, nor do those of one that is low beside the others: if
    they are several, the sky is read anew without them.
    What a low site lacks is no shade, and its sun shines all the same: its planes' shade is looked for at its level.
    """
    aligned = _aligned(site, readings, weather)
    case = _case(aligned, weather)
    alone = _turned_alone(aligned[0])
    if alone is not None or some_fit_the_record(case):
        recorded = as_sent(site, readings), _seen(site, readings, weather)
        by_record = _case(recorded, weather)
        if alone is None or any(m.unit == alone for m in misplaced_units(by_record)):
            aligned, case = recorded, by_record
    level = low_level(case)
    if level < 1:
        case = _case(aligned, weather, level=level)
    misleading = _misleading(case)
    misleading += [i for low in low_planes(case) if low.told for i in low.rows if i not in misleading]
    if misleading:
        case = replace(_case(aligned, weather, misleading, level), of_all=case)
    shades = with_facings(aligned[0], case.scale, weather, case.shades)
    return replace(case, shades=shades) if any(s.facing for s in shades) else case


def _turned_alone(alignment: Alignment) -> int | None:
    """Return the only unit that gives light of several on a plane that seems turned: it may lie on another itself."""
    if alignment.plane is None:
        return None
    made = np.nansum(alignment.readings.energy_wh, axis=1)
    there = [i for i, u in enumerate(alignment.site.units) if u.plane == alignment.plane.recorded.name]
    giving = [i for i in there if made[i] > GIVES_NOTHING * made.max()]
    return giving[0] if len(giving) == 1 < len(there) else None


def some_fit_the_record(case: Case) -> bool:
    """Return whether stray units have the orientation that a plane had before it was turned: then it lies as recorded.

    They are its own, and its others lie elsewhere, be they the most; or they lie on it and are recorded on another.
    One that may as well lie on another plane says nothing, nor one alone of many on an only plane.
    """
    wrong = case.alignment.plane
    if wrong is None:
        return False
    now = replace(wrong.recorded, tilt_deg=wrong.tilt_deg, azimuth_deg=wrong.azimuth_deg)
    others = [p for p in case.alignment.site.planes if p.name != wrong.recorded.name]
    own = [
        s
        for s in divided(case).strays
        if apart_deg(wrong.recorded, s) < min(LEAST_APART_DEG, apart_deg(now, s))
        and all(apart_deg(wrong.recorded, s) < apart_deg(p, s) - LEAST_TURN_DEG for p in others)
    ]
    least = 1.0 if others else min(MISLEADING, MISLEADING_SHARE * case.heard.any(axis=1).sum())
    return len(own) >= max(least, 1.0)


def _misleading(case: Case) -> list[int]:
    """Return the units that lie elsewhere and are enough to be taken for the light of the plane on record."""
    recorded = {m.unit for m in misplaced_units(case)}
    found = recorded | {t.unit for t in turned_units(case, set(range(len(case.serials))) - recorded)}
    out: list[int] = []
    for group in case.day.groups:
        heard = [i for i in group.members if case.heard[i].any()]
        there = [i for i in heard if i in found]
        if len(there) >= min(MISLEADING, MISLEADING_SHARE * len(heard)):
            out += there
    return out if len(out) < case.heard.any(axis=1).sum() else []


def _case(
    aligned: tuple[Alignment, _Seen],
    weather: Weather | None,
    displaced: Sequence[int] = (),
    level: float = 1.0,
) -> Case:
    """Return the case of an aligned window, in which the units `displaced` do not tell what was due.

    Planes show their shade by their light at the site's `level`.
    """
    alignment, (day, table, clear_wh, scale, _) = aligned
    sent = alignment.readings.energy_wh[:, day.positions]
    measured = without_standby(sent / scale, clear_wh, day.rated_wh, day.positions, day.grid.interval_min)
    out = outages(measured, clear_wh, day.rated_wh, day.grid.interval_min)
    voices = measured.copy()
    voices[list(displaced)] = np.nan
    told = _without_gone(day, np.where(out, np.nan, voices), clear_wh)
    quantum = max(resolution_wh(measured), resolution_wh(sent) / scale)
    agreed = group_consensus(day, voices, np.ones(len(measured)), quantum)
    stated_sky = _measured_sky(day, weather)
    shades: tuple[PlaneShade, ...] = ()
    doubted: tuple[str, ...] = ()
    skies = table
    live = live_units(measured)
    if live >= 2 or (live == 1 and heard_units(measured) > 1 and stated_sky is None):
        sensed = _sensed(day, weather, stated_sky)
        elsewhere = partial(faces_elsewhere, alignment, scale, weather)
        units = UnitEnergies(np.where(out, np.nan, voices) / level, quantum / level)
        found = common_shade(day, table, np.where(out, np.nan, agreed) / level, sensed, elsewhere, units)
        shades = tuple(s for s in found if not s.turned)
        doubted = tuple(s.plane for s in found if s.turned)
        index = None if sensed is None else _index(day, sensed)
        seen_day, skies = _in_shade(day, table, shades)
        judged = _judge_by_array(seen_day, skies, told, quantum, shades, index)
    else:
        judged = _judge_by(day, stated_sky, measured, quantum)
    array_sky, peers, unit_levels, source = judged
    if displaced:
        unit_levels = unit_levels.with_rows(
            _known_levels(day, array_sky, measured, peers, quantum), displaced
        )
    unshaded = expectation(day, sky_at(day, sky_behind(day, array_sky, shades))) if shades else peers
    stated, source = _stated(day, weather, stated_sky, unshaded, source)
    return Case(
        day=day,
        readings=alignment.readings,
        alignment=alignment,
        measured_wh=measured,
        agreed_wh=agreed,
        outage=out,
        fitted=active_mask(day, alignment.readings.energy_wh),
        peers=peers,
        stated=stated,
        shades=shades,
        doubted=doubted,
        skies_wh=skies,
        array_sky=array_sky,
        source=source,
        levels=unit_levels,
        scale=scale,
        clear_wh=clear_wh,
        resolution_wh=quantum,
    )


def _without_gone(day: Daylight, voices: FloatArray, clear_wh: FloatArray) -> FloatArray:
    """Return energies (U, D) without what stops at once, be it a branch or, by day, the site: no sky takes so much.

    A cloud at dusk may leave a site less than a step of its registers. The last interval, within which it may have
    stopped, tells no sky, either. `clear_wh` (U, D) is the clear sky's.
    """
    out = voices.copy()
    for rows in _branches(day.site):
        last = gone_after(voices, day, rows) if len(rows) > 1 else None
        others = np.nansum(np.delete(voices, rows, axis=0), axis=0)
        if last is not None and others[last + 1 :].any():
            out[rows, last:] = np.nan
    last = gone_after(voices, day, range(len(voices)), clear_wh)
    if last is not None and day_left(clear_wh / day.rated_wh[:, None], day, last):
        out[:, last:] = np.nan
    return out


def _branches(site: Site) -> list[list[int]]:
    """Return the rows of the units of each branch."""
    names = {unit.branch for unit in site.units if unit.branch is not None}
    return [[i for i, unit in enumerate(site.units) if unit.branch == name] for name in sorted(names)]


class _Seen(NamedTuple):
    """The daylight, the family of skies, the clear sky's energies (U, D) in Wh and the values' scale.

    `firm` where the scale is told by the curves of the recorded planes.
    """

    day: Daylight
    table: FloatArray
    clear_wh: FloatArray
    scale: float
    firm: bool


def _aligned(site: Site, readings: Readings, weather: Weather | None) -> tuple[Alignment, _Seen]:
    """Return the site put right, and what is seen of it.

    Values that seem to be of another unit may be those of a plane that faces elsewhere, towards the sun or away:
    where that explains them it goes first. A plane that fits its record behind an obstacle about as well is not turned.
    What follows the recorded planes' own curves at another level needs no turn.
    """
    seen, sent = _seen(site, readings, weather), as_sent(site, readings)
    for scale in dict.fromkeys((seen.scale,) if seen.firm else (1.0, seen.scale)):
        alignment = align(site, readings, scale=scale, weather=weather)
        if alignment.changed and not _stands_in_shade(alignment, sent, seen, scale, weather):
            right = _seen(alignment.site, alignment.readings, weather)
            if right.scale == scale:
                return alignment, right
    return (alignment, seen) if not alignment.changed else (sent, seen)


def _seen(site: Site, readings: Readings, weather: Weather | None) -> _Seen:
    grid = Grid(readings.start.astimezone(UTC), readings.interval_min, readings.count)
    day = daylight(site, grid, weather)
    table = family(day)
    clear_wh = day.for_units([_clear_row(t) for t in table])
    sent = readings.energy_wh[:, day.positions]
    scale = scale_factor(
        sent,
        clear_wh,
        cover_wh=day.for_units([t[0, np.searchsorted(INDEX_LEVELS, EVEN_COVER)] for t in table]),
        rated_wh=day.rated_wh,
        groups=[g.members for g in day.groups],
        positions=day.positions,
        interval_min=grid.interval_min,
    )
    firm = _scale_by_curves(day, table, clear_wh, sent) if scale == 1.0 else 1.0
    return _Seen(day, table, clear_wh, scale * firm, firm != 1.0)


def _scale_by_curves(day: Daylight, table: FloatArray, clear_wh: FloatArray, sent: FloatArray) -> float:
    """Return by what values are off that keep to the sun's curves, or that planes share as its light; 1.0 for none."""
    share = site_brightness(sent, clear_wh, day.rated_wh)
    bright = share[np.isfinite(share)]
    if not len(bright) or np.quantile(bright, 0.9) >= DEEP:
        return 1.0
    by_hours = factor_of_clear_hours(share, day.positions, day.grid.interval_min)
    if by_hours != 1.0:
        return by_hours
    quantum = resolution_wh(sent)
    surely, _ = fallen_by(group_consensus(day, sent, np.ones(len(sent)), quantum), table, quantum)
    return factor_of_share(share, surely, day.positions, day.grid.interval_min)


def _stands_in_shade(
    alignment: Alignment, sent: Alignment, seen: _Seen, scale: float, weather: Weather | None
) -> bool:
    """Return whether a plane that seems turned fits about as well behind the shade that it shows as recorded."""
    if alignment.plane is None:
        return False
    day = seen.day
    energy = sent.readings.energy_wh[:, day.positions] / scale
    agreed = group_consensus(day, energy, np.ones(len(energy)), resolution_wh(energy))
    found = common_shade(day, seen.table, agreed, _sensed(day, weather, _measured_sky(day, weather)))
    named = alignment.plane.recorded.name
    shades = tuple(s for s in found if s.plane == named and s.log_odds >= NEEDED)
    return stands_in_shade(sent, scale, weather, shades)


def _clear_row(group_table: FloatArray) -> FloatArray:
    """Return a group's clear-sky energies from its family (S, K, D), Wh, (D,): between the levels around index 1."""
    above = int(np.searchsorted(INDEX_LEVELS, 1.0))
    share = (1 - INDEX_LEVELS[above - 1]) / (INDEX_LEVELS[above] - INDEX_LEVELS[above - 1])
    return np.asarray((1 - share) * group_table[0, above - 1] + share * group_table[0, above])


Judged = tuple[ArraySky, Expectation, Levels, SkySource]


def live_units(measured: FloatArray) -> int:
    """Return how many units gave anything in the window."""
    return int((np.nansum(measured, axis=1) > 0).sum())


def heard_units(measured: FloatArray) -> int:
    """Return how many units were heard in the window."""
    return int(np.isfinite(measured).any(axis=1).sum())


def _judge_by(day: Daylight, sky: Irradiance | None, measured: FloatArray, quantum: float) -> Judged:
    """Judge by the measured sky, or against the clear one, since too few units live to tell theirs."""
    width = measured.shape[1]
    no_sky = ArraySky(np.ones(width), np.zeros(width), np.zeros(width, dtype=bool))
    expected = expectation(day, day.clear if sky is None else filled_with(sky, day.clear))
    found = _levels(day, measured, expected, quantum)
    return no_sky, expected, untold(found) if sky is None else found, "clear_sky"


def _in_shade(
    day: Daylight, table: FloatArray, shades: tuple[PlaneShade, ...]
) -> tuple[Daylight, FloatArray]:
    """Return the day and its family of skies with what whole planes lose to shade."""
    if not shades:
        return day, table
    site = behind(day.site, shades)
    shaded = replace(day, site=site, groups=unit_groups(site))
    return shaded, family(shaded)


def _judge_by_array(
    day: Daylight,
    table: FloatArray,
    measured: FloatArray,
    quantum: float,
    shades: tuple[PlaneShade, ...],
    sensed: FloatArray | None,
) -> Judged:
    """Infer the sky twice, the second time with the units' own levels taken out and odd ones doubted."""
    votes = np.ones(len(measured))
    clear_wh = day.for_units([_clear_row(t) for t in table])
    table = within_limits(day, table)
    telling = without_shaded(day, spread_steps(day, measured, clear_wh, quantum), shades)
    sky = infer(day, table, telling, votes, quantum_wh=quantum, shift_cost=SHIFT_COST, sensed=sensed)
    first = _known_levels(day, sky, measured, expectation(day, sky_at(day, sky)), quantum)
    own = np.where(np.isfinite(first.level), first.level, 1.0)
    trusted = (own > STEADY_ENOUGH[0]) & (own < STEADY_ENOUGH[1])
    normal = np.abs(own / first.reference - 1) < first.visible
    votes = np.where(trusted & normal, 1.0, DOUBTED_VOTE)
    levelled = telling / np.where(trusted, own, 1.0)[:, None]
    sky = infer(
        day, table, levelled, votes, quantum_wh=quantum, shift_cost=SHIFT_COST_KNOWN_LEVELS, sensed=sensed
    )
    expected = expectation(day, sky_at(day, sky))
    return sky, expected, _known_levels(day, sky, measured, expected, quantum), "array"


def _known_levels(
    day: Daylight, sky: ArraySky, measured: FloatArray, expected: Expectation, quantum: float
) -> Levels:
    """Return the levels over the intervals in which the units told the sky, of what works while it works."""
    darkest_wh = without_sun(day, sky, expected.energy_wh) if quantum else None
    silent = silences(measured, expected.energy_wh, np.isfinite(measured), quantum, darkest_wh=darkest_wh)
    working = sky.known & ~with_flanks(silent)
    return _levels(day, np.where(working, measured, np.nan), expected, quantum)


def _levels(day: Daylight, measured: FloatArray, expected: Expectation, quantum: float) -> Levels:
    return levels(day, dc_series(day, measured, expected.energy_wh, expected.dc_wh, quantum_wh=quantum))


def _measured_sky(day: Daylight, weather: Weather | None) -> Irradiance | None:
    """Return the sky that the weather tells, NaN where it does not; None where it tells nothing."""
    if weather is None:
        return None
    sky = sky_from_weather(weather, day.grid, day.sun, day.clear, site=day.site)
    return sky if np.isfinite(sky.ghi[day.sun.up_share > 0]).any() else None


def _sensed(day: Daylight, weather: Weather | None, sky: Irradiance | None) -> Irradiance | None:
    """Return the measured sky if its means are short enough to tell single intervals' light."""
    if weather is None or weather.interval_min > max(LONGEST_SENSOR_MIN, day.grid.interval_min):
        return None
    return sky


def _index(day: Daylight, sky: Irradiance) -> FloatArray:
    """Return the clear-sky index of a sky by interval, (D,), NaN where it is unknown."""
    return np.asarray(day.gather(sky.ghi) / np.maximum(day.gather(day.clear.ghi), 1e-6))


def _stated(
    day: Daylight, weather: Weather | None, sky: Irradiance | None, peers: Expectation, source: SkySource
) -> tuple[Expectation, SkySource]:
    """Return the expectation that is reported: under measured irradiance where there is any, else the array's."""
    if sky is None:
        return peers, source
    measured = expectation(day, sky, weather)
    known = np.isfinite(measured.energy_wh)
    pairs = zip(_parts(measured), _parts(peers), strict=True)
    return Expectation(*(np.where(known, m, p) for m, p in pairs)), "measured"


def _parts(e: Expectation) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    return e.energy_wh, e.dc_wh, e.reference_yield_h, e.corrected_yield_h
