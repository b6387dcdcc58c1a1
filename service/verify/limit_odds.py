"""The odds of a limit on the site's total, all that a level of its power shows weighed together.

The bounds of `causes/curtailed.py` ask much of one sign on one day, so that no sound site ever had it. Of the level
that readings crowd at most, on all days that never pass it, this counts instead how many more are there than below it
lets expect, while how much of the clear sky's light changes, how often and on how many days the power comes back, how
it stands still where it jumps elsewhere, and how often it does in light that would pass it. The numbers that say what
a sign is, from TRIED_FROM to STRONG_LIGHT, are chosen, with no source: what each sign is worth is fitted to them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from service.expect.grid import IntArray
from service.verify.case import BoolArray
from service.verify.inputs import FloatArray
from service.verify.odds import Weights, damped, log_odds

LIKELIER = 0.5
"""Log odds from which a limit is said. By a fit to the others the highest of 5498 sites without one has 0.01, a day
between clouds of SERF East's own, the next one -0.4; of 19 at a limit that no bound proves four have more."""

TRIED_FROM = 0.85
"""Quantile of a day's power from which levels are tried: a limit that is hardly ever reached takes nothing."""

PASSED_SHARE = 0.01
"""Share of a day's readings above a level, by twice its width and more, from which the day has passed it."""

COMPARED_FROM = 0.7
"""Share of a level from which the readings below it tell how many to expect at it."""

FEWEST = 0.3
"""Least number of readings to expect at a level: where there are none below, few that chance put together are many."""

BACK_FROM = 0.97
"""Share of a level's lower edge below which the power must have been to come back to it."""

OTHER_FROM = 0.4
"""Share of a level from which readings tell how often the next one is as high by chance."""

STRONG_LIGHT = 1.1
"""Clear-sky power over a level from which the level would be passed."""

UNBROKEN = 0.75
"""Share of the time from the first to the last at the limit from which it is one stand, not returns between clouds."""

SHARP = 4.0
"""How many times more the power must be away beside a stand than at a round top that is as flat; a real roof's level
noon has twice (SERF East on 2016-10-04, tests/reference/open_data.py)."""

ROUND_TOP = 0.583 * 2
"""Mean distance of a parabola from its top value beyond the span in which it stays within a band, over a quarter of
the span on one side, in relative half widths of the band: the mean of x^2 - 1 for x from 1 to 1.5, times two."""

MOSTLY_ROUND = 0.5
"""Share of the readings at a level from which it is a round top's and nothing is weighed. Of 301 days and weeks of SERF
East's own (tests/reference/open_data.py) 139 have more, of 59 simulated weeks at a limit two."""

LEAST_OF_DAY, INDEPENDENT_MINUTES = 4, 20
"""Least readings of a day; so long clouds hold on: closer readings count as one (as in `skyfit`)."""

SHORTEST_MIN = 5
"""Interval in minutes that others count as so many times."""


@dataclass(frozen=True)
class DayPower:
    """One day's known power and clear-sky power, shares of the ratings, and the positions of the intervals, (N,)."""

    power: FloatArray
    clear: FloatArray
    place: IntArray


@dataclass(frozen=True)
class LimitSigns:
    """What the `level` at which readings crowd most shows, on the `held` of all `days` that reach and never pass it.

    `crowd` is the log-likelihood that so many readings are at the level over what those below let expect; `change` how
    much the clear sky's light changes while a day stands there, over the level's relative width; `returns` how often
    the power comes back to it from below; `still` the negative log of the probability that readings follow one another
    on it; `strong` how many, clouds counted once, stand at it in light that would pass it; `round_top` the share of
    those at it that stand there as a round top does, in one stand a day and with no corner.
    `at` are the positions of all intervals at it.
    """

    level: float
    at: IntArray
    round_top: float
    crowd: float
    change: float
    returns: int
    still: float
    strong: float
    minutes: int
    days: int
    held: int

    @property
    def measures(self) -> Mapping[str, float]:
        """Return what is weighed: long measures are damped, so that no single one decides."""
        return {
            "crowd_in_change": damped(self.crowd) * damped(self.change),
            "returns": damped(self.returns),
            "still": damped(self.still),
            "strong": damped(self.strong),
            "interval": math.log(self.minutes / SHORTEST_MIN),
            "days": math.log(self.days),
            "held": math.log(self.held),
        }

    @property
    def log_odds(self) -> float:
        """Return the log odds of a limit."""
        return log_odds(self.measures, WEIGHTS)


def is_one_stand(at: BoolArray) -> bool:
    """Return whether a day's readings at a level, (N,), are one stand."""
    where = np.flatnonzero(at)
    return bool(at[where[0] : where[-1] + 1].mean() >= UNBROKEN)


