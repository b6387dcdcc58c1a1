"""Figures of a case: the ranking with bands, the sky, the verdict, the curves. No cause is found here."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from service.verify.case import BoolArray, Case
from service.verify.causes.low_output import LEAST_LIGHT_H, USUAL
from service.verify.causes.site_low import EVEN_CLOUD, clear_level, fits_clear, is_clear_by_fit, told_level
from service.verify.clear_level import CLEAR_HOURS
from service.verify.inputs import FloatArray, FromService
from service.verify.levels import ALONE, BETWEEN_PLANES
from service.verify.ratios import performance_index, performance_ratio, performance_ratio_25c
from service.verify.result import Curves, Finding, Light, Sky, UnitResult, Verdict
from service.verify.second_opinion import told_by
from service.verify.temperature import (
    site_air_sd_k,
    site_temperature_sd,
    temperature_sd,
    usual_temperature_sd,
)

ENOUGH_LIGHT_H = 0.4
LITTLE_LIGHT_H = 0.03
"""Reference yield (h, i.e. kWh/m2 on the plane) for a verdict on every unit, and for one on dead units only."""

RECENT_MIN, LONGEST_WAIT_MIN = 60, 600
"""Light is foretold from the last hour of it, and no further than a long day (our choice, no source)."""

SENSOR = 0.05
"""Standard uncertainty of an expectation from measured irradiance: sensor, distance, transposition (from memory).
What the air temperature leaves open comes on top."""

LEAST_ALONE = 0.05
"""What turbidity and mounting leave of ALONE where the air temperature is known (from memory)."""

CLEAR = (0.92, 1.12)
"""Clear-sky indices over that of the site's clear hours between which the sky is called clear."""

BAND_SIGMAS = 2.0


def sky_result(case: Case, service: FromService | None = None) -> Sky:
    """Return the sky of the window, and what an open weather service said of it."""
    heard_h = _heard_light_h(case)
    light_h = float(heard_h.sum())
    light: Light = (
        "enough" if light_h >= ENOUGH_LIGHT_H else "little" if light_h >= LITTLE_LIGHT_H else "none"
    )
    more_minutes = _more_minutes(heard_h, case.day.grid.interval_min)
    air_sd_k, temperature = site_air_sd_k(case), site_temperature_sd(case)
    return Sky(
        source=case.source,
        clear_share=_clear_share(case),
        light=light,
        measured_over_array=_measured_over_array(case),
        more_minutes=more_minutes,
        air_temp_sd_k=None if air_sd_k is None else round(air_sd_k, 2),
        temperature_sd=None if temperature is None else round(temperature, 5),
        service=told_by(case, service),
    )


def _heard_light_h(case: Case) -> FloatArray:
    """Return the reference yield of the best lit unit in the intervals in which it was heard, h."""
    if not case.serials:
        return np.zeros(0)
    light = np.where(case.heard, case.peers.reference_yield_h, 0.0)
    if case.source == "clear_sky":
        light *= _lone_share(case)[:, None]
    best = int(light.sum(axis=1).argmax())
    return np.asarray(light[best, case.heard[best]])


def _lone_share(case: Case) -> FloatArray:
    """Return by what a lone unit's light is scaled: the clear sky is an assumption, what it made an observation."""
    made = np.nansum(case.measured_wh, axis=1)
    expected = np.where(case.heard, case.peers.energy_wh, 0.0).sum(axis=1)
    share = np.divide(made, expected, out=np.ones_like(made), where=(expected > 0) & (made > 0))
    return np.asarray(np.minimum(share, 1.0))


def _more_minutes(heard_h: FloatArray, interval_min: int) -> float | None:
    """Return how long light like that of the last hour takes to be enough, in steps of five minutes, rounded up.

    None where there is enough, or where it is so weak that its end cannot be told.
    """
    short_h = ENOUGH_LIGHT_H - float(heard_h.sum())
    recent = heard_h[-max(round(RECENT_MIN / interval_min), 1) :]
    rate = float(recent.mean()) / interval_min if len(recent) else 0.0
    if short_h <= 0 or short_h > rate * LONGEST_WAIT_MIN:
        return None
    return 5.0 * max(math.ceil(short_h / rate / 5 - 1e-9), 1)


