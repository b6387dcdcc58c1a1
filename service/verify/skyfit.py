"""How well some sky explains the light on all planes at once, under one description of clock and planes.

In every interval the light on plane p is taken as b B_p + d D_p, with the clear sky's beam B_p and diffuse light D_p on
it (see `orientation`) and a sky (b, d) that all planes share. The sky is a draw from a mixture: clear (b and d near
one level that the whole window has in common), passing clouds, a closed cover; or it is unexplained: then the light is
as in the interval before, give or take, or anything. Latent (b, d) being Gaussian and the light linear in them, each
share of the mixture has a closed form. What counts is the log-likelihood of a description over that of another: under
the right one much of a sunny window fits the narrow clear sky, and clouds dim all planes as one sky would. With the sun
down no sky gives light: output then speaks against a description under any cloud, on a single plane, too.

The output is taken to be bent: flatter or sharper at its top than the model's by one unknown quantity, alike for every
description, since real roofs are by more than another clock or orientation would change.

Widths and weights are judgement (common practice, no source) but where a source is named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, reduce

import numpy as np

from service.expect.grid import BoolArray, IntArray
from service.verify.inputs import FloatArray

HIGHEST_W_M2 = 1200.0
CLEAR_WEIGHT, ANYTHING_WEIGHT, PERSISTENCE_WEIGHT = 0.45, 0.02, 0.3

MODEL_ERROR, MODEL_ERROR_PER_AIR_MASS = 0.03, 0.02
"""Relative error of the physics at air mass 1.5, and what each further air mass adds to it."""

LEAST_ERROR_W_M2 = 6.0
CLOUD_ERROR = 12.0
"""How many times larger the variance is under clouds, whose light is not even over the sky."""

LIGHT_IN_THE_DARK = 0.001
"""How often output seems to say by mistake that there was light with the sun down (judgement)."""

PERSISTENCE_5_MIN = 0.08
"""Relative change of the light within five minutes; it grows with the root of time."""

INDEPENDENT_MIN = 20.0
"""Errors of the model and clouds hold on for so long: closer intervals count as one."""

GAINS, NEAR_GAINS = np.geomspace(0.5, 1.3, 11), np.geomspace(0.94, 1.06, 5)
USUAL_GAIN, GAIN_SPREAD, ODD_GAIN = 1.02, 0.12, -4.0
"""Level of the whole site under a clear sky over the model's: 7 to 10 % by turbidity, temperature and dirt. Snow or a
branch that is off make any other; its log-density stays so near the usual one's, so that level alone proves little."""

BENDS, BEND_SPREAD, BEND_PIVOT_W_M2 = (-0.1, 0.0, 0.1, 0.2, 0.3, 0.4, 0.5), 0.2, 700.0
"""How much flatter the output's top is than the model's: it falls short of the light by a factor exp(-bend x) at
1000 x + BEND_PIVOT_W_M2. Warmth, dirt, spectrum and inverters do that: from noon to shoulders 0.3 on a real roof
(computed from SERF East, tests/reference/open_data.py); the spread is from memory."""

LEVEL_BENDS = (0.0, 0.2, 0.4)
"""Those that are tried where only the level is asked for."""

LEAST_STRETCH = 0.1
SCOUTED_INTERVALS = 160
"""Level and bend are looked for in so many intervals, and the level refined in all."""

NOTHING_BESIDE, HIGHEST_EXPONENT = 40.0, 700.0
"""exp(-40) beside 1 is less than numbers hold, and exp is six times as slow where it nears nothing; of exp(700) they
hold no more, and no light is so much likelier under a clear sky than under none."""

Term = FloatArray | float
Two = tuple[Term, Term]
Three = tuple[Term, Term, Term]