def beside(power: FloatArray, at: BoolArray, level: float) -> float:
    """Return how far, as a share, the power is below a level beside where it stands there, on the nearer side."""
    where = np.flatnonzero(at)
    first, last = int(where[0]), int(where[-1])
    wide = max((last + 1 - first) // 4, 1)
    flanks = [power[max(first - wide, 0) : first], power[last + 1 : last + 1 + wide]]
    return min((float(1 - flank.mean() / level) for flank in flanks if len(flank)), default=0.0)


@dataclass(frozen=True)
class _Crowd:
    """A level, where each day that never passes it stands at it, and the log-likelihood that this is no chance."""

    level: float
    held: tuple[DayPower, ...]
    at: tuple[BoolArray, ...]
    likelihood: float


def limit_signs(
    days: Sequence[DayPower], *, width: float, minutes: int, levels: tuple[float, float]
) -> LimitSigns | None:
    """Return what the most crowded of all `levels` between two shows, None where no day reaches any.

    A reading stands at a level within its relative `width`; intervals are so many `minutes` long.
    """
    told = [day for day in days if len(day.power) >= LEAST_OF_DAY]
    tops = [np.sort(day.power)[int(TRIED_FROM * len(day.power)) :] for day in told]
    tried = np.unique(np.concatenate(tops)) if tops else np.zeros(0)
    tried = tried[(tried >= levels[0]) & (tried <= levels[1])]
    crowds = [crowd for level in tried if (crowd := _crowd(told, float(level), width))]
    if not crowds:
        return None
    best = max(crowds, key=lambda crowd: crowd.likelihood)
    counted = min(minutes / INDEPENDENT_MINUTES, 1.0)
    return LimitSigns(
        level=best.level,
        at=np.concatenate([day.place[at] for day, at in zip(best.held, best.at, strict=True)]),
        round_top=_round_top(best, width),
        crowd=best.likelihood,
        change=_change(best, counted) / width,
        returns=_returns(best, width),
        still=_still(best, width) * counted,
        strong=counted * _strong(best),
        minutes=minutes,
        days=len(told),
        held=len(best.held),
    )


def _crowd(days: Sequence[DayPower], level: float, width: float) -> _Crowd | None:
    """Return how many readings stand at a level, on the days that reach and do not pass it."""
    held, at, below = [], [], 0
    edge = level * (1 - width)
    for day in days:
        here = np.asarray(np.abs(day.power / level - 1) <= width)
        if here.any() and (day.power > level * (1 + 2 * width)).mean() <= PASSED_SHARE:
            held.append(day)
            at.append(here)
            below += int(((day.power < edge) & (day.power >= COMPARED_FROM * edge)).sum())
    if not held:
        return None
    many = sum(int(here.sum()) for here in at)
    expected = max(below * 2 * width / -math.log(COMPARED_FROM), FEWEST)
    likelihood = many * math.log(many / expected) - (many - expected) if many > expected else 0.0
    return _Crowd(level, tuple(held), tuple(at), likelihood)


def _change(crowd: _Crowd, counted: float) -> float:
    """Return how much the clear sky's light changes while a day stands at the level, over all days by their readings.

    Its tenths at both ends are left out.
    """
    changes, weights = [0.0], [0.0]
    for day, at in zip(crowd.held, crowd.at, strict=True):
        if at.sum() > 1 and at.sum() * counted >= 1:
            low, high = np.quantile(day.clear[at], [0.1, 0.9])
            changes.append(float(high / low - 1))
            weights.append(float(at.sum()))
    return float(np.average(changes, weights=weights)) if sum(weights) else 0.0


def _round_top(crowd: _Crowd, width: float) -> float:
    """Return the share of the readings at the level that stand there day by day as a round top does, in one stand."""
    days = list(zip(crowd.held, crowd.at, strict=True))
    tops = sum(
        int(at.sum())
        for day, at in days
        if is_one_stand(at) and beside(day.power, at, crowd.level) < SHARP * ROUND_TOP * width
    )
    return tops / sum(int(at.sum()) for _, at in days)


def _returns(crowd: _Crowd, width: float) -> int:
    """Return how often the power comes to the level from below it."""
    below = BACK_FROM * crowd.level * (1 - width)
    marked = (at[at | (day.power < below)] for day, at in zip(crowd.held, crowd.at, strict=True))
    return sum(int((np.diff(here.astype(int), prepend=0) == 1).sum()) for here in marked)


def _still(crowd: _Crowd, width: float) -> float:
    """Return the negative log of the probability, by the other readings, that so many at the level follow another."""
    pairs = others = alike = 0
    for day, at in zip(crowd.held, crowd.at, strict=True):
        power, next_to = day.power, np.diff(day.place) == 1
        pairs += int((at[:-1] & at[1:] & next_to).sum())
        other = next_to & (power[:-1] < crowd.level * (1 - width)) & (power[:-1] > OTHER_FROM * crowd.level)
        others += int(other.sum())
        alike += int((np.abs(power[1:][other] / power[:-1][other] - 1) <= width).sum())
    return -pairs * math.log((alike + 1) / (others + 2))


def _strong(crowd: _Crowd) -> int:
    """Return how many readings stand at the level in light that would pass it."""
    days = zip(crowd.held, crowd.at, strict=True)
    return sum(int((day.clear[at] > STRONG_LIGHT * crowd.level).sum()) for day, at in days)


WEIGHTS: Weights = {
    "": -10.131,
    "crowd_in_change": 0.631,
    "returns": 2.008,
    "still": 0.692,
    "strong": 1.337,
    "interval": 0.824,
    "days": -1.318,
    "held": -0.902,
}
"""Fitted by `python -m tests.bench.weigh limits` to 5641 sites that show a level, 143 of them at a limit: the two
fleets' seeds for tuning, trials of the roofs' tuning days and SERF East's own."""