def _clear_share(case: Case) -> float | None:
    """Return the share of the bright daylight whose clear-sky index is that of a clear sky, 0-1.

    Where the site's own clear hours show their level, it is held against that: what a whole roof lacks is no cloud.
    """
    if case.source == "clear_sky" or not case.array_sky.known.any():
        return None
    lit = case.array_sky.known & (case.clear_wh.max(axis=0) > 0.1 * case.clear_wh.max())
    if not lit.any():
        return None
    index = case.array_sky.index[lit] / _clear_index(case)
    return round(float(((index >= CLEAR[0]) & (index <= CLEAR[1])).mean()), 3)


def _clear_index(case: Case) -> float:
    """Return the clear-sky index of the site's own clear hours; 1 where they are too few to tell."""
    clear, told = clear_level(case), told_level(case)
    if clear is None or clear.hours < CLEAR_HOURS:
        return told.level if told and is_clear_by_fit(case, told) else 1.0
    if clear.level < EVEN_CLOUD and not fits_clear(told, clear):
        return 1.0
    return float(np.median(case.array_sky.index[clear.where]))


def _measured_over_array(case: Case) -> float | None:
    if case.source != "measured" or not case.array_sky.known.any():
        return None
    known = np.broadcast_to(case.array_sky.known, case.measured_wh.shape)
    array = case.peers.reference_yield_h[known].sum()
    return round(float(case.stated.reference_yield_h[known].sum() / array), 4) if array > 0 else None


def verdict(
    sky: Sky,
    findings: Sequence[Finding],
    units: Sequence[UnitResult],
    *,
    best_hour_is_short: bool = False,
    may_be_too_low: bool = False,
) -> Verdict:
    """Return the verdict: a fault asks for attention whatever the light, no fault is proof only with enough of it.

    Nothing is proof where a unit surely gave less than is usual, or the site did in its best hour, though no cause of
    it can be told, nor where all values may be of another unit of measure.
    """
    if any(f.is_fault for f in findings) or best_hour_is_short:
        return "attention"
    if sky.light != "enough" or may_be_too_low:
        return "too_little_light"
    short = [u for u in units if u.performance_index_high is not None and u.performance_index_high < USUAL]
    if not short:
        return "verified"
    lit = any((u.reference_yield_h or 0.0) >= LEAST_LIGHT_H for u in short)
    return "attention" if lit else "too_little_light"


def ranked(case: Case, findings: Sequence[Finding]) -> tuple[UnitResult, ...]:
    """Return the units, lowest performance ratio first, those never heard before all others."""
    figures = _Figures.of(case)
    rows = [_unit_result(case, int(i), figures, findings) for i in np.flatnonzero(case.expected_to_report)]
    rows.sort(key=lambda r: (r.performance_ratio is not None, r.performance_ratio or 0.0, r.serial))
    return tuple(UnitResult(**{**vars(r), "rank": k}) for k, r in enumerate(rows, start=1))


@dataclass(frozen=True)
class _Figures:
    """Sums and ratios of all units, (U,), over the intervals in which they were heard and something was due.

    `told` where there is any; energies in Wh, the reference yield in h.
    """

    told: BoolArray
    measured_wh: FloatArray
    expected_wh: FloatArray
    yield_h: FloatArray
    ratio: FloatArray
    ratio_25c: FloatArray
    performance_index: FloatArray
    heard_share: FloatArray

    @classmethod
    def of(cls, case: Case) -> _Figures:
        stated, both = case.stated, case.heard & np.isfinite(case.stated.energy_wh)
        measured, expected, yield_h, corrected_h = (
            np.where(both, x, np.nan)
            for x in (case.measured_wh, stated.energy_wh, stated.reference_yield_h, stated.corrected_yield_h)
        )
        rated_w = np.array([case.day.site.dc_rated_w(unit) for unit in case.day.site.units])
        return cls(
            told=np.asarray(both.any(axis=1)),
            measured_wh=np.nansum(measured, axis=1),
            expected_wh=np.nansum(expected, axis=1),
            yield_h=np.nansum(yield_h, axis=1),
            ratio=performance_ratio(measured, yield_h, dc_rated_w=rated_w),
            ratio_25c=performance_ratio_25c(measured, corrected_h, dc_rated_w=rated_w),
            performance_index=performance_index(measured, expected),
            heard_share=case.heard_share(),
        )


