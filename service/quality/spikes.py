"""Single values far too high, yet below the limit at which intake keeps them out.

Of a spike the neighbours in time and the other units know nothing. After a gap a value may also be the energy of all
the intervals that were missed, booked into one: then it is about what these should have made together, the total is
right and its place is not. Where there are no three units to compare, only values above the inverter's rating count.
"""

from __future__ import annotations

import numpy as np

from service.quality.model import Arrived, Finding, finding
from service.store.grids import BoolArray, FloatArray

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
    energy = np.nan_to_num(arrived.energy_wh)
    missed_wh, has_missed = _missed(arrived)
    caught_up = _caught_up(arrived, energy, missed_wh) & has_missed
    spikes = _over(arrived, energy) & ~caught_up
    seldom = np.maximum(1, SELDOM * arrived.due.sum(axis=1))
    spikes &= (spikes.sum(axis=1) <= seldom)[:, None]
    found = []
    if spikes.any():
        most = float((energy / arrived.most_wh[:, None])[spikes].max())
        found.append(finding(arrived, "spike", spikes, numbers={"of_rating": most}))
    if caught_up.any():
        found.append(finding(arrived, "catch_up", caught_up))
    return found


def _over(arrived: Arrived, energy: FloatArray) -> BoolArray:
    alone = arrived.heard & (energy > OVER_NEIGHBOURS * _neighbours(energy))
    due, rated = arrived.reference_wh, arrived.most_wh[:, None]
    with np.errstate(invalid="ignore", divide="ignore"):
        part = np.nan_to_num(energy / due, posinf=0.0)
        over_others = (energy > OVER_OTHERS * due + OVER_BY * rated) & (
            part > OVER_NEIGHBOURS * _neighbours(part)
        )
    over_others &= arrived.scaled > OVER_BEST * _best_other(arrived.scaled)
    return np.asarray(alone & (over_others | (energy > OVER_RATING * rated)))


def _best_other(scaled: FloatArray) -> FloatArray:
    """Return the highest value of the other units, whatever their plane, each at its own level: (U, T)."""
    known = np.nan_to_num(scaled)
    best = known.argmax(axis=0)
    highest = np.take_along_axis(known, best[None], axis=0)
    rest = known.copy()
    np.put_along_axis(rest, best[None], 0.0, axis=0)
    return np.where(np.arange(len(known))[:, None] == best, rest.max(axis=0), highest)


def _neighbours(energy: FloatArray) -> FloatArray:
    """Return the higher of the values before and after, zero where not heard."""
    padded = np.pad(energy, ((0, 0), (1, 1)))
    return np.asarray(np.maximum(padded[:, :-2], padded[:, 2:]))


def _caught_up(arrived: Arrived, energy: FloatArray, missed_wh: FloatArray) -> BoolArray:
    due = arrived.reference_wh
    with np.errstate(invalid="ignore", divide="ignore"):
        part = energy / (missed_wh + due)
        fits = (part > CATCH_UP[0]) & (part < CATCH_UP[1])
        above = (energy > OVER_NEIGHBOURS * due) & (energy > OVER_NEIGHBOURS * _neighbours(energy))
        above &= arrived.scaled > OVER_BEST * _best_other(arrived.scaled)
    return np.asarray(fits & above & (energy > LEAST_OF_RATING * arrived.most_wh[:, None]))


def _missed(arrived: Arrived) -> tuple[FloatArray, BoolArray]:
    """Return what was due in the lit intervals without output just before each interval, and whether there are any."""
    empty = arrived.due & ~arrived.made
    due = np.where(empty, np.nan_to_num(arrived.reference_wh), 0.0)
    count = np.arange(empty.shape[1])
    begun = np.maximum.accumulate(
        np.where(~empty, count + 1, 0), axis=1
    )  # first place of the run that ends here
    total = np.pad(np.cumsum(due, axis=1), ((0, 0), (1, 0)))
    so_far = total[:, 1:] - np.take_along_axis(total, begun, axis=1)
    length = count + 1 - begun
    missed = np.pad(so_far, ((0, 0), (1, 0)))[:, :-1]
    before = np.pad(length, ((0, 0), (1, 0)))[:, :-1]
    return missed, np.asarray((before > 0) & (before <= arrived.intervals_in(LONGEST_GAP_MIN)))
