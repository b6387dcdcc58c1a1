"""Troubles of the readings themselves, put into sound ones: each as a broken source would make it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.random import Generator

from service.quality.model import Arrived, KeptOut
from service.store.grids import Samples

Plant = Callable[[Arrived, Generator], "Planted | None"]

MOSTLY = 0.9


class NoRoom(Exception):  # noqa: N818 - not the planter's fault
    """The window is too short for the trouble."""


@dataclass(frozen=True)
class Planted:
    """Readings with a trouble, and the units that have it (none: all of them)."""

    arrived: Arrived
    units: tuple[int, ...] = ()


def stale(arrived: Arrived, rng: Generator) -> Planted | None:
    """One unit repeats what it last knew, for two to five hours of light."""
    unit, first, end = _stretch(arrived, rng, 120, 300)
    return _changed(arrived, unit, first, end, lambda e: np.full(e.shape, e.flat[0]))


def stale_site(arrived: Arrived, rng: Generator) -> Planted | None:
    """All units repeat what they last knew, for one or two hours of light."""
    _, first, end = _stretch(arrived, rng, 60, 120)
    energy = arrived.energy_wh.copy()
    energy[:, first:end] = energy[:, first, None]
    return Planted(_with(arrived, energy))


def repeated_unit(arrived: Arrived, rng: Generator) -> Planted | None:
    """One unit's readings are another's."""
    if len(arrived.serials) < 2:
        return None
    one, other = rng.permutation(np.flatnonzero(_alive(arrived)))[:2]
    energy = arrived.energy_wh.copy()
    energy[other] = energy[one]
    return Planted(_with(arrived, energy), (int(one), int(other)))


def repeated_day(arrived: Arrived, rng: Generator) -> Planted | None:
    """A day of a unit is the day before once more."""
    day = 1440 // arrived.interval_min
    if arrived.energy_wh.shape[1] < 2 * day:
        return None
    unit, first = _unit(arrived, rng), day * int(rng.integers(1, arrived.energy_wh.shape[1] // day))
    energy = arrived.energy_wh.copy()
    energy[unit, first : first + day] = energy[unit, first - day : first]
    return Planted(_with(arrived, energy), (unit,))


def spike(arrived: Arrived, rng: Generator) -> Planted | None:
    """A single value is one and a fifth to one and two fifths of what the inverter gives."""
    unit, first, _ = _stretch(arrived, rng, 1, 1)
    most = arrived.rated_wh[unit] * rng.uniform(1.2, 1.4)
    return _changed(arrived, unit, first, first + 1, lambda e: np.full(e.shape, most))


def catch_up(arrived: Arrived, rng: Generator) -> Planted | None:
    """After two to four silent intervals one value holds their energy too, if that is not more than can be."""
    silent = int(rng.integers(2, 5))
    unit, first, _ = _stretch(
        arrived, rng, (silent + 1) * arrived.interval_min, (silent + 1) * arrived.interval_min
    )
    energy = arrived.energy_wh.copy()
    total = np.nansum(energy[unit, first : first + silent + 1])
    if not 0.3 * arrived.rated_wh[unit] < total < 1.5 * arrived.rated_wh[unit]:
        return None
    energy[unit, first : first + silent] = np.nan
    energy[unit, first + silent] = total
    return Planted(_with(arrived, energy), (unit,))


def counter(arrived: Arrived, rng: Generator) -> Planted | None:
    """A counter ran back by day: its difference was kept out."""
    return _kept_out(arrived, rng, arrived.lit, -4.2e4)


def negative_night(arrived: Arrived, rng: Generator) -> Planted | None:
    """A meter counts what the unit draws by night: kept out."""
    return _kept_out(arrived, rng, arrived.elevation_deg < -6, -0.2)


def too_high(arrived: Arrived, rng: Generator) -> Planted | None:
    """A value that no inverter gives: kept out."""
    return _kept_out(arrived, rng, arrived.lit, 9.9e5)


def night_output(arrived: Arrived, rng: Generator) -> Planted | None:
    """A unit says a twentieth of its rating through the nights."""
    dark = arrived.elevation_deg < -6
    if dark.sum() * arrived.interval_min < 300:
        return None
    unit, energy = _unit(arrived, rng), arrived.energy_wh.copy()
    energy[unit, dark] = np.rint(arrived.rated_wh[unit] * rng.uniform(0.05, 0.1))
    return Planted(_with(arrived, energy), (unit,))


def gap_site(arrived: Arrived, rng: Generator) -> Planted | None:
    """Nobody was heard for a tenth to a third of a day's light."""
    _, first, end = _stretch(arrived, rng, 90, 240)
    energy = arrived.energy_wh.copy()
    energy[:, first:end] = np.nan
    return Planted(_with(arrived, energy))


