"""What can befall a site, one function a cause: each draws its size and units and says how it changes the array."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.random import Generator

from tests.bench.stranger.house import House
from tests.bench.stranger.plant import Build, power
from tests.bench.stranger.roof import LONG, WIDE, Box, Crown, Facing, Hill, Spot, Thing, sky_seen
from tests.bench.stranger.sun import Floats

SHOWS = 0.025
"""Share of a unit's energy in the window from which a fault counts."""

TRIES = 10
"""Sets of things to stand in the light, drawn until one costs a unit enough to show."""

HIGH = 0.35
"""Share of its rating above which a branch can trip: below, it hardly lifts the voltage; common practice, no source."""

LEAST_SKY = 0.5
"""A module that sees less of the sky has a thing standing on it or hard by."""

TOO_DARK = 0.6
"""Share of its energy that shade costs no unit: nobody puts a module there; common practice, no source."""


@dataclass
class Fault:
    """A cause with the units it may strike, how it changes the array, and what the record or the sent values say."""

    cause: str
    units: list[int] = field(default_factory=list)
    apply: Callable[[Build], None] = lambda _build: None
    spare: Callable[[Build], None] = lambda _build: None
    """What there is without it: nothing, or things that hide the sky and cast no shadow."""
    details: dict[str, Any] = field(default_factory=dict)
    silent: bool = False
    """Whether the units are not heard, and do not send zeros."""
    share: dict[int, float] = field(default_factory=dict)
    """By unit: the share of its energy that the fault changes; set when all is built."""


def _choose(rng: Generator, house: House, among: list[int] | None = None) -> list[int]:
    """Return units that nothing else befell: mostly one, seldom most of them."""
    pool = [n for n in (among or range(house.plan.units)) if n not in house.taken]
    kind = rng.random()
    if kind < 0.58:
        count = 1
    elif kind < 0.85:
        count = int(rng.integers(2, 4))
    else:
        share = rng.uniform(0.2, 0.45) if kind < 0.95 else rng.uniform(0.5, 0.9)
        count = round(share * len(pool))
    chosen = [int(n) for n in rng.permutation(pool)[: max(count, 1)]]
    house.taken |= set(chosen)
    return chosen


def _from_moment(rng: Generator, house: House) -> int:
    """Return the minute from which something is so: half of the time from before the window."""
    return 0 if rng.random() < 0.5 else int(rng.uniform(0.1, 0.8) * house.plan.minutes)


def _off(units: list[int], since: int) -> Callable[[Build], None]:
    def stop(ac: Floats, _build: Build) -> Floats:
        out = ac.copy()
        out[np.ix_(units, range(since, ac.shape[1]))] = 0
        return out

    return lambda build: build.then.append(stop)


def not_reporting(rng: Generator, house: House) -> Fault:
    """Return units that never are heard."""
    units = _choose(rng, house)
    return Fault("not_reporting", units, _off(units, 0), silent=True)


def not_on_record(rng: Generator, house: House) -> Fault:
    """Return units noted with a slip of the pen: two digits changed over, or one misread."""
    units = _choose(rng, house)[:2]
    for n in units:
        digits = list(house.site.units[n].serial)
        at = int(rng.integers(3, 11))
        if digits[at] != digits[at + 1]:
            digits[at], digits[at + 1] = digits[at + 1], digits[at]
        else:
            digits[at] = str((int(digits[at]) + 5) % 10)
        house.typed[n] = "".join(digits)
    return Fault("not_on_record", units)


def no_output(rng: Generator, house: House) -> Fault:
    """Return units that are heard and make nothing from a moment on."""
    units = _choose(rng, house)
    return Fault("no_output", units, _off(units, _from_moment(rng, house)))


def intermittent(rng: Generator, house: House) -> Fault:
    """Return units with a loose contact: up and down for times of their own."""
    units = _choose(rng, house)
    half_hour = house.plan.window == "30min"
    up = float(rng.uniform(4, 10) if half_hour else np.exp(rng.uniform(np.log(15), np.log(240))))
    down = float(rng.uniform(1, 4) if half_hour else np.exp(rng.uniform(np.log(2), np.log(45))))
    on = np.stack([_telegraph(rng, house.plan.minutes, up, down) for _ in units])

    def drop(ac: Floats, _build: Build) -> Floats:
        out = ac.copy()
        out[units] *= on
        return out

    return Fault(
        "intermittent", units, lambda b: b.then.append(drop), details={"up_min": up, "down_min": down}
    )


