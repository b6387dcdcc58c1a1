"""Logistic regression with a ridge, and how well it parts sites that it was not fitted to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from tests.fleet.sun import Array

Bools = NDArray[np.bool_]

RIDGE = 1 / 0.3
"""Penalty on the squared weights of standardised measures; from 1 to 10 what is found hardly moves."""

FOLDS = 10


@dataclass(frozen=True)
class Fit:
    """The log odds where all measures are nothing, and the weight of each, (M,)."""

    constant: float
    weights: Array

    def log_odds(self, measures: Array) -> Array:
        """Return the log odds of sites with measures (N, M), (N,)."""
        return np.asarray(self.constant + measures @ self.weights)


def fit(measures: Array, is_true: Bools) -> Fit:
    """Return the weights that make the truth (N,) of sites with measures (N, M) likeliest."""
    middle, spread = measures.mean(axis=0), measures.std(axis=0)
    spread = np.where(spread > 0, spread, 1.0)
    standard = (measures - middle) / spread
    sign = np.where(is_true, 1.0, -1.0)

    def unlikely(at: Array) -> tuple[float, Array]:
        odds = sign * (at[0] + standard @ at[1:])
        pull = -sign / (1 + np.exp(odds))
        value = np.logaddexp(0.0, -odds).sum() + RIDGE / 2 * (at[1:] ** 2).sum()
        return float(value), np.concatenate([[pull.sum()], standard.T @ pull + RIDGE * at[1:]])

    at = minimize(unlikely, np.zeros(measures.shape[1] + 1), jac=True, method="L-BFGS-B").x
    weights = at[1:] / spread
    return Fit(float(at[0] - middle @ weights), weights)


def of_others(measures: Array, is_true: Bools) -> Array:
    """Return each site's log odds by a fit to the other tenths of the sites, (N,)."""
    fold = np.random.default_rng(1).permutation(len(is_true)) % FOLDS
    out = np.zeros(len(is_true))
    for one in range(FOLDS):
        left = fold == one
        out[left] = fit(measures[~left], is_true[~left]).log_odds(measures[left])
    return out
