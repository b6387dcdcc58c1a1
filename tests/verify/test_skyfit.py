"""The mixture of skies in closed form, at one level and at many."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from service.verify import skyfit
from service.verify.inputs import FloatArray
from service.verify.skyfit import CLEAR, Observed, fit, observed

DESCRIPTIONS, INTERVALS = 6, 300
Light = tuple[Observed, FloatArray, FloatArray]


def some_light(planes: int) -> Light:
    """Return light that some planes told, half of it of a clear sky, with their beam and diffuse light."""
    rng = np.random.default_rng(planes)
    size = (DESCRIPTIONS, planes, INTERVALS)
    beam, diffuse = rng.uniform(0, 900, size), rng.uniform(5, 200, size)
    beam[rng.random(size) < 0.2] = 0.0
    light = rng.uniform(0, 1100, size[1:])
    clear = rng.random(INTERVALS) < 0.5
    light[:, clear] = (beam[0] + 1.15 * diffuse[0])[:, clear]
    light[rng.random(size[1:]) < 0.05] = np.nan
    seen = observed(light, np.full(size[1:], 3.0), rng.uniform(1, 8, INTERVALS), 5)
    return seen, beam, diffuse


@pytest.mark.parametrize("planes", [1, 2, 5])
def test_a_clear_sky_s_share_is_the_gaussian_s_that_light_and_sky_make(planes: int) -> None:
    """The reference is SciPy's density of light that is b B + d D with (b, d) drawn as the share says, and noise."""
    seen, beam, diffuse = some_light(planes)
    gains = np.repeat([[0.6], [1.0], [1.2]], DESCRIPTIONS, axis=1)
    shares = skyfit._log_clear(skyfit._Sums.of(seen, beam, diffuse, np.zeros(1)), gains)
    spread = np.linalg.inv(CLEAR.precision)
    for at in range(0, INTERVALS, 29):
        known = seen.weight[:, at] > 0
        if not known.any():
            continue
        for h, g in ((0, 0), (3, 2)):
            level = gains[g, h]
            parts = np.stack([beam[h, known, at], diffuse[h, known, at]], axis=1)
            noise = np.diag(1 / seen.weight[known, at])
            drawn = multivariate_normal(
                level * parts @ CLEAR.mean, noise + level**2 * parts @ spread @ parts.T
            )
            expected = np.log(CLEAR.weight) + drawn.logpdf(seen.light[known, at])
            assert shares[h, g, at] == pytest.approx(expected, abs=1e-6)


def test_levels_at_once_are_what_each_is_alone() -> None:
    seen, beam, diffuse = some_light(3)
    sums = skyfit._Sums.of(seen, beam, diffuse, np.full(1, 0.2))
    gains = np.linspace(0.5, 1.3, 4)[:, None] * np.linspace(0.9, 1.1, DESCRIPTIONS)
    alone = [skyfit._log_share(sums, CLEAR, gain=gain[:, None]) for gain in gains]
    at_once = skyfit._log_clear(sums, gains).transpose(1, 0, 2)
    np.testing.assert_allclose(at_once, alone, rtol=1e-9)


def test_many_descriptions_fit_as_each_does_alone() -> None:
    seen, beam, diffuse = some_light(2)
    dark = np.zeros((1, INTERVALS), dtype=bool)
    together = fit(seen, beam, diffuse, dark)
    alone = [fit(seen, beam[h : h + 1], diffuse[h : h + 1], dark) for h in range(DESCRIPTIONS)]
    assert together.likelihood.tolist() == pytest.approx([f.likelihood[0] for f in alone])