def _telegraph(rng: Generator, minutes: int, up: float, down: float) -> Floats:
    """Return 1 and 0 by minute, in stretches of exponential length, a minute cut where a stretch begins in it."""
    count = int(minutes / min(up, down)) + 20
    stretches = np.stack([rng.exponential(up, count), rng.exponential(down, count)], axis=1).ravel()
    ends = np.cumsum(stretches)
    tenths = np.arange(minutes * 10) / 10
    return np.asarray((np.searchsorted(ends, tenths) % 2 == 0).reshape(minutes, 10).mean(axis=1))


def substring_out(rng: Generator, house: House) -> Fault:
    """Return units of which one module has a substring bridged by its diode, seldom two."""
    units = _choose(rng, house)
    lost = {n: 2 if rng.random() < 0.12 and house.build.least_strings == 1 else 1 for n in units}

    def bridge(build: Build) -> None:
        for n, count in lost.items():
            build.alive[int(np.flatnonzero(build.unit_of == n)[0]), :count] = False

    return Fault("substring_out", units, bridge, details={"lost": list(lost.values())})


def low_output(rng: Generator, house: House) -> Fault:
    """Return units that are weaker all the time: dirt, cells, a wrong module."""
    units = _choose(rng, house)
    losses = 0.03 + 0.4 * rng.beta(1.1, 2.6, len(units))

    def weaken(build: Build) -> None:
        for n, loss in zip(units, losses, strict=True):
            build.gain[build.unit_of == n] *= 1 - loss

    return Fault("low_output", units, weaken, details={"losses": [round(float(x), 3) for x in losses]})


def wrong_plane(rng: Generator, house: House) -> Fault | None:
    """Return units that lie on another plane than noted, or on one that nobody noted."""
    here = int(rng.integers(len(house.build.facings)))
    units = _choose(rng, house, house.on_plane(here))[:4]
    if house.plan.planes == 1 or rng.random() < 0.2:
        old = house.build.facings[here]
        turn = float(rng.choice([-90, 90, 180]))
        elsewhere = Facing(
            float(np.clip(old.tilt_deg + rng.normal(0, 6), 3, 60)), (old.azimuth_deg + turn) % 360, old.middle
        )
        slots = [Spot(len(house.build.facings), k * WIDE, 0) for k in range(2 * len(units))]
    else:
        there = int(rng.choice([p for p in range(house.plan.planes) if p != here]))
        elsewhere, slots = house.build.facings[there], house.free[there]
    if not units or len(slots) < (house.build.unit_of == units[0]).sum() * len(units):
        return None

    def move(build: Build) -> None:
        build.facings.append(elsewhere)
        to = iter(slots)
        for n in units:
            for m in np.flatnonzero(build.unit_of == n):
                build.spots[m] = next(to)._replace(plane=len(build.facings) - 1)

    details = {"tilt": elsewhere.tilt_deg, "azimuth": elsewhere.azimuth_deg, "planes": house.plan.planes}
    return Fault("wrong_plane", units, move, details=details)


def swapped(rng: Generator, house: House) -> Fault | None:
    """Return two units noted in each other's place, mostly on different planes: else nothing shows."""
    pool = [n for n in range(house.plan.units) if n not in house.taken]
    first = int(rng.choice(pool)) if pool else -1
    plane = house.site.units[first].plane
    others = [
        n for n in pool if n != first and (house.plan.planes == 1 or house.site.units[n].plane != plane)
    ]
    if not others:
        return None
    pair = [first, int(rng.choice(others))]
    house.taken |= set(pair)

    def change_over(ac: Floats, _build: Build) -> Floats:
        out = ac.copy()
        out[pair] = ac[pair[::-1]]
        return out

    return Fault("swapped", pair, lambda b: b.then.append(change_over))


def _branch(rng: Generator, house: House) -> list[int]:
    return house.of_branch[str(rng.choice(list(house.of_branch)))] if house.of_branch else []


def branch_out(rng: Generator, house: House) -> Fault | None:
    """Return a branch whose breaker fell: zeros, or silence where the line carries the data too."""
    units = _branch(rng, house)
    if not units:
        return None
    house.taken |= set(units)
    silent, since = rng.random() < 0.2 and len(house.of_branch) > 1, _from_moment(rng, house)
    since = since or int(rng.uniform(0.1, 0.6) * house.plan.minutes) * (rng.random() < 0.6)
    return Fault("branch_out", units, _off(units, since), details={"since": since}, silent=silent)


