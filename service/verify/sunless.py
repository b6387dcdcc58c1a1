"""A plane that sees no sun for hours on every day: behind an object, or under closed covers.

Without any sun a span has no edge to be told by, only what is left of the light. Behind an object that is the sky's,
with the light around the sun or without: of a clear day it is as still as the day, and flatter than the sun's course.
A cover that hides the sun for hours lets through now more and now less, and the more the higher the sun stands. Under
broken clouds no day behind an object is still, but all of them leave about as much, where covers are now thick and now
thin.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.verify.inputs import FloatArray
from service.verify.plane_beam import Beam, BoolArray
from service.verify.shade_scan import counted_over

LEAST_MINUTES, LEAST_DAYS, LEAST_TOLD_MINUTES = 150, 3, 600
"""How long a span must be told on a day, on how many days, and in all, so that no stillness is chance (our choice, no
source)."""

MOST_SUN, LEAST_HIDDEN = 0.03, 0.7
"""Share of a span's bins at most with sun, and at least with a beam that may be hidden: a limit leaves more light."""

OVER_DAY, SUNS, USUAL, UNUSUAL = 0.8, 0.3, (-0.3, 0.8), 0.2
"""What counts as a day's unrest besides the mean step: so much of the spread of the log of its light over a clear sky's
diffuse light, less so much of that over all of that sky's, since a cover's light follows the sun; and so much for each
by which the median of the first lies outside the usual (our choice, no source)."""

STILL = 0.15
"""Mean unrest of a plane's stillest days up to which it stands in shade. Of 1368 planes with such a span, 67 of them in
shade, of 3816 weeks (`tests/bench/fleet`), 400 of real roofs (three planes) and 360 of the second fleet (seven), eleven
in shade have 0.05 to 0.14; of the others one that is described wrongly has 0.16 and the next 0.18."""

LEAST_DAYS_ALIKE, BY_DAYS, STILL_AND_ALIKE = 5, 0.5, 0.28
"""How many days must tell how alike they are, how much the spread of the days' medians (log, over a clear sky's diffuse
light) counts beside that unrest, and their sum up to which a plane stands in shade, too. Of 635 planes with such a span
over three tenths of their light, 61 of them in shade, of 2684 weeks (`tests/bench/fleet`), 200 of real roofs and 360 of
the second fleet two in shade have 0.22 and 0.24 that are not so still, and those without 0.32 and more."""


@dataclass(frozen=True)
class Sunless:
    """The bins from `first` to `last`, in which no sun is seen on so many `days`."""

    first: int
    last: int
    days: int


def sunless(beam: Beam, width_min: int) -> Sunless | None:
    """Return the longest span without sun if it has still days, or days alike, as behind an object; None otherwise."""
    span = _longest(beam, width_min)
    if span is None:
        return None
    inside = slice(span[0], span[1] + 1)
    told, hidden = beam.told[:, inside], beam.hidden[:, inside]
    if told.sum() * width_min < LEAST_TOLD_MINUTES or (hidden & told).sum() < LEAST_HIDDEN * told.sum():
        return None
    least = -(-LEAST_MINUTES // width_min)
    days = int((told.sum(axis=1) >= least).sum())
    if days < LEAST_DAYS:
        return None
    unrest = min(_of_stillest(beam, left, inside, least) for left in (beam.level, beam.of_diffuse))
    if unrest <= STILL:
        return Sunless(*span, days)
    alike = unrest + BY_DAYS * _from_day_to_day(told, beam.of_diffuse[:, inside], least)
    return Sunless(*span, days) if days >= LEAST_DAYS_ALIKE and alike <= STILL_AND_ALIKE else None


def _longest(beam: Beam, width_min: int) -> tuple[int, int] | None:
    """Return the first and last of the bins that are told the most and show hardly any sun."""
    columns = np.flatnonzero(beam.told.any(axis=0))
    first, last = (columns[of] for of in np.triu_indices(len(columns), k=-(-LEAST_MINUTES // width_min) - 1))
    told = counted_over(beam.told, first, last)
    sunny = counted_over(beam.told & beam.bright & ~beam.sunless, first, last)
    dark = np.where(sunny <= MOST_SUN * told, told, 0.0)
    if not dark.any():
        return None
    best = int(np.argmax(dark))
    return int(first[best]), int(last[best])


def _of_stillest(beam: Beam, left: FloatArray, inside: slice, least: int) -> float:
    """Return the mean unrest of the stillest days among those with so many bins, by the logs of what is `left`."""
    tables = (table[:, inside] for table in (beam.told, left, beam.of_clear))
    by_day = [_unrest(*of_day) for of_day in zip(*tables, strict=True) if of_day[0].sum() >= least]
    return float(np.mean(sorted(by_day)[:LEAST_DAYS]))


def _from_day_to_day(told: BoolArray, of_diffuse: FloatArray, least: int) -> float:
    """Return how much the medians of days with so many bins differ, (days, B) as logs over a clear sky's light."""
    days = zip(told, of_diffuse, strict=True)
    return float(np.std([np.median(light[there]) for there, light in days if there.sum() >= least]))


def _unrest(told: BoolArray, of_diffuse: FloatArray, of_clear: FloatArray) -> float:
    """Return how much a day's light changes from bin to bin and over the day, (B,) as logs over a clear sky's light."""
    both = told[1:] & told[:-1]
    if not both.any():
        return np.inf
    spread, by_sun = (float(left[told].std()) for left in (of_diffuse, of_clear))
    middle, step = float(np.median(of_diffuse[told])), float(np.abs(np.diff(of_diffuse))[both].mean())
    unusual = max(USUAL[0] - middle, middle - USUAL[1], 0.0)
    return step + OVER_DAY * spread - SUNS * by_sun + UNUSUAL * unusual
