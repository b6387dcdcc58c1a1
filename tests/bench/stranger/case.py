"""A site with all that befell it: the record as noted, the readings as sent, and the truth about both."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.random import Generator

from service.expect.site import Site
from service.verify.inputs import Readings
from tests.bench.stranger.air import MINUTES_A_DAY, Sky, draw_sky, noise
from tests.bench.stranger.faults import DRAW, SHOWS, Fault, draw_late
from tests.bench.stranger.house import House, draw_house
from tests.bench.stranger.plan import WINDOWS, Plan, Window, plan
from tests.bench.stranger.plant import Build, power
from tests.bench.stranger.sun import Floats, Sun, sun

LIT = 0.02
"""Share of its rating from which a unit's interval is daylight."""


@dataclass(frozen=True)
class Case:
    """What the judgement gets (`site`, `readings`) and what it is held against."""

    plan: Plan
    site: Site
    readings: Readings
    faults: list[Fault]
    sent_as: tuple[str, ...]
    """By unit, the serial that sends: not the recorded one where that was mistyped."""
    missing: Floats
    """(U,) share of the lit intervals that were not heard."""
    clipped: Floats
    """(U,) share of the energy made at the inverter's rating."""
    sunny_h: float

    def truth(self, unit: int) -> dict[str, float]:
        """Return by cause the share of a unit's energy that each of its faults changes."""
        return {f.cause: f.share[unit] for f in self.faults if unit in f.share}


def site(seed: int, window: Window, cause: str | None = None) -> Case:
    """Return the site of a seed, with one cause among what befell it if asked for."""
    drawn = plan(seed, window, cause)
    rng = np.random.default_rng([seed, WINDOWS.index(window), 7703])
    late = draw_late(rng) if "clock_shift" in drawn.causes else 0
    sky = _sky(rng, drawn, late)
    house = draw_house(rng, drawn, sky, rng.uniform(232, 246) + noise(rng, drawn.minutes, 90))
    house.late_min = late
    faults = [f for name, draw in DRAW.items() if name in drawn.causes and (f := draw(rng, house))]
    struck, volts = power(_built(house, faults), sky)
    for fault in faults:
        _weigh(fault, faults, house, struck)
    _weigh_together(faults, house, struck)
    return _sent(rng, house, faults, struck, volts)


def _sky(rng: Generator, drawn: Plan, late_min: int) -> Sky:
    """Return the sky over the window as it truly was: the labels are late by `late_min`."""
    before = MINUTES_A_DAY if drawn.window != "30min" else MINUTES_A_DAY // 2
    count = len(drawn.kinds) * MINUTES_A_DAY
    minutes = np.arange(count, dtype=float) + drawn.start.timestamp() / 60 - before + 0.5
    sky = draw_sky(
        rng,
        sun(minutes, drawn.latitude, drawn.longitude),
        kinds=list(drawn.kinds),
        warm_c=drawn.warm_c,
        pressure_pa=101_325 * (1 - 2.2558e-5 * drawn.elevation_m) ** 5.2559,
        solar_hour=(minutes / 60 + drawn.longitude / 15) % 24,
    )
    cut = slice(before - late_min, before - late_min + drawn.minutes)
    return replace(
        sky,
        sun=Sun(sky.sun.towards[:, cut], sky.sun.distance[cut]),
        **{name: getattr(sky, name)[cut] for name in ("beam", "through", "diffuse", "air_c", "wind")},
    )


def _built(house: House, faults: list[Fault], without: Fault | None = None) -> Build:
    build = house.build.copy()
    for fault in faults:
        if fault is not without:
            fault.apply(build)
    if without:
        without.spare(build)
    return build


# --- the truth


def _weigh(fault: Fault, faults: list[Fault], house: House, struck: Floats) -> None:
    """Set the shares of energy that a fault changes, all others being there; of the site under -1."""
    without = power(_built(house, faults, fault), house.sky)[0]
    if fault.cause == "clock_shift":
        without = np.roll(struck, -house.late_min, axis=1)
    of_unit = without.sum(axis=1)
    changed = np.abs(struck - without).sum(axis=1)
    if fault.cause in ("not_reporting", "not_on_record"):
        changed = of_unit
    share = np.divide(changed, of_unit, out=np.zeros(len(of_unit)), where=of_unit > 1)
    if (
        fault.cause == "shaded"
    ):  # what is lost of the sky alone comes back at no sun position: neither well nor a shadow
        open_sky = power(_built(house, [f for f in faults if f is not fault]), house.sky)[0]
        lost = np.abs(struck - open_sky).sum(axis=1) / np.maximum(open_sky.sum(axis=1), 1)
        share = np.where(share < SHOWS, np.maximum(share, np.minimum(lost, 0.9 * SHOWS)), share)
    fault.share = {n: float(share[n]) for n in fault.units}
    if not fault.units:
        fault.share[-1] = float(changed.sum() / max(of_unit.sum(), 1e-9))
    if fault.cause == "plane_misdescribed":
        fault.share[-1] = float(share.max())
    if fault.cause == "unit_scale":
        fault.share[-1] = float(of_unit.sum() > 0)