@dataclass(frozen=True)
class _Share:
    """One share of the mixture: its weight, the mean of (b, d) and their standard deviations and correlation."""

    weight: float
    mean: tuple[float, float]
    spread: tuple[float, float]
    correlation: float

    @cached_property
    def precision(self) -> FloatArray:
        """Return the inverse of the covariance of (b, d), (2, 2)."""
        b, d = self.spread
        across = self.correlation * b * d
        return np.asarray(np.linalg.inv(np.array([[b * b, across], [across, d * d]])))

    @cached_property
    def pull(self) -> FloatArray:
        """Return the precision times the mean, (2,)."""
        return np.asarray(self.precision @ self.mean)

    @cached_property
    def log_scale(self) -> float:
        """Return the log of weight and of what the density has from (b, d) alone, at a level of 1."""
        without_light = np.log(np.linalg.det(self.precision)) - self.pull @ self.mean
        return float(np.log(self.weight) + 0.5 * without_light)


CLEAR = _Share(CLEAR_WEIGHT, (1.0, 1.15), (0.04, 0.3), -0.5)
CLOUDS = (_Share(0.35, (0.5, 1.8), (0.35, 0.9), -0.3), _Share(0.18, (0.05, 1.2), (0.12, 1.0), 0.0))


@dataclass(frozen=True)
class Observed:
    """The light on P planes in N intervals, W/m2, and its weight 1/variance, 0 where unknown, both (P, N).

    `unexplained` (N,) is the log-likelihood of no sky at all; `each` what one interval counts for, 0-1.
    """

    light: FloatArray
    weight: FloatArray
    unexplained: FloatArray
    each: float

    @cached_property
    def in_the_dark(self) -> FloatArray:
        """Return the log-likelihood where the sun is down, (N,): no light but by mistake."""
        known = self.weight > 0
        noise = np.log(2 * np.pi / np.where(known, self.weight, 1.0))
        none = -0.5 * np.where(known, self.weight * self.light**2 + noise, 0.0).sum(axis=0)
        return log_sum(none, np.log(LIGHT_IN_THE_DARK) + self.unexplained)

    def at(self, intervals: IntArray) -> Observed:
        """Return some of the intervals."""
        return replace(
            self,
            light=self.light[:, intervals],
            weight=self.weight[:, intervals],
            unexplained=self.unexplained[intervals],
        )

    def thinned(self, stride: int) -> Observed:
        """Return every `stride`-th interval, counting for as much as all."""
        if stride == 1:
            return self
        kept = self.at(np.arange(0, len(self.unexplained), stride))
        return replace(kept, each=self.each * stride)


def log_sum(a: FloatArray, b: FloatArray | float) -> FloatArray:
    """Return log(exp(a) + exp(b)) of finite numbers; seven times as fast as `np.logaddexp`, which is not vectorised."""
    apart = np.minimum(np.abs(a - b), NOTHING_BESIDE)
    return np.asarray(np.maximum(a, b) + np.log1p(np.exp(-apart)))


def observed(
    light_w_m2: FloatArray, step_w_m2: FloatArray, air_mass: FloatArray, interval_min: int
) -> Observed:
    """Return what is known of the light (P, T), NaN where it is not, at air masses (T,) by the record's clock."""
    known = np.isfinite(light_w_m2)
    light = np.where(known, light_w_m2, 0.0)
    relative = MODEL_ERROR + MODEL_ERROR_PER_AIR_MASS * np.maximum(air_mass - 1.5, 0.0)
    variance = (relative * light) ** 2 + LEAST_ERROR_W_M2**2 + step_w_m2**2
    weight = np.where(known, 1 / variance, 0.0)
    return Observed(
        light, weight, _unexplained(light, weight, interval_min), min(1.0, interval_min / INDEPENDENT_MIN)
    )