def gap_units(arrived: Arrived, rng: Generator) -> Planted | None:
    """One unit misses a fifth of its values, here and there."""
    unit, energy = _unit(arrived, rng), arrived.energy_wh.copy()
    energy[unit, rng.random(energy.shape[1]) < 0.2] = np.nan
    return Planted(_with(arrived, energy), (unit,))


def clock_step(arrived: Arrived, rng: Generator) -> Planted | None:
    """From some midnight on the clock is an hour late or early."""
    days = np.unique(arrived.day)
    if len(days) < 6:
        return None
    at = int(np.flatnonzero(arrived.day == days[rng.integers(3, len(days) - 2)])[0])
    by = int(rng.choice([-1, 1])) * max(1, 60 // arrived.interval_min)
    energy = arrived.energy_wh.copy()
    energy[:, at:] = np.roll(energy[:, at:], by, axis=1)
    return Planted(_with(arrived, energy))


def two_sources(arrived: Arrived, rng: Generator) -> Planted | None:
    """A file says a unit's day 3 % higher than the gateway did."""
    unit = _unit(arrived, rng)
    heard = np.flatnonzero(arrived.heard[unit])
    starts = arrived.start_s + 60 * arrived.interval_min * heard
    values = arrived.energy_wh[unit, heard]
    said = {
        source: [Samples(arrived.serials[unit], "energy_wh", arrived.interval_min, starts, values * by)]
        for source, by in (("token gateway", 1.0), ("file june.csv", 1.03))
    }
    return Planted(replace(arrived, said=said), (unit,))


PLANTS: dict[str, Plant] = {
    plant.__name__: plant
    for plant in (
        *(stale, stale_site, repeated_unit, repeated_day, spike, catch_up, night_output),
        *(gap_site, gap_units, clock_step, counter, negative_night, too_high, two_sources),
    )
}
"""By the kind of finding that each is; a counter that ran back by day is seen as a negative value."""

KINDS = {"counter": "negative_day"}


def _with(arrived: Arrived, energy_wh: np.ndarray) -> Arrived:
    return replace(arrived, energy_wh=energy_wh)


def _alive(arrived: Arrived) -> np.ndarray:
    lit = arrived.lit & arrived.due.any(axis=0)
    return (arrived.made & lit).sum(axis=1) > 0.8 * lit.sum()


def _unit(arrived: Arrived, rng: Generator) -> int:
    return int(rng.choice(np.flatnonzero(_alive(arrived))))


def _stretch(arrived: Arrived, rng: Generator, shortest: int, longest: int) -> tuple[int, int, int]:
    """Return a unit that makes something, and the ends of a stretch of light of so many minutes, in which it does."""
    unit = _unit(arrived, rng)
    length = max(2, round(rng.uniform(shortest, longest) / arrived.interval_min))
    made = arrived.made[unit] & arrived.lit
    if made.size < length:
        raise NoRoom
    strong = np.convolve(made, np.ones(length), "valid") >= MOSTLY * length
    strong &= made[: strong.size]
    if not strong.any():
        raise NoRoom
    first = int(rng.choice(np.flatnonzero(strong)))
    return unit, first, first + length


def _changed(
    arrived: Arrived, unit: int, first: int, end: int, change: Callable[[np.ndarray], np.ndarray]
) -> Planted:
    energy = arrived.energy_wh.copy()
    energy[unit, first:end] = change(energy[unit, first:end])
    return Planted(_with(arrived, energy), (unit,))


def _kept_out(arrived: Arrived, rng: Generator, when: np.ndarray, value: float) -> Planted | None:
    if not when.any():
        return None
    unit, at = _unit(arrived, rng), int(rng.choice(np.flatnonzero(when)))
    energy = arrived.energy_wh.copy()
    energy[unit, at] = np.nan
    at_s = arrived.start_s + 60 * arrived.interval_min * at
    one = KeptOut(arrived.serials[unit], at_s, "energy_wh", value, "token gateway")
    return Planted(replace(_with(arrived, energy), kept_out=(one,)), (unit,))
