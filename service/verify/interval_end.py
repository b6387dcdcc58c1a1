"""Whether labels name the starts or the ends of their intervals, by the light on the planes of the record.

Labels that are ends come one interval late by a record that takes them for starts: they are two clocks, of which
`skyfit` says how well each explains the light. On one plane a quarter of an hour and ten degrees of azimuth look much
alike, so the recorded planes must explain the light as well as when the whole roof is turned: a record that is wrong
or a hill that is not on it leaves the label open. Not here: whether a clock is wrong by an interval, which looks the
same and is rarer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.expect.site import Site
from service.verify.clock_bounds import FOR_CLOCK, LEAST_SHIFT_MIN, LEAST_SUN_FOR_CLOCK_H, PER_DAY
from service.verify.inputs import FloatArray, Readings
from service.verify.window import Light, Window, window

SURE_FROM_MIN = 30
"""Intervals from which the end is sure. In halves of an hour of real days (SERF East, 2016 and 2011/12,
tests/reference/open_data.py) no window showed the wrong end while the recorded azimuth erred by 5 degrees at most; in
quarters of an hour 12 of 22 weeks of 2016 did with 5 degrees to the one side, which alone brings half of a quarter."""

MOST_INTERVALS = 400
"""How many intervals are looked at; of longer windows every second or third."""

TURNS_DEG = np.arange(-20.0, 21.0, 4.0)
"""By so much the whole roof is turned: what a crew or a map errs by, and more."""

AS_WELL = 2.0
"""Log-likelihood by which a turned roof may explain more (judgement: at sites of `tests/fleet` whose azimuths erred by
5 degrees, seeds 51000 to 51059, 8 shows no more ends wrong than 2; real ones have hills)."""


@dataclass(frozen=True)
class ShownEnd:
    """Whether labels are the ends of their intervals, the log-likelihood over the other end's, and the days with light.

    What is not sure is likely and no more.
    """

    is_end: bool
    gain: float
    days: int
    is_sure: bool


def shown_end(site: Site, readings: Readings) -> ShownEnd | None:
    """Return which end the light shows labels to be; `readings` have them as starts, energies (U, T) in Wh.

    None where the light leaves it open: intervals shorter than what a model can tell (`LEAST_SHIFT_MIN`), too little
    sun, two ends that explain it nearly as well, or planes that would explain more if they faced another way.
    """
    if readings.interval_min < LEAST_SHIFT_MIN:
        return None
    seen = window(site, readings, scale=1.0)
    if seen is None:
        return None
    few = seen.thinned(MOST_INTERVALS).with_few_bends
    late_min = np.array([0.0, float(readings.interval_min)])
    by_turn = _by_turns(few, late_min)
    recorded = by_turn[:, len(TURNS_DEG) // 2]
    better = int(recorded.argmax())
    gain, days = float(recorded[better] - recorded[1 - better]), len(seen.day_names)
    is_told = gain >= FOR_CLOCK + PER_DAY * (days - 1) and by_turn.max() - recorded[better] <= AS_WELL
    if (
        not is_told
        or few.sunshine(few.by_clock(late_min[better : better + 1])).beam_h < LEAST_SUN_FOR_CLOCK_H
    ):
        return None
    return ShownEnd(bool(better), gain, days, readings.interval_min >= SURE_FROM_MIN)


def _by_turns(seen: Window, late_min: FloatArray) -> FloatArray:
    """Return the log-likelihood of clocks (S,) with the whole roof turned by `TURNS_DEG`, (S, turns)."""
    return seen.fit(_turned(seen, late_min)).likelihood.reshape(len(late_min), -1)


def _turned(seen: Window, late_min: FloatArray) -> Light:
    """Return the light by each clock and turn, the turns of a clock one after another."""
    shape = (len(late_min), len(TURNS_DEG), len(seen.intervals))
    beams, diffuse = [], []
    for plane in seen.planes:
        tilts, azimuths = np.full(len(TURNS_DEG), plane.tilt_deg), (plane.azimuth_deg + TURNS_DEG) % 360
        parts = seen.light.parts(plane, tilts, azimuths)
        beams.append(np.broadcast_to(seen.light.means(parts.beam, late_min, seen.intervals), shape))
        diffuse.append(np.broadcast_to(seen.light.means(parts.diffuse, late_min, seen.intervals), shape))
    beam, dim = (np.stack(each, axis=2).reshape(-1, len(seen.planes), shape[2]) for each in (beams, diffuse))
    return beam, dim, np.repeat(seen.light.dark(late_min, seen.intervals), len(TURNS_DEG), axis=0)