def _unexplained(light: FloatArray, weight: FloatArray, interval_min: int) -> FloatArray:
    known = weight > 0
    anything = -known.sum(axis=0) * np.log(HIGHEST_W_M2)
    before, weight_before = np.roll(light, 1, axis=1), np.roll(weight, 1, axis=1)
    weight_before[:, 0] = 0.0
    both = known & (weight_before > 0)
    drift = PERSISTENCE_5_MIN * np.sqrt(interval_min / 5) * before
    variance = (
        1 / np.where(known, weight, 1.0) + 1 / np.where(weight_before > 0, weight_before, 1.0) + drift**2
    )
    same = -0.5 * ((light - before) ** 2 / variance + np.log(2 * np.pi * variance))
    persistent = np.where(both, same, np.where(known, -np.log(HIGHEST_W_M2), 0.0)).sum(axis=0)
    return log_sum(np.log(ANYTHING_WEIGHT) + anything, np.log(PERSISTENCE_WEIGHT) + persistent)


@dataclass(frozen=True)
class Fit:
    """How well H descriptions fit: log-likelihood, the level of their clear sky and the bend of the output, (H,)."""

    likelihood: FloatArray
    gain: FloatArray
    bend: FloatArray

    def only(self, at: int) -> Fit:
        """Return the fit of one description."""
        return Fit(*(part[at : at + 1] for part in (self.likelihood, self.gain, self.bend)))

    @classmethod
    def best(cls, fits: Sequence[Fit]) -> Fit:
        """Return the best of several fits, description by description."""
        top = np.argmax([f.likelihood for f in fits], axis=0)
        parts = (np.stack(p) for p in zip(*((f.likelihood, f.gain, f.bend) for f in fits), strict=True))
        return cls(*(p[top, np.arange(len(top))] for p in parts))


@dataclass(frozen=True)
class _Sums:
    """What the mixture needs of the planes' light: weighted products of it with B and D, (H, N).

    `log_noise` is that of the told light: what straightens a bent output stretches its noise, too.
    """

    known: IntArray
    beam2: FloatArray
    both: FloatArray
    diffuse2: FloatArray
    beam_light: FloatArray
    diffuse_light: FloatArray
    light2: FloatArray
    log_noise: FloatArray

    @classmethod
    def of(cls, seen: Observed, beam: FloatArray, diffuse: FloatArray, bend: FloatArray) -> _Sums:
        """Return the sums for H descriptions with outputs bent by `bend`, (H,), or (1,) for all."""
        bent, known = bend[:, None, None], seen.weight > 0
        straight = np.exp(-bent * (seen.light - BEND_PIVOT_W_M2) / 1000)
        light, weight = seen.light / straight, seen.weight * straight**2
        weighed_beam, weighed_diffuse = weight * beam, weight * diffuse
        stretch = np.log(np.maximum(1 + bent * seen.light / 1000, LEAST_STRETCH))
        log_noise = np.where(known, np.log(2 * np.pi / np.where(known, seen.weight, 1.0)) - 2 * stretch, 0.0)
        return cls(
            known=known.sum(axis=0),
            beam2=(weighed_beam * beam).sum(axis=1),
            both=(weighed_beam * diffuse).sum(axis=1),
            diffuse2=(weighed_diffuse * diffuse).sum(axis=1),
            beam_light=(weighed_beam * light).sum(axis=1),
            diffuse_light=(weighed_diffuse * light).sum(axis=1),
            light2=(seen.weight * seen.light**2).sum(axis=0),
            log_noise=log_noise.sum(axis=1),
        )


