"""The odds that an only plane faces elsewhere than recorded, by all that its light says together.

Most of the weight has how much more a turn explains than any clock does: the model's errors, which look like a turn,
look like a clock as well. Fitted by `python -m tests.bench.weigh turns`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from service.verify.odds import Weights, damped, log_odds

LIKELIER, LIKELIER_OF_DAYS = 0.3, 0.5
"""Log odds from which a fault is likelier than none, and what several days need: what the model errs comes back daily.
"""

SHORTEST_MIN = 5
"""Interval in minutes that others count as so many times: the longer one is, the more of clouds a turn may explain."""

LEAST_LEFT, MOST_LEFT = 0.1, 5.0
"""Share of its beam between which a turned plane's counts: what is beyond is no further sign."""


@dataclass(frozen=True)
class TurnSigns:
    """What the light says of a turned plane: log-likelihoods over the record's, and hours.

    Of so many `days` with light, in intervals of so many `minutes`. `haze` is what each day's own haze leaves of what
    the turn explains, `lead` how much more it explains than the best clock; `clear_h` are the hours of clear sky by it,
    `recorded_h` those of sun by the record, `beam_left` the turned plane's beam under a clear sky over the recorded
    one's.
    """

    haze: float
    lead: float
    clear_h: float
    recorded_h: float
    beam_left: float
    days: int
    minutes: int

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
            "interval": math.log(self.minutes / SHORTEST_MIN),
        }

    @property
    def log_odds(self) -> float:
        """Return the log odds of the turn."""
        return log_odds(self.measures, WEIGHTS)


WEIGHTS: Weights = {
    "": -6.055,
    "haze": 1.528,
    "lead": 1.11,
    "clear": 0.268,
    "recorded": 0.915,
    "left": 5.314,
    "days": -2.472,
    "interval": -0.76,
}
"""Fitted as `python -m tests.bench.weigh turns` does to 276 windows of an only plane whose turn explains some of its
light, 68 of them described wrongly: days and every fourth week, which counts as four, of the two fleets' seeds for
tuning and of the roofs' tuning days. By weights fitted to others eight of 14 such days that bounds leave out are told,
and two of 2575 falsely; of 13 on days of the first fleet that nothing was fitted to eight, none falsely. Without
the interval it was five, one and five."""
