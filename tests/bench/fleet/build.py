"""A site of the benchmark from its seed and window: record, readings, truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.random import Generator

from service.expect.site import Site
from service.verify.inputs import Readings
from tests.bench.fleet.plan import WINDOWS, Plan, Window, plan
from tests.bench.fleet.record import record, roof
from tests.bench.fleet.sitewide import (
    clock_truth,
    draw_clock,
    draw_scale,
    limit,
    misdescribe,
    silence_all,
)
from tests.bench.fleet.strike import strike
from tests.bench.fleet.truth import BenchSite
from tests.bench.fleet.weather import air, draw_day, draw_place, sunny, window_part
from tests.fleet.faults import Fault
from tests.fleet.plant import energy_wh
from tests.fleet.roof import Roof
from tests.fleet.simulate import MISSING, NOISE, mistype
from tests.fleet.sun import Array

STEP_WH = 1.0
SILENT_AT_NIGHT_ODDS = 0.4
FULL = 0.995


def site(seed: int, window: Window) -> BenchSite:
    """Return the site of this seed; the same every time."""
    return make(plan(seed, window))


def make(plan: Plan) -> BenchSite:
    """Return the planned site; every stage has its own chance, so that one cause more or less leaves the rest alone."""
    chance = np.random.default_rng([plan.seed, WINDOWS.index(plan.window), 2])
    of_place, of_clock, of_sky, of_record, of_part, of_wide, of_faults, of_meters = chance.spawn(8)
    place = draw_place(of_place)
    start = draw_day(of_place, place)
    clock = draw_clock(of_clock, plan)
    whole = air(of_sky, plan, place, start, clock.late_min)
    noted = record(of_record, place, plan)
    day_roof = roof(of_record, noted, place, whole, plan.interval_min)
    struck = day_roof.window(window_part(of_part, plan, whole))
    noted, misnoted = misdescribe(of_wide, plan, struck, noted)
    truth = strike(struck, plan, of_faults)
    wide = [
        limit(of_wide, plan, struck),
        silence_all(of_wide, plan, struck),
        clock_truth(clock, plan, struck),
    ]
    scale = draw_scale(of_wide, plan, struck)
    sent = _metered(of_meters, struck) * (scale.factor if scale and scale.factor else 1.0)
    first = struck.air.minutes[0] + pd.Timedelta(minutes=int(clock.late_min[struck.part][0]))
    return _slips_written(
        of_meters,
        BenchSite(
            plan=plan,
            site=noted,
            readings=Readings(first.to_pydatetime(), plan.interval_min, sent),
            faults={noted.units[u].serial: tuple(found) for u, found in truth.faults.items()},
            site_fault=next((f for f in (misnoted, *wide, scale) if f), None),
            clipped=_clipped(noted, struck),
            unheard=_unheard(noted, struck, sent),
            resembles={},
            direct_sun_h=float(sunny(struck.air).sum()) / 60,
        ),
    )


def _metered(rng: Generator, roof: Roof) -> Array:
    """Return what the units send, Wh: noise, a register that counts whole Wh, some of it never heard."""
    energy = roof.energies() * (1 + rng.normal(0, NOISE, roof.heard.shape))
    begun = rng.uniform(0, STEP_WH, (len(energy), 1))
    register = np.floor((begun + np.cumsum(energy, axis=1)) / STEP_WH) * STEP_WH
    sent = np.diff(register, axis=1, prepend=0.0)
    if rng.random() < SILENT_AT_NIGHT_ODDS:
        dark = roof.air.elevation_deg.reshape(-1, roof.interval_min).max(axis=1) < 0
        sent = np.where(dark, np.nan, sent)
    lost = rng.random(energy.shape) < MISSING
    return np.where(roof.heard & ~lost, sent, np.nan)


def _clipped(site: Site, roof: Roof) -> dict[str, float]:
    full = [i.ac_rated_w * roof.interval_min / 60 for i in roof.inverters]
    made = [energy_wh(roof.ac_w(u), roof.interval_min) for u in range(len(roof.facings))]
    shares = (float(e[e > FULL * f].sum() / max(e.sum(), 1e-9)) for e, f in zip(made, full, strict=True))
    return dict(zip((u.serial for u in site.units), shares, strict=True))


def _unheard(site: Site, roof: Roof, sent: Array) -> dict[str, float]:
    silent = np.isnan(sent[:, roof.lit]).mean(axis=1) if len(roof.lit) else np.zeros(len(sent))
    return dict(zip((u.serial for u in site.units), silent.tolist(), strict=True))


def _slips_written(rng: Generator, made: BenchSite) -> BenchSite:
    """Mistype the record where a unit is `not_on_record`: its readings then come from a stranger."""
    units, faults, resembles = list(made.site.units), dict(made.faults), dict(made.resembles)
    strangers, sent = dict(made.readings.strangers), made.readings.energy_wh
    for n, unit in enumerate(made.site.units):
        if not any(f.cause == "not_on_record" for f in faults.get(unit.serial, ())):
            continue
        noted = mistype(rng, unit.serial, {u.serial for u in units} | set(strangers))
        units[n] = replace(unit, serial=noted)
        strangers[unit.serial], resembles[unit.serial] = sent[n].copy(), noted
        faults[noted] = (Fault("not_reporting", 1.0),)
        sent[n] = np.nan
    return replace(
        made,
        site=replace(made.site, units=tuple(units)),
        readings=replace(made.readings, energy_wh=sent, strangers=strangers),
        faults=faults,
        resembles=resembles,
    )
