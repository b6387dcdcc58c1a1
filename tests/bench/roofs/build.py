"""A trial's site: record, readings and truth, in the form that the fleet's benchmark scores."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, timedelta

import numpy as np
import pandas as pd
from numpy.random import Generator
from numpy.typing import NDArray

from service.expect.site import InverterType, ModuleType, Plane, Site, Unit
from service.verify.inputs import Readings
from tests.bench.fleet.plan import DAYS, WINDOWS, Window
from tests.bench.fleet.sitewide import (
    AZIMUTH_OFF,
    FLATTEST,
    LIMIT,
    MINUTES_AT_LIMIT,
    ROUND_SHIFTS,
    STEEPEST,
    TILT_OFF,
)
from tests.bench.fleet.strike import SUN_FOR_SHAPE_H
from tests.bench.fleet.truth import VISIBLE, BenchSite, SiteFault
from tests.bench.roofs.lay import Units, lay
from tests.bench.roofs.light import EFFICIENCY, Made, clear_weather, made_on, with_dc_share
from tests.bench.roofs.own import BAND, Own, own
from tests.bench.roofs.plan import Trial, trial
from tests.fleet.roof import Facing
from tests.fleet.simulate import serials
from tests.fleet.sun import Array

SPREAD, NOISE, MISSING = 0.012, 0.006, 0.005
"""How far units are apart, how far readings are, and how many are lost; of small inverters about (from memory)."""

SILENT_AT_NIGHT_ODDS, WATTS_ODDS = 0.4, 0.3
"""Odds that units sleep at night, and that they send whole W; all others send whole Wh of a register."""

LOW_SITE = (0.75, 0.85)
CLEAR_AIR_C = 10.0
BRANCH = (4, 10)


@dataclass(frozen=True)
class Laid:
    """A trial as it is judged: the site with its truth, and what its roof did by itself."""

    site: BenchSite
    own: Own


def site(number: int, window: Window) -> BenchSite:
    """Return the site of a trial; the same every time."""
    found = trial(number, window)
    if found is None:
        raise ValueError(f"trial {number} has no window of {window}")
    return make(found).site


def make(trial: Trial) -> Laid:
    """Return the trial, laid over its roof."""
    plan, series = trial.plan, trial.series
    rng = np.random.default_rng([plan.seed, WINDOWS.index(plan.window), 8])
    of_record, of_faults, of_wide, of_meters = rng.spawn(4)
    facings = series.draw_facings(of_record, plan.planes)
    steps = series.steps(trial.first, DAYS[plan.window])
    made, clear = (
        {f: Made(*(part[steps] for part in light(f))) for f in facings}
        for light in (series.made, series.clear)
    )
    noted = _record(of_record, trial, facings)
    units = _units(of_record, trial, noted, made, clear)
    pmax_w = noted.module_types[0].pmax_w
    lay(units, pmax_w, of_faults)
    own_of_roof = own(series, facings[0], trial.first, DAYS[plan.window])
    noted, late_min, truth = _wide(of_wide, trial, units, noted, own_of_roof)
    start = pd.Timestamp(trial.first, tz=series.starts.tz).tz_convert(UTC).to_pydatetime()
    night = np.stack([c.total for c in clear.values()]).max(axis=0) <= 0
    night = night.reshape(-1, plan.interval_min // series.step_min).all(axis=1)
    sent = _metered(of_meters, units, noted, night)
    faults = {noted.units[u].serial: tuple(found) for u, found in units.faults.items()}
    unheard = np.isnan(sent[:, ~night]).mean(axis=1)
    made_site = BenchSite(
        plan=plan,
        site=noted,
        readings=Readings(start + timedelta(minutes=late_min), plan.interval_min, sent),
        faults=faults,
        site_fault=truth,
        clipped={},
        unheard={u.serial: float(s) for u, s in zip(noted.units, unheard, strict=True)},
        resembles={},
        direct_sun_h=units.sun_h,
    )
    return Laid(made_site, own_of_roof)


def _record(rng: Generator, trial: Trial, facings: tuple[Facing, ...]) -> Site:
    """Return the record of the roof as it really is."""
    plan, place = trial.plan, trial.series.place
    planes = tuple(
        Plane(name, *facing, mounting="open_rack")
        for name, facing in zip(("front", "back", "side"), facings, strict=False)
    )
    pmax_w = float(rng.integers(60, 91) * 5)
    rated_w = float(round(pmax_w / rng.uniform(0.95, 1.15) / 5) * 5)
    size, width, names = int(rng.integers(*BRANCH)), int(rng.integers(3, 8)), serials(rng, plan.units)
    cuts = np.linspace(0, len(planes), plan.units, endpoint=False).astype(int)
    units = []
    for n, at in enumerate(cuts):
        on_plane = n - int(np.searchsorted(cuts, at))
        row, column = on_plane // width + 1, on_plane % width + 1
        units.append(
            Unit(
                names[n],
                planes[at].name,
                "module",
                "inverter",
                row=row,
                column=column,
                branch="ABCDEFGH"[n // size],
            )
        )
    return Site(
        name=f"{trial.series.name}, {trial.first}",
        latitude=place.latitude,
        longitude=place.longitude,
        elevation_m=place.elevation_m,
        timezone=place.timezone,
        planes=planes,
        module_types=(ModuleType("module", pmax_w),),
        inverter_types=(InverterType("inverter", rated_w, efficiency=EFFICIENCY),),
        units=tuple(units),
    )


def _units(
    rng: Generator, trial: Trial, site: Site, made: dict[Facing, Made], clear: dict[Facing, Made]
) -> Units:
    planes = [site.plane(u.plane) for u in site.units]
    return Units(
        plan=trial.plan,
        step_min=trial.series.step_min,
        steps_a_day=trial.series.steps_a_day,
        made=made,
        clear=clear,
        facings=[(p.tilt_deg, p.azimuth_deg) for p in planes],
        branches=[u.branch or "" for u in site.units],
        own=1 + rng.normal(0, SPREAD, (len(planes), 1)),
    )


def _metered(rng: Generator, units: Units, site: Site, night: NDArray[np.bool_]) -> Array:
    """Return what the units send, Wh: cut off at the inverter's rating, with noise, in whole W or whole Wh."""
    plan, pmax_w, rated_w = units.plan, site.module_types[0].pmax_w, site.inverter_types[0].ac_rated_w
    watts = np.minimum(pmax_w * units.share, rated_w)
    mean = watts.reshape(len(watts), -1, plan.interval_min // units.step_min).mean(axis=2)
    mean *= 1 + rng.normal(0, NOISE, mean.shape)
    hours = plan.interval_min / 60
    if rng.random() < WATTS_ODDS:
        sent = np.round(mean) * hours
    else:
        begun = rng.uniform(0, 1, (len(mean), 1))
        sent = np.diff(np.floor(begun + np.cumsum(mean * hours, axis=1)), axis=1, prepend=0.0)
    if rng.random() < SILENT_AT_NIGHT_ODDS:
        sent = np.where(night, np.nan, sent)
    heard = units.heard.reshape(len(watts), -1, plan.interval_min // units.step_min).all(axis=2)
    return np.where(heard & (rng.random(sent.shape) >= MISSING), sent, np.nan)


# --- the whole site


def _wide(
    rng: Generator, trial: Trial, units: Units, site: Site, roof: Own
) -> tuple[Site, int, SiteFault | None]:
    """Return the record, by how many minutes the labels are late, and what is true of the whole site."""
    cause, told = units.plan.site_cause, units.sun_h >= SUN_FOR_SHAPE_H
    if cause == "clock_shift":
        minutes = int(rng.choice(ROUND_SHIFTS)) * int(rng.choice([-1, 1]))
        return site, minutes, SiteFault("clock_shift", told, minutes=minutes)
    if cause == "plane_misdescribed":
        noted, truth = _misdescribed(rng, trial, site, told)
        return noted, 0, truth
    if cause == "curtailed":
        return site, 0, _limited(rng, units)
    if cause == "site_low":
        factor = float(rng.uniform(*LOW_SITE))
        units.share = np.stack([with_dc_share(row, factor) for row in units.share])
        beyond = factor * roof.level < BAND
        return site, 0, SiteFault("site_low", told and beyond, visible=1 - factor, factor=factor)
    return site, 0, None


def _misdescribed(rng: Generator, trial: Trial, site: Site, told: bool) -> tuple[Site, SiteFault]:
    """Write one plane's azimuth or tilt, or both, wrongly into the record."""
    plane = site.planes[rng.integers(len(site.planes))]
    azimuth, tilt, kind = plane.azimuth_deg, plane.tilt_deg, rng.random()
    if kind < 0.75:
        azimuth = round(float((azimuth + rng.uniform(*AZIMUTH_OFF) * rng.choice([-1, 1])) % 360), 1)
    if kind >= 0.6:
        off = float(rng.uniform(*TILT_OFF) * rng.choice([-1, 1]))
        off = off if FLATTEST <= tilt + off <= STEEPEST else -off
        tilt = round(float(np.clip(tilt + off, FLATTEST, STEEPEST)), 1)
    visible = _changed(trial, (plane.tilt_deg, plane.azimuth_deg), (tilt, azimuth))
    truth = SiteFault(
        "plane_misdescribed",
        told and visible >= VISIBLE,
        visible,
        plane=plane.name,
        azimuth_deg=plane.azimuth_deg,
        tilt_deg=plane.tilt_deg,
    )
    noted = replace(plane, azimuth_deg=azimuth, tilt_deg=tilt)
    return replace(site, planes=tuple(noted if p is plane else p for p in site.planes)), truth


def _changed(trial: Trial, real: Facing, noted: Facing) -> float:
    """Return by how much of its energy another facing changes a clear window."""
    series = trial.series
    middles = series.middles(series.steps(trial.first, DAYS[trial.plan.window]))
    weather = clear_weather(series.place, middles, CLEAR_AIR_C)
    one, other = (made_on(f, series.place, middles, weather).total for f in (real, noted))
    return float(np.abs(one - other).sum() / max(one.sum(), 1e-9))


def _limited(rng: Generator, units: Units) -> SiteFault:
    """Hold the units' total to a share of the window's top."""
    total = units.share.sum(axis=0)
    share = float(rng.uniform(*LIMIT))
    left = np.minimum(1.0, share * total.max() / np.maximum(total, 1e-9))
    units.share = units.share * left
    visible = float(1 - units.share.sum() / max(total.sum(), 1e-9))
    held = int((left < 1).sum()) * units.step_min
    return SiteFault("curtailed", visible >= VISIBLE and held >= MINUTES_AT_LIMIT, visible, factor=share)
