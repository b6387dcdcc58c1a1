"""The level of a whole site over a clear sky's, from how well some sky explains its light at each level.

Clouds take light by any amount, and a low site by one: where beam and gaps between clouds fit a narrow clear sky at a
low level alone, the site is low (`skyfit` holds the skies). Passing clouds in intervals longer than their gaps fit too
low levels as well, so that only a clear sky tells anything there. What the level means, the callers say.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.verify.inputs import FloatArray
from service.verify.skyfit import likelihood_of_levels
from service.verify.window import HAZE_SPREAD, HAZES, Light, Window

USUAL_FROM = 0.9
"""Level from which a site is within the model's band (`causes/site_low.py`)."""

LEVELS = np.array([0.55, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95, 1.0, 1.05, 1.1, 1.15, 1.2, 1.3])

MOST_INTERVALS = 400
"""So many intervals are looked at at first: of longer windows every second or third."""


@dataclass(frozen=True)
class ToldLevel:
    """The likeliest level below USUAL_FROM and its log-likelihood over that of all from there on.

    `in_any_air` is the same if the air may be clearer or hazier than the model's, `clear_h` and `beam_h` are the hours
    of clear sky and of beam, on `days` days with light.
    """

    level: float
    sure: float
    in_any_air: float
    clear_h: float
    beam_h: float
    days: int


def told_level(seen: Window, light: Light) -> ToldLevel | None:
    """Return the level that a window tells by a description with its light, (1, P, N), None where it is none below."""
    stride = max(-(-len(seen.intervals) // MOST_INTERVALS), 1)
    if stride > 1 and _lowest(_by_level(seen, light, stride)[:, 0])[1] <= 0:
        return None
    level, sure = _lowest(_by_level(seen, light)[:, 0])
    if sure <= 0:
        return None
    sun = seen.sunshine(light)
    return ToldLevel(level, sure, _in_any_air(seen, light), sun.clear_h, sun.beam_h, days=seen.lit_days)


def _lowest(likelihood: FloatArray) -> tuple[float, float]:
    """Return the likeliest of LEVELS below USUAL_FROM and its log-likelihood over that of all from there on."""
    low = LEVELS < USUAL_FROM
    at = int(likelihood[low].argmax())
    return float(LEVELS[low][at]), float(likelihood[low].max() - likelihood[~low].max())


def _in_any_air(seen: Window, light: Light) -> float:
    """Return the log-likelihood of the levels below USUAL_FROM over that of the others, each in the air that suits it.

    Haze takes the more light the lower the sun, a low site the same share all day.
    """
    stride = max(-(-len(seen.intervals) // MOST_INTERVALS), 1)
    in_air = _by_level(seen, seen.in_haze(light), stride)
    return _lowest((in_air - 0.5 * (np.array(HAZES) / HAZE_SPREAD) ** 2).max(axis=1))[1]


def _by_level(seen: Window, light: Light, stride: int = 1) -> FloatArray:
    """Return the log-likelihood of LEVELS by every `stride`-th interval, for each description, (G, H)."""
    beam, diffuse, dark = light
    few = beam[..., ::stride], diffuse[..., ::stride], dark[..., ::stride]
    return likelihood_of_levels(seen.seen.thinned(stride), *few, LEVELS)