def voltage_trip(rng: Generator, house: House) -> Fault | None:
    """Return a branch whose end rises above its limit at high power: all its units are off for minutes."""
    units = _branch(rng, house)
    if not units:
        return None
    wait, rise = int(rng.integers(1, 6)), rng.uniform(4, 10)
    rated = house.build.rated_w[units].sum()
    limit = house.grid_v.mean() + rng.uniform(0.5, 2) + rise * rng.uniform(0.55, 0.95)

    def trip(ac: Floats, _build: Build) -> Floats:
        load = ac[units].sum(axis=0) / rated
        volts = np.where(load > HIGH, house.grid_v + rise * load, 0)
        out, on, until = ac.copy(), np.ones(ac.shape[1]), 0
        for t in np.flatnonzero(volts > limit).tolist():
            if t >= until:
                on[t : t + wait] = 0
                until = t + wait + 2
        out[units] *= on
        return out

    house.taken |= set(units)
    return Fault("voltage_trip", units, lambda b: b.then.append(trip), details={"wait": wait})


# --- shade


def shaded(rng: Generator, house: House) -> Fault | None:
    """Return things in the light, drawn anew until they cost one unit enough to show in this window's weather."""
    things: list[Thing] = []
    for _ in range(TRIES):
        things = [_thing(rng, house) for _ in range(int(rng.choice([1, 2, 3], p=[0.6, 0.3, 0.1])))]
        there = replace(house.build, things=house.build.things + things)
        if min(sky_seen(s, there.facings[s.plane], there.things) for s in there.spots) < LEAST_SKY:
            continue
        dark, bright = (
            power(replace(there, transparent=clear), house.sky)[0].sum(axis=1) for clear in ([], things)
        )
        if bright.min() > 0 and SHOWS <= (1 - dark / bright).max() <= TOO_DARK:
            break

    def stand(build: Build) -> None:
        build.things = build.things + things

    def hide(build: Build) -> None:
        stand(build)
        build.transparent = things

    return Fault("shaded", list(range(house.plan.units)), stand, hide, {"things": things})


def _thing(rng: Generator, house: House) -> Thing:
    plane = int(rng.integers(house.plan.planes))
    kind = str(rng.choice(["chimney", "dormer", "tree", "house", "hill"], p=[0.42, 0.2, 0.22, 0.1, 0.06]))
    if kind in ("chimney", "dormer"):
        return _on_roof(rng, house, plane, kind)
    facing = house.build.facings[plane]
    way = np.radians(facing.azimuth_deg + rng.uniform(-95, 95))
    if kind == "hill":
        return Hill(float(np.degrees(way) % 360), rng.uniform(8, 28), rng.uniform(12, 45))
    far = rng.uniform(6, 14) if kind == "tree" else rng.uniform(9, 18)
    x, y = facing.middle[0] + far * np.sin(way), facing.middle[1] + far * np.cos(way)
    if kind == "house":
        high = rng.uniform(6.5, 12)
        half = (rng.uniform(3, 6), rng.uniform(3, 6), high / 2)
        return Box((x, y, high / 2), half, rng.uniform(0, 90))
    wide = rng.uniform(1.2, 3.2)
    return Crown(
        (x, y, rng.uniform(4, 8.5)), (wide, wide, wide * rng.uniform(0.9, 1.6)), rng.uniform(0.05, 0.5)
    )


def _on_roof(rng: Generator, house: House, plane: int, kind: str) -> Box:
    """Return a chimney or a dormer beside the array or above it, upright from the roof."""
    spots = [s for s in house.build.spots if s.plane == plane]
    left, right = min(s.x for s in spots) - WIDE / 2, max(s.x for s in spots) + WIDE / 2
    low, top = min(s.y for s in spots) - LONG / 2, max(s.y for s in spots) + LONG / 2
    wide = rng.uniform(0.25, 0.5) if kind == "chimney" else rng.uniform(0.7, 1.4)
    high = rng.uniform(0.7, 2.2) if kind == "chimney" else rng.uniform(1.0, 1.9)
    gap = wide * 1.3 + rng.uniform(0.05, 0.8)
    side = rng.random()
    if side < 0.7:
        x = left - gap if side < 0.35 else right + gap
        y = rng.uniform(low, top)
    else:
        x, y = rng.uniform(left, right), (low - gap if side < 0.82 else top + gap)
    facing = house.build.facings[plane]
    foot = facing.point(x, y)
    middle = (float(foot[0]), float(foot[1]), float(foot[2] + high / 2 - 0.25))
    return Box(middle, (wide, wide, high / 2 + 0.25), -facing.azimuth_deg)


