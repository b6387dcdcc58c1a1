"""What is wrong with a whole site: its clock, a plane's description, a limit, its level, its scale, a silence."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.random import Generator

from service.expect.site import Site
from tests.bench.fleet.plan import DAYS, Plan
from tests.bench.fleet.strike import SUN_FOR_SHAPE_H
from tests.bench.fleet.truth import VISIBLE, SiteFault
from tests.bench.fleet.weather import Minutes, sunny
from tests.fleet.faults import gap_positions
from tests.fleet.network import curtail
from tests.fleet.plant import ac_power, energy_wh
from tests.fleet.roof import Roof
from tests.fleet.skies import DAY_MIN

ROUND_SHIFTS = (15, 30, 45, 60, 90, 120, 180)
SHIFT_MIN = (10, 180)
DST_CHANGE_ODDS, LABELS_AT_END_ODDS, ONE_HOUR_ODDS, ROUND_ODDS = 0.12, 0.35, 0.25, 0.45
CHANGE_AT_MIN = 120
"""Clocks change at two in the morning."""

LOW_SITE, LIMIT = (0.65, 0.88), (0.5, 0.8)
AZIMUTH_OFF, TILT_OFF = (10, 90), (10, 25)
STEEPEST, FLATTEST = 60, 3
PART_OF_DAYS_ODDS = 0.4
MINUTES_AT_LIMIT = 60
SURE_OF_POWER = 4
BEYOND_CLOUDS, SUN_SHARE_FOR_SCALE = 100, 1 / 6


@dataclass(frozen=True)
class Clock:
    """By how many minutes each label is late, (N,), and what is true of it."""

    late_min: Minutes
    minutes: int = 0
    changes_at: int | None = None


def draw_clock(rng: Generator, plan: Plan) -> Clock:
    """Return the readings' clock: right, unless the plan says otherwise."""
    count = DAYS[plan.window] * DAY_MIN
    if plan.site_cause != "clock_shift":
        return Clock(np.zeros(count, dtype=int))
    if plan.window == "7d" and rng.random() < DST_CHANGE_ODDS:
        change = int(rng.integers(1, 7)) * DAY_MIN + CHANGE_AT_MIN
        minutes = int(rng.choice([-60, 60]))
        return Clock(np.where(np.arange(count) < change, 0, minutes), minutes, change)
    minutes = _shift(rng, plan)
    return Clock(np.full(count, minutes), minutes)


def _shift(rng: Generator, plan: Plan) -> int:
    if plan.interval_min >= 15 and rng.random() < LABELS_AT_END_ODDS:
        return plan.interval_min
    sign = int(rng.choice([-1, 1]))
    kind = rng.random()
    if kind < ONE_HOUR_ODDS:
        return sign * 60
    if kind < ONE_HOUR_ODDS + ROUND_ODDS:
        return sign * int(rng.choice(ROUND_SHIFTS))
    return sign * round(float(np.exp(rng.uniform(*np.log(SHIFT_MIN)))))


def misdescribe(rng: Generator, plan: Plan, roof: Roof, site: Site) -> tuple[Site, SiteFault | None]:
    """Return the record with whatever is wrong in it as a whole, and the truth about the site.

    Strikes the roof where the cause is on the roof; scale is left to `scaled`.
    """
    sun_h = float(sunny(roof.air).sum()) / 60
    if plan.site_cause == "plane_misdescribed":
        return _misplane(rng, roof, site, sun_h)
    if plan.site_cause == "site_low":
        return _lower(rng, roof, site, sun_h)
    return site, None


