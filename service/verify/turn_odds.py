"""The odds that an only plane faces elsewhere than recorded, by all that its light says together.

Most of the weight has how much more a turn explains than any clock does: the model's errors, which look like a turn,
look like a clock as well. Fitted by `python -m tests.bench.weigh turns`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from service.verify.odds import Weights, damped, log_odds

LIKELIER, LIKELIER_OF_DAYS = 0.0, 0.5
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
        return log_odds(self.measures, WEIGHTS)


WEIGHTS: Weights = {
    "": -4.151,
    "haze": 0.968,
    "lead": 0.744,
    "clear": 0.302,
    "recorded": 0.339,
    "left": 3.656,
    "days": -1.054,
}
"""Fitted to 506 windows of an only plane whose turn explains some of its light, 139 of them described wrongly: days and
weeks of the two fleets' seeds for tuning and of the roofs' tuning days. By weights fitted to others 36 of 43 such days
of the first fleet are told, 31 by bounds alone, and two for one of 4517 others falsely; of the roofs' days 28 of 41 for
27, and five for one of 1157 falsely; of weeks 48 of 54 for 45, none falsely."""