# --- of the site


def draw_late(rng: Generator) -> int:
    """Return by how many minutes a clock is off: an hour most often, else some minutes or another zone's hours."""
    kind = rng.random()
    minutes = 60 if kind < 0.5 else int(rng.uniform(12, 50)) if kind < 0.75 else 60 * int(rng.integers(2, 11))
    return minutes * int(rng.choice([-1, 1]))


def clock_shift(_rng: Generator, house: House) -> Fault:
    """Return the clock's error, which the sky was already cut by."""
    return Fault("clock_shift", details={"minutes": house.late_min})


def plane_misdescribed(rng: Generator, house: House) -> Fault:
    """Return a plane that is not as noted: turned, or steeper or flatter, or noted from the wrong side."""
    plane = int(rng.integers(house.plan.planes))
    turn, lean = rng.normal(0, 32), 0.0
    if rng.random() < 0.35:
        turn, lean = rng.normal(0, 6), float(rng.choice([-1, 1])) * rng.uniform(6, 22)
    elif rng.random() < 0.2:
        turn = float(rng.choice([180, 90, -90]))
    old = house.build.facings[plane]
    new = Facing(float(np.clip(old.tilt_deg + lean, 3, 70)), (old.azimuth_deg + turn) % 360, old.middle)

    def turned(build: Build) -> None:
        build.facings[plane] = new

    details = {"plane": house.site.planes[plane].name, "turn": round(turn), "lean": round(lean)}
    return Fault("plane_misdescribed", apply=turned, details=details)


def curtailed(rng: Generator, house: House) -> Fault:
    """Return a limit on the site's power, fixed and shared alike by all or by what each could make."""
    level, alike = rng.uniform(0.25, 0.75), rng.random() < 0.5
    limit = level * house.build.rated_w.sum()

    def hold(ac: Floats, _build: Build) -> Floats:
        if alike:
            return np.asarray(np.minimum(ac, limit / len(ac)))
        return np.asarray(ac * np.minimum(1, limit / np.maximum(ac.sum(axis=0), 1e-6)))

    return Fault("curtailed", apply=lambda b: b.then.append(hold), details={"level": level, "alike": alike})


def site_low(rng: Generator, _house: House) -> Fault:
    """Return a site that is weaker than its record says in every unit."""
    loss = rng.uniform(0.15, 0.5)

    def weaken(build: Build) -> None:
        build.gain *= 1 - loss

    return Fault("site_low", apply=weaken, details={"loss": loss})


def unit_scale(rng: Generator, house: House) -> Fault:
    """Return values in another unit: kWh, the mean power, the kilojoules."""
    house.factor = float(rng.choice([0.001, 60 / house.plan.interval_min, 3.6, 1000.0]))
    return Fault("unit_scale", details={"sent_times": house.factor})


def data_gap(rng: Generator, house: House) -> Fault | None:
    """Return intervals that went missing: of the whole site for a while, or of some units all over the window."""
    minutes = house.plan.minutes
    if rng.random() < 0.5:
        long = int(rng.uniform(0.12, 0.5) * minutes)
        begin = int(rng.uniform(0, minutes - long))
        return Fault("data_gap", details={"from": begin, "until": begin + long})
    share, units = rng.uniform(0.12, 0.6), _choose(rng, house)
    return Fault("data_gap", units, details={"share": share}) if units else None


DRAW: dict[str, Callable[[Generator, House], Fault | None]] = {
    f.__name__: f
    for f in (
        plane_misdescribed, site_low, not_reporting, not_on_record, no_output, intermittent, substring_out,
        low_output, wrong_plane, shaded, branch_out, voltage_trip, curtailed, swapped, clock_shift, unit_scale,
        data_gap,
    )
}  # fmt: skip
"""In the order in which they work: the array first, then its power, then what is noted of it."""
