"""Single values far too high, yet below the limit at which intake keeps them out.

Of a spike the neighbours in time and the other units know nothing. After a gap a value may also be the energy of all
the intervals that were missed, booked into one: then it is about what these should have made together, the total is
right and its place is not. Where there are no three units to compare, only values above the inverter's rating count.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.quality.model import Arrived, Finding, finding
from service.store.grids import BoolArray, FloatArray, IntArray

OVER_NEIGHBOURS = 1.5
OVER_OTHERS, OVER_BY = 1.6, 0.1
OVER_BEST = 1.2
"""A unit may stand on another plane than its record says, or have another's serial: then some unit does as it does."""

OVER_RATING = 1.15
"""Inverters give a few percent more than their rating for minutes, not this (common practice, no source)."""

SELDOM = 0.02
"""More often it is no spike but a wrong rating on the record, or another unit of measure."""

CATCH_UP = (0.65, 1.45)
LEAST_OF_RATING = 0.1
LONGEST_GAP_MIN = 360


def find(arrived: Arrived) -> list[Finding]:
    """Return one finding on spikes and one on what was made up for after gaps."""
    lone = _Lone.of(arrived)
    caught_up = lone.above_others & lone.fit_the_gap
    spikes = ((lone.above_due & lone.above_others) | (lone.of_rating > OVER_RATING)) & ~caught_up
    seldom = np.maximum(1, SELDOM * arrived.due.sum(axis=1))
    spikes &= (np.bincount(lone.units[spikes], minlength=len(seldom)) <= seldom)[lone.units]
    found = []
    if spikes.any():
        numbers = {"of_rating": float(lone.of_rating[spikes].max())}
        found.append(finding(arrived, "spike", lone.mask(arrived, spikes), numbers=numbers))
    if caught_up.any():
        found.append(finding(arrived, "catch_up", lone.mask(arrived, caught_up)))
    return found


@dataclass(frozen=True)
class _Lone:
    """The values far above those before and after, (N,): where they are and what else is true of them."""

    units: IntArray
    places: IntArray
    of_rating: FloatArray
    above_due: BoolArray
    """Far above what the neighbours on the plane make, and that part far above the parts before and after."""
    above_others: BoolArray
    """Above every other unit, whatever its plane, each at its own level."""
    fit_the_gap: BoolArray
    """About what was due in the intervals without output just before, and in their own."""

    @classmethod
    def of(cls, arrived: Arrived) -> _Lone:
        energy, most = arrived.sent_wh, arrived.most_wh
        alone = (energy > OVER_NEIGHBOURS * _neighbours(energy)) & (energy > LEAST_OF_RATING * most[:, None])
        # Of a register's steps one too many in a value is missing in another.
        step = arrived.step_wh[:, None]
        by_steps = energy - step > OVER_NEIGHBOURS * (_neighbours(energy) + step)
        units, places = np.nonzero(alone)
        value, due = energy[units, places], np.nan_to_num(arrived.reference_wh[units, places])
        with np.errstate(divide="ignore", invalid="ignore"):
            parts = [_part(arrived, units, places + by) for by in (-1, 0, 1)]
            jumps = parts[1] > OVER_NEIGHBOURS * np.maximum(parts[0], parts[2])
        missed = np.array(
            [_missed(arrived, u, t) for u, t in zip(units.tolist(), places.tolist(), strict=True)]
        )
        part_of_gap = value / np.maximum(missed + due, 1e-9)
        return cls(
            units=units,
            places=places,
            of_rating=value / most[units],
            above_due=(due > 0)
            & (value > OVER_OTHERS * due + OVER_BY * most[units])
            & jumps
            & by_steps[units, places],
            above_others=_above_others(arrived, units, places),
            fit_the_gap=(missed > 0)
            & (value > OVER_NEIGHBOURS * due)
            & (part_of_gap > CATCH_UP[0])
            & (part_of_gap < CATCH_UP[1]),
        )

    def mask(self, arrived: Arrived, which: BoolArray) -> BoolArray:
        """Return some of the values as a mask (U, T)."""
        mask = np.zeros(arrived.heard.shape, dtype=bool)
        mask[self.units[which], self.places[which]] = True
        return mask


def _neighbours(energy: FloatArray) -> FloatArray:
    """Return the higher of the values before and after, zero where not heard."""
    padded = np.pad(energy, ((0, 0), (1, 1)))
    return np.asarray(np.maximum(padded[:, :-2], padded[:, 2:]))


def _part(arrived: Arrived, units: IntArray, places: IntArray) -> FloatArray:
    """Return the values over what was due, 0 where there is none."""
    inside = (places >= 0) & (places < len(arrived.day))
    places = np.clip(places, 0, len(arrived.day) - 1)
    part = arrived.sent_wh[units, places] / arrived.reference_wh[units, places]
    return np.where(inside & np.isfinite(part), part, 0.0)


def _above_others(arrived: Arrived, units: IntArray, places: IntArray) -> BoolArray:
    others = np.nan_to_num(arrived.scaled[:, places])
    own = others[units, np.arange(len(units))].copy()
    others[units, np.arange(len(units))] = 0.0
    return np.asarray(own > OVER_BEST * others.max(axis=0, initial=0.0))


def _missed(arrived: Arrived, unit: int, place: int) -> float:
    """Return what was due in the lit intervals without output just before, 0 if there are none."""
    first = place
    longest = place - arrived.intervals_in(LONGEST_GAP_MIN)
    while first > max(longest, 0) and arrived.due[unit, first - 1] and not arrived.made[unit, first - 1]:
        first -= 1
    if first == place or first <= longest:
        return 0.0
    return float(np.nansum(arrived.reference_wh[unit, first:place]))