def _sky_told(
    sums: _Sums, share: _Share, gain: FloatArray | float, error: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return what share and light say together of (b, d): its precision's bb, bd and dd, and that times its mean.

    `gain` is a level, or one for each description, (H, 1); each is (H, N).
    """
    precision, pull = share.precision, share.pull
    return (
        sums.beam2 / error + precision[0, 0] / gain**2,
        sums.both / error + precision[0, 1] / gain**2,
        sums.diffuse2 / error + precision[1, 1] / gain**2,
        sums.beam_light / error + pull[0] / gain,
        sums.diffuse_light / error + pull[1] / gain,
    )


def _log_share(
    sums: _Sums, share: _Share, *, gain: FloatArray | float = 1.0, error: float = 1.0
) -> FloatArray:
    """Return the log of weight times density of one share, (H, N), arguments as above.

    The terms of d are those that b leaves: a Cholesky decomposition.
    """
    bb, bd, dd, b, d = _sky_told(sums, share, gain, error)
    lean = bd / bb
    rest, left = dd - lean * bd, d - lean * b
    density = b * b / bb + left * left / rest - np.log(bb * rest)
    density -= sums.light2 / error + sums.log_noise + sums.known * np.log(error)
    density *= 0.5
    density += share.log_scale - 2 * np.log(gain)
    return density


def _mean_beam(
    sums: _Sums, share: _Share, *, gain: FloatArray | float = 1.0, error: float = 1.0
) -> FloatArray:
    """Return the mean beam b that one share infers, (H, N), arguments as above."""
    bb, bd, dd, b, d = _sky_told(sums, share, gain, error)
    return (dd * b - bd * d) / (bb * dd - bd * bd)


def fit(
    seen: Observed, beam: FloatArray, diffuse: FloatArray, dark: BoolArray, bends: Sequence[float] = BENDS
) -> Fit:
    """Return how well H descriptions with their planes' clear beam and diffuse light, both (H, P, N), fit.

    `dark` (H, N), or (1, N) for all, is where the sun is down by them.
    Level and bend, one of `bends`, are those that fit best, each description's own.
    """
    stride = max(-(-len(seen.unexplained) // SCOUTED_INTERVALS), 1)
    few, count = slice(None, None, stride), len(beam)
    scout, light = seen.thinned(stride), (beam[..., few], diffuse[..., few], dark[..., few])
    if count == 1:  # all bends at once
        tried = _fit(scout, *light, np.repeat(GAINS[:, None], len(bends), axis=1), np.array(bends))
        rough = tried.only(int(tried.likelihood.argmax()))
    else:
        gains = np.repeat(GAINS[:, None], count, axis=1)
        rough = Fit.best([_fit(scout, *light, gains, np.full(1, bend)) for bend in bends])
    return _fit(seen, beam, diffuse, dark, NEAR_GAINS[:, None] * rough.gain, rough.bend)


def _fit(
    seen: Observed,
    beam: FloatArray,
    diffuse: FloatArray,
    dark: BoolArray,
    gains: FloatArray,
    bend: FloatArray,
) -> Fit:
    """Return the fit with the best of some levels (G, H) and with a bend (H,), or (1,) for all."""
    likelihood = _by_level(seen, beam, diffuse, dark, gains, bend) + _log_usual(gains)
    top, each = likelihood.argmax(axis=0), np.arange(gains.shape[1])
    return Fit(likelihood[top, each], gains[top, each], np.broadcast_to(bend, top.shape))


def likelihood_of_levels(
    seen: Observed, beam: FloatArray, diffuse: FloatArray, dark: BoolArray, levels: FloatArray
) -> FloatArray:
    """Return the log-likelihood of H descriptions, as of `fit`, with their clear sky at some levels, (G, H).

    No level is more usual here than another; the bend is the one of LEVEL_BENDS that suits each level.
    """
    gains = levels[:, None]
    fits = [_by_level(seen, beam, diffuse, dark, gains, np.full(1, bend)) for bend in LEVEL_BENDS]
    return np.asarray(np.max(fits, axis=0))


def _by_level(
    seen: Observed,
    beam: FloatArray,
    diffuse: FloatArray,
    dark: BoolArray,
    gains: FloatArray,
    bend: FloatArray,
) -> FloatArray:
    """Return the log-likelihood at levels (G, H) with a bend (H,), or (1,), whatever is usual of the levels, (G, H)."""
    sums = _Sums.of(seen, beam, diffuse, bend)
    other = np.broadcast_to(seen.unexplained, sums.beam2.shape)
    for share in CLOUDS:
        other = log_sum(other, _log_share(sums, share, error=CLOUD_ERROR))
    over = _log_clear(sums, gains)
    over -= other[:, None]
    np.clip(over, -NOTHING_BESIDE, HIGHEST_EXPONENT, out=over)
    np.exp(over, out=over)
    over *= ~dark[:, None]
    np.log1p(over, out=over)
    told = np.where(dark, seen.in_the_dark, other).sum(axis=1) + over.sum(axis=2).T
    return np.asarray(told * seen.each - 0.5 * (bend / BEND_SPREAD) ** 2)


def _log_clear(sums: _Sums, gains: FloatArray) -> FloatArray:
    """Return `_log_share` of a clear sky at levels (G, H) for H descriptions, (H, G, N).

    With one over the level, what share and light say of (b, d) is a polynomial, and so are its determinant and, by
    Cramer's rule, what the square takes: three and five products of small matrices for some thirty steps over all.
    """
    over = 1 / gains.T[:, :, None]
    (p, q), (_, r) = CLEAR.precision
    precision, pull = (p, q, r), (CLEAR.pull[0], CLEAR.pull[1])
    told, light = (sums.beam2, sums.both, sums.diffuse2), (sums.beam_light, sums.diffuse_light)
    determinant = (
        np.maximum(sums.beam2 * sums.diffuse2 - sums.both**2, 0.0),
        sums.beam2 * r + sums.diffuse2 * p - 2 * sums.both * q,
        np.full_like(sums.both, p * r - q * q),
    )
    square = (
        _adjugate(told, light, light),
        2 * _adjugate(told, light, pull),
        _adjugate(told, pull, pull) + _adjugate(precision, light, light),
        2 * _adjugate(precision, light, pull),
        np.full_like(sums.both, _adjugate(precision, pull, pull)),
    )
    volume = over ** np.arange(0, 5, 2) @ np.stack(determinant, axis=1)
    density = over ** np.arange(5) @ np.stack(square, axis=1)
    density /= volume
    density -= np.log(volume, out=volume)
    density -= (sums.light2 + sums.log_noise)[:, None]
    density *= 0.5
    density += CLEAR.log_scale + 2 * np.log(over)
    return density


def _adjugate(matrix: Three, one: Two, other: Two) -> FloatArray:
    """Return one vector times the adjugate of a symmetric matrix times another, element by element."""
    (bb, bd, dd), (b, d), (other_b, other_d) = matrix, one, other
    return np.asarray(dd * b * other_b - bd * (b * other_d + d * other_b) + bb * d * other_d)


def _log_usual(gain: FloatArray) -> FloatArray:
    return log_sum(-0.5 * (np.log(gain / USUAL_GAIN) / GAIN_SPREAD) ** 2, ODD_GAIN)


@dataclass(frozen=True)
class Explained:
    """Intervals of H descriptions, (H, N): log-likelihood, probability of a clear sky, and the beam's share."""

    likelihood: FloatArray
    clear: FloatArray
    beam: FloatArray


def explained(seen: Observed, beam: FloatArray, diffuse: FloatArray, dark: BoolArray, best: Fit) -> Explained:
    """Return what each interval says of H descriptions, with their light as of `fit` and that."""
    sums = _Sums.of(seen, beam, diffuse, best.bend)
    gain = best.gain[:, None]
    logs = np.stack(
        [
            np.broadcast_to(seen.unexplained, sums.beam2.shape),
            _log_share(sums, CLEAR, gain=gain),
            *(_log_share(sums, share, error=CLOUD_ERROR) for share in CLOUDS),
        ]
    )
    total = reduce(log_sum, logs)
    probability = np.exp(logs - total)
    total = np.where(dark, seen.in_the_dark, total)
    beams = [
        _mean_beam(sums, CLEAR, gain=gain),
        *(_mean_beam(sums, s, error=CLOUD_ERROR) for s in CLOUDS),
    ]
    beam_share = (probability[1:] * np.clip(beams, 0.0, 1.0)).sum(axis=0)
    return Explained(total * seen.each, probability[1], beam_share)