def _weigh_together(faults: list[Fault], house: House, struck: Floats) -> None:
    """Give the first fault of a unit what all of them change, where each of them hides the others."""
    well = power(house.build, house.sky)[0]
    share = np.abs(struck - well).sum(axis=1) / np.maximum(well.sum(axis=1), 1)
    for unit in range(len(share)):
        mine = [f for f in faults if unit in f.share and f.cause != "shaded"]
        if mine and share[unit] >= SHOWS > max(f.share[unit] for f in faults if unit in f.share):
            mine[0].share[unit] = float(share[unit])


# --- the readings


def _sent(rng: Generator, house: House, faults: list[Fault], ac: Floats, volts: Floats) -> Case:
    drawn, site = house.plan, house.site
    step = drawn.interval_min
    energy = _metered(rng, _means(ac, step) * step / 60, step)
    heard = rng.random(energy.shape) >= _missing(rng, energy.shape, step)
    for fault in faults:
        _silence(rng, fault, heard, house)
    lit = _means(power(house.build, house.sky)[0], step) > LIT * house.build.rated_w[:, None]
    missing = (~heard & lit).sum(axis=1) / np.maximum(lit.sum(axis=1), 1)
    _weigh_gap(faults, missing)
    energy = np.where(heard, energy * house.factor, np.nan)
    serials = [u.serial for u in site.units]
    strangers = {serials[n]: energy[n].copy() for n in house.typed}
    energy[list(house.typed)] = np.nan
    units = tuple(replace(u, serial=house.typed.get(n, u.serial)) for n, u in enumerate(site.units))
    full = ac >= 0.999 * house.build.rated_w[:, None]
    return Case(
        drawn, replace(site, units=units),
        Readings(drawn.start, step, energy, _channels(rng, house, ac, volts, heard), strangers),
        faults, tuple(serials), missing,
        (ac * full).sum(axis=1) / np.maximum(ac.sum(axis=1), 1e-9),
        float((house.sky.dni > 120).sum()) / 60,
    )  # fmt: skip


def _means(values: Floats, step: int) -> Floats:
    return np.asarray(values.reshape(len(values), -1, step).mean(axis=2))


def _metered(rng: Generator, energy: Floats, step: int) -> Floats:
    """Return what the units count: each a little wrong, some in whole or in tenths of a watt-hour."""
    own = 1 + rng.normal(0, 0.004, (len(energy), 1))
    energy = energy * own * (1 + rng.normal(0, 0.003, energy.shape))
    kind = rng.random()
    if kind < 0.2 and step >= 5:  # the difference of a register that counts whole watt-hours
        return np.diff(np.floor(energy.cumsum(axis=1) + rng.random((len(energy), 1))), axis=1, prepend=0.0)
    if kind < 0.35 and step >= 5:
        return np.asarray(np.round(energy))
    return np.asarray(np.round(energy, 1 if kind < 0.5 and step >= 5 else 3))


def _missing(rng: Generator, shape: tuple[int, int], step: int) -> Floats:
    """Return the odds with which intervals are lost: seldom any, some units in the weak signal's bursts."""
    kind = rng.random()
    odds = np.zeros(shape)
    if kind > 0.4:
        odds += rng.uniform(0, 0.015)
    if kind > 0.8:
        weak = rng.choice(shape[0], size=max(1, shape[0] // 8), replace=False)
        odds[weak] += (np.stack([noise(rng, shape[1], 60 / step + 1) for _ in weak]) > 2.2) * 0.8
    return odds


def _silence(rng: Generator, fault: Fault, heard: np.ndarray, house: House) -> None:
    """Take away what a fault keeps from being heard."""
    step, details = house.plan.interval_min, fault.details
    if fault.silent:
        heard[fault.units, int(details.get("since", 0)) // step :] = False
    if fault.cause != "data_gap":
        return
    if not fault.units:
        heard[:, details["from"] // step : details["until"] // step] = False
        return
    for n in fault.units:
        odds = noise(rng, heard.shape[1], 45 / step + 1)
        heard[n] &= odds > np.quantile(odds, details["share"])


def _weigh_gap(faults: list[Fault], missing: Floats) -> None:
    """Set the share of lit intervals lost; a gap counts from 10 %, which is held against SHOWS by a quarter."""
    for fault in (f for f in faults if f.cause == "data_gap"):
        fault.share = {n: float(missing[n]) * SHOWS / 0.1 for n in fault.units or [-1]}
        if not fault.units:
            fault.share[-1] = float(np.median(missing)) * SHOWS / 0.1


def _channels(
    rng: Generator, house: House, ac: Floats, volts: Floats, heard: np.ndarray
) -> dict[str, Floats]:
    """Return the voltages that some sites send besides."""
    if rng.random() > 0.2:
        return {}
    step = house.plan.interval_min
    idle = np.where((ac < 0.5) & (volts > 0), volts * 1.2, volts)
    rise = np.zeros_like(ac)
    for units in house.of_branch.values():
        rise[units] = 5 * ac[units].sum(axis=0) / house.build.rated_w[units].sum()
    dc, grid = _means(idle, step), _means(house.grid_v + rise, step)
    dc *= 1 + rng.normal(0, 0.004, dc.shape)
    return {
        "dc_voltage_v": np.where(heard, np.round(dc, 1), np.nan),
        "ac_voltage_v": np.where(heard, np.round(grid + rng.normal(0, 0.3, grid.shape), 1), np.nan),
    }
