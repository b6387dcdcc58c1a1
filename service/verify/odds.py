"""What many signs say together: the log odds that their weights of evidence make of them.

A bound on a single measure is set so that no sound site ever had it. Several that all fall a little short may still
leave no other explanation: logistic regression gives each measure the weight that it has beside the others (Berkson
1944, JASA 39:357, from memory), and their sum is the log odds. The signs and their weights are in `turn_odds`,
`shade_odds` and `limit_odds`, each a second way beside the bounds. `python -m tests.bench.weigh` fits all three
to sites whose truth is known, from the seeds and days for tuning.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

Weights = Mapping[str, float]
"""By measure; that of "" is the log odds where all measures are nothing."""


def log_odds(measures: Mapping[str, float], weights: Weights) -> float:
    """Return the log odds that measures leave."""
    return weights[""] + sum(weights[name] * value for name, value in measures.items())


def probability(log_odds: float) -> float:
    """Return the probability that log odds stand for."""
    return 1 / (1 + math.exp(-log_odds))


def damped(value: float) -> float:
    """Return a value whose size counts by its logarithm from about one on, so that no long measure decides alone."""
    return math.copysign(math.log1p(abs(value)), value)
