"""The odds that an only plane faces elsewhere than recorded, all that the light says of it weighed together.

The bounds of `alignment.py` ask much of each measure alone, so that no right record ever had it. Several that all fall
a little short may still leave no other explanation: logistic regression gives each measure the weight of evidence that
it has beside the others (Berkson 1944, JASA 39:357, from memory), and their sum is the log odds. Most of it has how
much more the turn explains than any clock does: the model's errors, which look like a turn, look like a clock as well.
`python -m tests.bench.weigh` fits the weights to sites whose truth is known, the two fleets' seeds for tuning and the
roofs' tuning days, of which about one in thirty is described wrongly. Long measures are damped, so that none decides
alone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

LIKELIER, LIKELIER_OF_DAYS = 0.0, 1.0
"""Log odds from which a fault is likelier than none, and what several days need: what the model errs comes back daily.
"""

LEAST_LEFT, MOST_LEFT = 0.1, 5.0
"""Share of its beam between which a turned plane's counts: what is beyond is no further sign."""


@dataclass(frozen=True)
class TurnSigns:
    """What the light says of a turned plane: log-likelihoods over the record's, and hours.

    `haze` is what each day's own haze leaves of what the turn explains, `lead` how much more it explains than the best
    clock; `clear_h` are the hours of clear sky by it, `recorded_h` those of sun by the record, `beam_left` the turned
    plane's beam under a clear sky over the recorded one's.
    """

    haze: float
    lead: float
    clear_h: float
    recorded_h: float
    beam_left: float
    days: int

    @property
    def measures(self) -> Mapping[str, float]:
        """Return what is weighed."""
        return {
            "haze": damped(self.haze),
            "lead": damped(self.lead),
            "clear": damped(self.clear_h),
            "recorded": damped(self.recorded_h),
            "left": math.log(min(max(self.beam_left, LEAST_LEFT), MOST_LEFT)),
            "days": math.log(self.days),
        }

    @property
    def log_odds(self) -> float:
        """Return the log odds of the turn."""
        return WEIGHTS[""] + sum(WEIGHTS[name] * value for name, value in self.measures.items())


def damped(value: float) -> float:
    """Return a value whose size counts by its logarithm from about one on."""
    return math.copysign(math.log1p(abs(value)), value)


def probability(log_odds: float) -> float:
    """Return the probability that log odds stand for."""
    return 1 / (1 + math.exp(-log_odds))


WEIGHTS: Mapping[str, float] = {
    "": -4.151,
    "haze": 0.968,
    "lead": 0.744,
    "clear": 0.302,
    "recorded": 0.339,
    "left": 3.656,
    "days": -1.054,
}
"""By measure; that of "" is the log odds where all measures are nothing."""
