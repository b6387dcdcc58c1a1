"""The sky from the units themselves: the array is the light sensor (Marion & Smith 2017, OSTI 1349802).

For every interval the units alike (one plane, module and inverter) are asked what most of them agree on; then
that member of a family of skies is taken that explains the most of these answers on all planes. Faults take energy
and never add it, so ties go to the brighter answer. No cause is named here.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.expect.plane import on_plane, sky_brightening, sunward_share
from service.expect.site import Plane
from service.expect.sky import Irradiance, cloudy_skies, cloudy_sky
from service.verify.consensus import AGREEMENT, consensus
from service.verify.day import Daylight
from service.verify.inputs import FloatArray
from service.verify.silence import silences, with_flanks

INDEX_LEVELS = np.concatenate([np.geomspace(0.02, 0.3, 16), np.linspace(0.36, 1.36, 18)])
"""Clear-sky indices of the family, from thunderstorm to cloud enhancement; a fifth apart at most, so that what lies
between two of them is nearer to one than to an unlikely third that explains a single plane."""

DIFFUSE_SHIFTS = np.array([0.0, -0.3, -0.15, 0.15, 0.3, 0.6])
"""Departures of the diffuse share from its decomposition that several orientations can tell apart."""

SHIFT_COST = 0.10
SHIFT_COST_KNOWN_LEVELS = 0.03
"""Cost of a departure of 1, in relative deviation: keeps a lone faulty unit from bending the sky, before and after
the units' own levels are known."""

DEVIATION_CAP = 0.25
"""A plane that is further off than this counts as not explained, however far."""

DARKEST_POSSIBLE = 0.3
"""Below this share of the darkest sky's energy it is not the sky that is dark."""

AT_LIMIT = 0.965
"""Share of the rating from which a unit counts as being at its limit, reading noise of 1 % included."""

WORTH_A_LOOK = 0.10
"""Clear-sky power over rating above which zero output cannot be the night's."""

STEPS_FOR_SKY = 6
"""Steps of a register that one unit must have made before they tell the sky; of n like units, the root of n-th part."""

LONGEST_REACH_MIN = 30

SENSOR_VOTE = 0.6
"""What a measured index counts beside all units together: it decides between planes that contradict one another."""

SENSOR_ALONE = 1e-3

UNEXPLAINED_COST = 1e-2
"""Cost of what is left where no member is near, relative to the brightest: the nearest is taken, not just any."""

TIE_COST = 1e-4
"""Cost of an index away from the clear sky's: where all units stand at their limit, the usual sky is taken."""


@dataclass(frozen=True)
class ArraySky:
    """Clear-sky index and diffuse shift of each of D intervals; `known` (D,) where the units told it."""

    index: FloatArray
    shift: FloatArray
    known: NDArray[np.bool_]


def family(day: Daylight) -> FloatArray:
    """Return the energies of each group under the family of skies, Wh, (G, S, K, D)."""
    shifts = DIFFUSE_SHIFTS if _orientations(day) > 1 else DIFFUSE_SHIFTS[:1]
    out = np.empty((len(day.groups), len(shifts), len(INDEX_LEVELS), len(day.positions)))
    order, before, beamless = np.argsort(shifts), 0, 0
    skies = cloudy_skies(day.sun, day.clear, index=INDEX_LEVELS[:, None], diffuse_shifts=shifts[order])
    for s, sky in zip(order, skies, strict=True):
        left = Irradiance(sky.ghi[beamless:], sky.dni[beamless:], sky.dhi[beamless:])
        bright = sky_brightening(day.sun, left)
        for of_group, group in zip(out, day.groups, strict=True):
            of_group[s, beamless:] = day.gather(day.power(group, left, brightening=bright).ac_w)
            of_group[s, :beamless] = of_group[before, :beamless]
        # what has no beam left stays as it is, however much more of it is diffuse
        before, beamless = s, int(sky.dni.any(axis=1).argmax())
    return out


