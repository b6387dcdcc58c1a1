"""The odds of shade on a whole plane, all that a span of solar time says for it weighed together.

The bounds of `common_shade.py` ask much of the log odds alone, so that no plane without shade ever had them. A span
that falls a little short may still have no other explanation: closed covers are dark from morning to evening, with the
sun high, and let it through now and then, where what shades a plane stands low and lets nothing through.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from service.verify.inputs import FloatArray
from service.verify.odds import Weights, log_odds
from service.verify.plane_beam import Beam
from service.verify.shade_scan import FLANK_MINUTES, LEAST_MINUTES, Span

LEAST_ODDS, LEAST_DAYS = 4.0, 2
"""Log odds and days that speak for a span below which it is not weighed: the weights were fitted to spans with such
odds, and on one day a bank of fog leaves the same signs (of 768 days, `tests/bench/fleet`, a sound plane had 0.05)."""

MOST_ODDS, LEAST_SPREAD, MOST_GAPS, MOST_OF_DAY = 20.0, 0.05, 0.3, 0.75
"""Log odds and gaps above which more says nothing, as does a lesser spread, and the share of the plane's clear-sky
energy from which a span leaves little of the day to compare with (our choice, no source)."""

WEIGHTS: Weights = {
    "": -5.54,
    "odds": 0.414,
    "days": 1.32,
    "hours": 1.12,
    "whole_day": -17.6,
    "gaps": -14.7,
    "height": -0.036,
    "spread": -0.71,
    "sun_beside": 1.16,
}
"""Fitted (all measures scaled alike, C = 1) to
the likeliest spans of 735 planes with so much odds, 213 of them in shade, of 4236 weeks (`tests/bench/fleet`) and 400
weeks of real roofs (`tests/bench/roofs`, tuning)."""

LIKELIER = 0.0
"""Log odds from which shade is likelier than none. By weights fitted to nine tenths of the planes, none without shade
among the others had more than -0.3 but where the bounds say it, too; of those in shade that the bounds leave out three
had 0.2 and more and one -0.1. Of 400 weeks of real roofs no sound plane has more than -2.6, of 360 weeks of the second
fleet (`tests/bench/stranger`), not fitted to, one -0.2 and the next -2.7."""


@dataclass(frozen=True)
class ShadeSigns:
    """What a span of solar time says of shade on a plane.

    `log_odds` for shade against cloud; `days` that speak for it; the `hours` that it lasts and the `share` of the
    plane's clear-sky energy in it; the share of its bins in which the beam is `hidden`; how high the sun stands in it
    at most, `highest_deg`; the `spread` of the log of what is left there, over the clear sky's diffuse light; and the
    share of strong light beside it with sun, `sun_beside`.
    """

    log_odds: float
    days: int
    hours: float
    share: float
    hidden: float
    highest_deg: float
    spread: float
    sun_beside: float

    @property
    def measures(self) -> Mapping[str, float]:
        """Return what is weighed."""
        return {
            "odds": min(self.log_odds, MOST_ODDS),
            "days": math.log(max(self.days, 1)),
            "hours": math.log(self.hours),
            "whole_day": max(self.share - MOST_OF_DAY, 0.0),
            "gaps": min(1 - self.hidden, MOST_GAPS),
            "height": self.highest_deg,
            "spread": math.log(max(self.spread, LEAST_SPREAD)),
            "sun_beside": self.sun_beside,
        }

    @property
    def are_enough(self) -> bool:
        """Return whether all together make shade likelier than any cloud."""
        if self.log_odds < LEAST_ODDS or self.days < LEAST_DAYS:
            return False
        return log_odds(self.measures, WEIGHTS) >= LIKELIER


def signs_of(
    beam: Beam,
    span: Span,
    width_min: int,
    *,
    log_odds: float,
    minutes: int,
    share: float,
    elevation_deg: FloatArray,
) -> ShadeSigns:
    """Return the signs of a span of bins `width_min` long.

    `log_odds` are the span's without what chance may give, `minutes` how long it lasts with its ends, `share` that of
    the plane's clear-sky energy in it, `elevation_deg` the sun's in its intervals.
    """
    edge = int(width_min < LEAST_MINUTES)
    core = slice(span.first + edge, span.last + 1 - edge)
    told, hidden = beam.told[:, core], (beam.told & beam.hidden)[:, core]
    left = beam.level[:, core][hidden]
    bins = np.arange(beam.told.shape[1])
    reach = FLANK_MINUTES // width_min
    beside = (bins >= span.first - reach) & (bins <= span.last + reach)
    beside &= (bins < span.first) | (bins > span.last)
    lit, strong = (of[:, beside].sum() for of in (beam.clouds.lit, beam.clouds.told))
    return ShadeSigns(
        log_odds=log_odds,
        days=int(span.spoke.sum()),
        hours=minutes / 60,
        share=share,
        hidden=float(hidden.sum() / max(told.sum(), 1)),
        highest_deg=float(elevation_deg.max()),
        spread=float(left.std()) if len(left) else 1.0,
        sun_beside=float(lit / max(strong, 1)),
    )
