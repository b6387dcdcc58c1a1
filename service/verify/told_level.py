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

SCATTERED, LEAST_SCATTERED = 0.5, 0.5
"""Share of the beam that a veil takes which comes as diffuse light (Bird & Hulstrom 1981, SERI/TR-642-761, have 0.84 of
what aerosol scatters go forward, from memory; much of that stays about the sun, which counts as beam), and the least
that clean air leaves of a clear sky's own."""


@dataclass(frozen=True)
class ToldLevel:
    """The likeliest level below USUAL_FROM and its log-likelihood over that of all from there on.

    `in_any_air` is the same if the air may be clearer or hazier than the model's, `level_veiled` and `veiled` if it may
    be a veil, too, which scatters what it takes. `clear_h` and `beam_h` are the hours of clear sky and of beam, on
    `days` days with light.
    """

    level: float
    sure: float
    in_any_air: float
    level_veiled: float
    veiled: float
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
    in_any_air = _lowest(_in_air(seen, seen.in_haze(light)))[1]
    veiled = _lowest(_in_air(seen, _veiled(seen, light)))
    return ToldLevel(level, sure, in_any_air, *veiled, sun.clear_h, sun.beam_h, days=seen.lit_days)


def _lowest(likelihood: FloatArray) -> tuple[float, float]:
    """Return the likeliest of LEVELS below USUAL_FROM and its log-likelihood over that of all from there on."""
    low = LEVELS < USUAL_FROM
    at = int(likelihood[low].argmax())
    return float(LEVELS[low][at]), float(likelihood[low].max() - likelihood[~low].max())


def _in_air(seen: Window, hazy: Light) -> FloatArray:
    """Return the log-likelihood of LEVELS (G,), each in the air that suits it, by the light in HAZES, (H, P, N).

    Haze takes the more light the lower the sun, a low site the same share all day.
    """
    stride = max(-(-len(seen.intervals) // MOST_INTERVALS), 1)
    unlikely = 0.5 * (np.array(HAZES) / HAZE_SPREAD) ** 2
    return np.asarray((_by_level(seen, hazy, stride) - unlikely).max(axis=1))


def _veiled(seen: Window, light: Light) -> Light:
    """Return the light of one description, (1, P, N), in the air of each of HAZES, with what they scatter, (H, P, N).

    Thin cloud behind passing ones dims the sun and brightens the sky, where a low site dims both.
    """
    beam, diffuse, dark = seen.in_haze(light)
    taken = 1 - np.exp(-np.outer(HAZES, seen.air_mass))
    more = 1 + SCATTERED * taken * seen.light.beam_over_diffuse(seen.intervals)
    return beam, diffuse * np.maximum(more, LEAST_SCATTERED)[:, None], dark


def _by_level(seen: Window, light: Light, stride: int = 1) -> FloatArray:
    """Return the log-likelihood of LEVELS by every `stride`-th interval, for each description, (G, H)."""
    beam, diffuse, dark = light
    few = beam[..., ::stride], diffuse[..., ::stride], dark[..., ::stride]
    return likelihood_of_levels(seen.seen.thinned(stride), *few, LEVELS)