def _orientations(day: Daylight) -> int:
    return len({(g.plane.tilt_deg, g.plane.azimuth_deg) for g in day.groups})


def infer(
    day: Daylight,
    table: FloatArray,
    energy_wh: FloatArray,
    votes: FloatArray,
    *,
    quantum_wh: float,
    shift_cost: float,
    sensed: FloatArray | None = None,
) -> ArraySky:
    """Return the sky that explains most units.

    `table` is `family(day)`, `within_limits`; `energy_wh` (U, D) are the units' energies with their own levels taken
    out, NaN where not heard; `votes` (U,) weigh the units; `quantum_wh` is the resolution of the readings;
    `shift_cost` what a departure of the diffuse share costs; `sensed` (D,) is the measured clear-sky index, NaN where
    there is none.
    """
    voices = without_silent(day, energy_wh, quantum_wh)
    agreed = _agreed(day, voices, votes, quantum_wh)
    agreed = np.minimum(agreed, _limits(day))
    weight = _group_weights(day, voices, votes) * np.isfinite(agreed)
    known = weight.sum(axis=0) > 0
    known &= ~_impossibly_dark(day, table, agreed)
    vote = 0.0 if sensed is None else _sensor_cost(sensed)
    best_shift, best_index = _best_member(table, agreed, weight, quantum_wh, shift_cost, vote)
    index = _between_members(table, agreed, weight, best_shift, best_index)
    if sensed is not None:
        index = np.where(known | ~np.isfinite(sensed), index, sensed)
        known |= np.isfinite(sensed)
    shift = DIFFUSE_SHIFTS[best_shift]
    return ArraySky(_filled(index, known), _filled(shift, known), known)


def spread_steps(day: Daylight, energy_wh: FloatArray, clear_wh: FloatArray, quantum_wh: float) -> FloatArray:
    """Return the energies (U, D), Wh, those of few register steps shared out over such intervals around by clear sky.

    A step falls in one interval or the next by chance, and would be read as a cloud. Silent units are NaN; an interval
    in which the whole site is silent keeps its zeros.
    """
    voices = without_silent(day, energy_wh, quantum_wh)
    if quantum_wh == 0 or not voices.size:
        return voices
    out, some = voices.copy(), (np.nan_to_num(voices) > 0).any(axis=0)
    for group in day.groups:
        rows = list(group.members)
        heard = np.isfinite(voices[rows]) & some
        made = np.where(heard, voices[rows], 0.0)
        usual = made.sum(axis=0) / np.maximum(heard.sum(axis=0), 1)
        enough = quantum_wh * STEPS_FOR_SKY / np.sqrt(len(rows))
        faint = heard & (usual < enough) & (clear_wh[rows] > 0)
        reach = _reach(np.where(usual < enough, usual, 0.0), enough, day.grid.interval_min)
        due = sums_around(np.where(faint, clear_wh[rows], 0.0), reach)
        share = sums_around(np.where(faint, made, 0.0), reach) / np.maximum(due, 1e-9)
        out[rows] = np.where(faint, share * clear_wh[rows], voices[rows])
    return out