def _misplane(rng: Generator, roof: Roof, site: Site, sun_h: float) -> tuple[Site, SiteFault]:
    plane = site.planes[rng.integers(len(site.planes))]
    kind = rng.random()
    azimuth, tilt = plane.azimuth_deg, plane.tilt_deg
    if kind < 0.75:
        off = 180.0 if rng.random() < 0.12 else rng.uniform(*AZIMUTH_OFF) * rng.choice([-1, 1])
        azimuth = round(float((azimuth + off) % 360), 1)
    if kind >= 0.6:
        off = rng.uniform(*TILT_OFF) * rng.choice([-1, 1])
        off = off if FLATTEST <= tilt + off <= STEEPEST else -off
        tilt = round(float(np.clip(tilt + off, FLATTEST, STEEPEST)), 1)
    noted = replace(plane, azimuth_deg=azimuth, tilt_deg=tilt)
    units = [u for u, unit in enumerate(site.units) if unit.plane == plane.name]
    real = sum(energy_wh(roof.ac_w(u), roof.interval_min) for u in units)
    power = (ac_power(roof.inverters[u], roof.dc_w(u, (tilt, azimuth))) for u in units)
    thought = sum(energy_wh(p, roof.interval_min) for p in power)
    visible = float(np.abs(real - thought).sum() / max(float(np.sum(real)), 1e-9))
    truth = SiteFault(
        "plane_misdescribed",
        judgeable=sun_h >= SUN_FOR_SHAPE_H and visible >= VISIBLE,
        visible=visible,
        plane=plane.name,
        azimuth_deg=plane.azimuth_deg,
        tilt_deg=plane.tilt_deg,
    )
    return replace(site, planes=tuple(noted if p is plane else p for p in site.planes)), truth


def _lower(rng: Generator, roof: Roof, site: Site, sun_h: float) -> tuple[Site, SiteFault]:
    """Cover every unit with dirt, or write too high a rating into the record."""
    factor = rng.uniform(*LOW_SITE)
    if rng.random() < 0.5:
        types = tuple(replace(m, pmax_w=round(m.pmax_w / factor / 5) * 5.0) for m in site.module_types)
        factor = site.module_types[0].pmax_w / types[0].pmax_w
        site = replace(site, module_types=types)
    else:
        roof.dc_share *= factor
    return site, SiteFault("site_low", sun_h >= SUN_FOR_SHAPE_H, visible=1 - factor, factor=factor)


def limit(rng: Generator, plan: Plan, roof: Roof) -> SiteFault | None:
    """Hold the site's total to a limit, in a week perhaps on part of the days only."""
    if plan.site_cause != "curtailed":
        return None
    free = roof.energies().sum()
    share = rng.uniform(*LIMIT)
    when = slice(None)
    if plan.window == "7d" and rng.random() < PART_OF_DAYS_ODDS:
        day = int(rng.integers(1, 7)) * DAY_MIN
        when = slice(day, None) if rng.random() < 0.5 else slice(None, day)
    if not curtail(roof, share, when):
        return None
    visible = float(1 - roof.energies().sum() / max(free, 1e-9))
    held = int((roof.ac_share < 1).sum())
    return SiteFault("curtailed", visible >= VISIBLE and held >= MINUTES_AT_LIMIT, visible, factor=share)


def silence_all(rng: Generator, plan: Plan, roof: Roof) -> SiteFault | None:
    """Leave gaps in which nobody is heard."""
    if plan.site_cause != "data_gap":
        return None
    gap = gap_positions(roof, rng)
    roof.heard[:, gap] = False
    share = len(gap) / max(len(roof.lit), 1)
    return SiteFault("data_gap", judgeable=True, visible=share, factor=share)


def clock_truth(clock: Clock, plan: Plan, roof: Roof) -> SiteFault | None:
    """Return the truth about the clock, None where it is right."""
    if plan.site_cause != "clock_shift":
        return None
    wrong = clock.late_min[roof.part] != 0
    sun_h = float((sunny(roof.air) & wrong).sum()) / 60
    return SiteFault(
        "clock_shift", sun_h >= SUN_FOR_SHAPE_H, minutes=clock.minutes, changes_at_min=clock.changes_at
    )


def _scales(interval_min: int) -> list[float]:
    """Return kWh for Wh and the reverse, joules, and power for energy or the reverse where that is no cloud's work."""
    power = 60 / interval_min
    return [0.001, 1000.0, 3600.0, *([power, 1 / power] if power >= SURE_OF_POWER else [])]


def draw_scale(rng: Generator, plan: Plan, roof: Roof) -> SiteFault | None:
    """Return the factor that all values are sent with, if any; four may be a cloud's doing, a thousand not."""
    if plan.site_cause != "unit_scale":
        return None
    factor = float(rng.choice(_scales(plan.interval_min)))
    sun_share = float(sunny(roof.air).sum()) / max(int((roof.air.elevation_deg > 5).sum()), 1)
    told = abs(np.log(factor)) > np.log(BEYOND_CLOUDS) or sun_share >= SUN_SHARE_FOR_SCALE
    return SiteFault("unit_scale", judgeable=bool(told), factor=factor)
