"""Output while it is dark, of single units. All units together have a wrong clock, and that is for the judgement."""

from __future__ import annotations

import numpy as np

from service.quality.model import LEAST_NEIGHBOURS, NIGHT_DEG, Arrived, Finding, finding
from service.store.grids import BoolArray

LEAST_OF_RATING = 0.001
LEAST_VALUES = 3
"""A register that counts in steps may book the last one of the day in the dark."""

FEW = 0.4
AFTER_MIN = 90
"""So long before and after most units make something nothing is said: their clock may be off."""


def find(arrived: Arrived) -> list[Finding]:
    """Return the finding on units with output by night, if there are others to compare them with."""
    units = int(arrived.heard.any(axis=1).sum())
    if units < LEAST_NEIGHBOURS:
        return []
    dark = (arrived.elevation_deg < NIGHT_DEG) & ~_near_output(arrived, FEW * units)
    making = (arrived.sent_wh > LEAST_OF_RATING * arrived.most_wh[:, None]) & dark
    making &= making.sum(axis=0) <= FEW * units
    making &= making.sum(axis=1, keepdims=True) >= LEAST_VALUES
    return [finding(arrived, "night_output", making)] if making.any() else []


def _near_output(arrived: Arrived, many: float) -> BoolArray:
    by_most = arrived.made.sum(axis=0) > many
    reach = arrived.intervals_in(AFTER_MIN)
    near = np.convolve(by_most, np.ones(2 * reach + 1))[reach : reach + len(by_most)]
    return np.asarray(near > 0)