def _reach(usual_wh: FloatArray, enough_wh: float, interval_min: int) -> NDArray[np.intp]:
    """Return how many intervals on either side it takes to bring enough together, (D,), at most half an hour's."""
    reach = np.zeros(len(usual_wh), dtype=np.intp)
    for wider in range(1, max(LONGEST_REACH_MIN // interval_min, 1) + 1):
        short = sums_around(usual_wh[None, :], reach)[0] < enough_wh
        reach[short] = wider
    return reach


def sums_around(values: FloatArray, reach: NDArray[np.intp]) -> FloatArray:
    """Return the sums of (n, D) values over `reach` (D,) intervals on either side, as far as there are any."""
    sums = np.concatenate((np.zeros((len(values), 1)), np.cumsum(values, axis=1)), axis=1)
    at = np.arange(values.shape[1])
    return np.asarray(sums[:, np.minimum(at + reach + 1, len(at))] - sums[:, np.maximum(at - reach, 0)])


def within_limits(day: Daylight, table: FloatArray) -> FloatArray:
    """Return the energies (G, S, K, D) as far as they say something about the sky, Wh."""
    return np.minimum(table, _limits(day)[:, None, None])


def _limits(day: Daylight) -> FloatArray:
    """Return the energy from which a group is at its inverter's limit and says no more about the sky, Wh, (G, 1).

    Without it, noise at the limit would be read as a sky just dark enough to stay below.
    """
    rated = np.array([g.inverter.ac_rated_w for g in day.groups])
    return np.asarray(AT_LIMIT * rated[:, None] * day.interval_hours)


def group_consensus(day: Daylight, energy_wh: FloatArray, votes: FloatArray, quantum_wh: float) -> FloatArray:
    """Return what most units of each group made, Wh, (G, D); silent units have no say, NaN where none has."""
    return _agreed(day, without_silent(day, energy_wh, quantum_wh), votes, quantum_wh)


def _agreed(day: Daylight, voices: FloatArray, votes: FloatArray, quantum_wh: float) -> FloatArray:
    rows = [
        consensus(
            voices[list(g.members)], width=AGREEMENT, floor=2 * quantum_wh, weights=votes[list(g.members)]
        )
        for g in day.groups
    ]
    return np.stack(rows)


def without_silent(day: Daylight, energy_wh: FloatArray, quantum_wh: float = 0.0) -> FloatArray:
    """Return the energies with those of silent units as NaN, and those beside a silence: part of an interval is no sky.

    Silent is less than 2 % of the best unit's output, both per rated W, for longer than a register's step can hide.
    """
    rated = np.array([day.site.dc_rated_w(u) for u in day.site.units])[:, None]
    heard = np.isfinite(energy_wh)
    best = np.max(np.where(heard, energy_wh, 0.0) / rated, axis=0, initial=0.0) * rated
    silent = silences(energy_wh, best, np.asarray(heard), quantum_wh)
    return np.where(with_flanks(silent), np.nan, energy_wh)


def _group_weights(day: Daylight, voices: FloatArray, votes: FloatArray) -> FloatArray:
    heard = np.isfinite(voices) * votes[:, None]
    counts = np.stack([heard[list(g.members)].sum(axis=0) for g in day.groups])
    return np.asarray(counts / np.maximum(counts.sum(axis=0), 1e-9))


def _impossibly_dark(day: Daylight, table: FloatArray, agreed: FloatArray) -> NDArray[np.bool_]:
    """Return where all groups make less than the darkest sky would give while the sun is well up, (D,)."""
    darkest = table[:, 0, 0]
    clear = table[:, 0, np.searchsorted(INDEX_LEVELS, 1.0) - 1]
    rated = np.array([g.module.pmax_w * g.module_count for g in day.groups])[:, None] * day.interval_hours
    well_up = (clear > WORTH_A_LOOK * rated).any(axis=0)
    dark = (np.nan_to_num(agreed) <= DARKEST_POSSIBLE * darkest).all(axis=0)
    return np.asarray(well_up & dark & np.isfinite(agreed).any(axis=0))


def _sensor_cost(sensed: FloatArray) -> FloatArray:
    """Return what the members of each index cost by a measured one (D,), NaN where there is none, (K, D)."""
    index = INDEX_LEVELS[:, None]
    away = np.abs(np.log(np.maximum(sensed, INDEX_LEVELS[0]) / index))
    return np.asarray(SENSOR_VOTE * np.nan_to_num(np.minimum(away, DEVIATION_CAP) + SENSOR_ALONE * away))


def _best_member(
    table: FloatArray,
    agreed: FloatArray,
    weight: FloatArray,
    quantum_wh: float,
    shift_cost: float,
    vote: FloatArray | float,
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    shifts, levels = table.shape[1:3]
    cost = shift_cost * np.abs(DIFFUSE_SHIFTS[:shifts])[:, None, None] + (
        TIE_COST * np.abs(INDEX_LEVELS - 1)[:, None]
    )
    cost = np.broadcast_to(cost, table.shape[1:]) + vote
    for g, of_group in enumerate(table):
        told = np.nan_to_num(agreed[g])
        least = np.maximum(told, 2 * quantum_wh + 1e-9)
        unexplained = UNEXPLAINED_COST / np.maximum(of_group.max(axis=(0, 1)), 1e-9)
        for shift, members in enumerate(of_group):  # in pieces that a processor's cache holds
            away = members - told
            np.abs(away, out=away)
            misfit = away / np.maximum(members, least)
            np.minimum(misfit, DEVIATION_CAP, out=misfit)
            away *= unexplained
            misfit += away
            misfit *= weight[g]
            cost[shift] += misfit
    flat = cost.reshape(shifts * levels, -1).argmin(axis=0)
    return flat // levels, flat % levels


def _between_members(
    table: FloatArray,
    agreed: FloatArray,
    weight: FloatArray,
    best_shift: NDArray[np.intp],
    best_index: NDArray[np.intp],
) -> FloatArray:
    """Return the index between the family's levels at which the explained groups fit best, (D,)."""
    at = np.arange(table.shape[-1])
    level = np.log(INDEX_LEVELS)
    below, above = np.maximum(best_index - 1, 0), np.minimum(best_index + 1, len(level) - 1)
    shift, total = np.zeros(len(at)), np.full(len(at), 1e-12)
    for g in range(len(table)):
        here = np.maximum(table[g, best_shift, best_index, at], 1e-9)
        rise = np.log(
            np.maximum(table[g, best_shift, above, at], 1e-9)
            / np.maximum(table[g, best_shift, below, at], 1e-9)
        )
        slope = rise / (level[above] - level[below])
        miss = np.log(np.maximum(np.nan_to_num(agreed[g]), 1e-9) / here)
        use = weight[g] * (np.abs(miss) < DEVIATION_CAP) * (slope > 0.2)
        shift += use * miss / np.maximum(slope, 0.2)
        total += use
    return np.asarray(np.exp(np.clip(level[best_index] + shift / total, level[below], level[above])))


def _filled(values: FloatArray, known: NDArray[np.bool_]) -> FloatArray:
    """Return values with the unknown interpolated in time; the clear sky (1, or shift 0) is up to the caller."""
    if not known.any():
        return values
    at = np.arange(len(values))
    return np.interp(at, at[known], values[known])


def sky_at(day: Daylight, sky: ArraySky) -> Irradiance:
    """Return the inferred sky on the fine steps, (N,)."""
    return cloudy_sky(
        day.sun, day.clear, index=day.on_steps(sky.index), diffuse_shift=day.on_steps(sky.shift)
    )


def sunward_shares(day: Daylight, light: Irradiance, planes: Iterable[Plane]) -> dict[str, FloatArray]:
    """Return by plane which share of its light under a sky comes from the sun's direction, 0-1, (D,)."""
    shares = {p.name: sunward_share(p, day.sun, on_plane(p, day.sun, light)) for p in planes}
    return {name: share.reshape(-1, day.steps).mean(axis=1) for name, share in shares.items()}


def without_sun(day: Daylight, sky: ArraySky, energy_wh: FloatArray) -> FloatArray:
    """Return what of energies due (U, D) the rest of the sky gives to units that something hides the sun from, Wh."""
    shares = sunward_shares(day, sky_at(day, sky), day.site.planes)
    return energy_wh * (1 - np.stack([shares[unit.plane] for unit in day.site.units]))