def _unit_result(case: Case, i: int, figures: _Figures, findings: Sequence[Finding]) -> UnitResult:
    unit, told = case.day.site.units[i], bool(figures.told[i])
    index = _or_none(float(figures.performance_index[i]))
    low, high = _band(case, i, index)
    return UnitResult(
        serial=unit.serial,
        plane=unit.plane,
        row=unit.row,
        column=unit.column,
        branch=unit.branch,
        rank=0,
        measured_wh=round(float(figures.measured_wh[i]), 3) if case.ever_heard[i] else None,
        expected_wh=round(float(figures.expected_wh[i]), 3) if told else None,
        reference_yield_h=round(float(figures.yield_h[i]), 5) if told else None,
        performance_ratio=_or_none(float(figures.ratio[i])),
        performance_ratio_25c=_or_none(float(figures.ratio_25c[i])),
        performance_index=index,
        performance_index_low=low,
        performance_index_high=high,
        heard_share=round(float(figures.heard_share[i]), 4),
        smallest_visible_loss_pct=_visible_pct(case, i),
        causes=_causes_of(unit.serial, findings),
    )


def _causes_of(serial: str, findings: Sequence[Finding]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(f.cause for f in findings if serial in f.serials))


def _or_none(value: float) -> float | None:
    return round(value, 5) if math.isfinite(value) else None


def _band(case: Case, i: int, index: float | None) -> tuple[float | None, float | None]:
    """Return index -/+ two standard uncertainties: the peers' spread and the reference's, or the absolute model's.

    Peers have the same air, so that only an index that rests on the model is as unsure as its temperature.
    """
    if index is None:
        return None, None
    sd = math.hypot(float(case.levels.sd[i]), _shared_sd(case, i))
    if case.source == "measured":
        sd = math.hypot(sd, SENSOR, temperature_sd(case, i))
    if case.source == "clear_sky":
        sd = _without_usual_temperature(case, i, max(sd, ALONE))
    spread = BAND_SIGMAS * sd * max(index, 0.05)
    return round(max(index - spread, 0.0), 5), round(index + spread, 5)


def _shared_sd(case: Case, i: int) -> float:
    """Return what a unit and its like share: as they lack as much together, the sky may be taken for too bright there.

    So far as one plane's light is known from another's, and no further than they stand apart from it.
    """
    apart = abs(float(case.given_together[i]) - 1) / BAND_SIGMAS
    return min(apart, BETWEEN_PLANES) if case.source == "array" and apart > 0 else 0.0


def _without_usual_temperature(case: Case, i: int, sd: float) -> float:
    """Return the model's uncertainty with that of the actual temperature in the place of the usual one's, its part."""
    rest = sd**2 - usual_temperature_sd(case, i) ** 2
    return math.sqrt(max(rest, LEAST_ALONE**2) + temperature_sd(case, i) ** 2)


def _visible_pct(case: Case, i: int) -> float | None:
    if not case.ever_heard[i]:
        return None
    return round(min(100 * float(case.levels.visible[i]), 100.0), 2)


def curves(case: Case) -> Curves:
    """Return measured and expected energy of all units by the readings' own labels, for drawing."""
    labels = case.labels
    heard = labels.by_label(case.readings.energy_wh / case.scale, missing=np.nan)
    measured = dict(zip(case.serials, map(_with_gaps, heard), strict=True))
    whole = np.zeros((len(case.serials), case.day.grid.count))
    whole[:, case.day.positions] = np.where(case.active, np.nan_to_num(case.stated.energy_wh), 0.0)
    due = labels.by_label(whole, missing=0.0)
    expected: dict[str, list[float]] = dict(zip(case.serials, due.round(3).tolist(), strict=True))
    return Curves(labels.interval_min, labels.start, measured, expected)


def _with_gaps(row: FloatArray) -> list[float | None]:
    values: list[float | None] = row.round(3).tolist()
    for gap in np.flatnonzero(~np.isfinite(row)):
        values[gap] = None
    return values
