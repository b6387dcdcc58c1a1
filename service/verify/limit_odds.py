"""The odds of a limit on the site's total, all that a level of its power shows weighed together.

The bounds of `causes/curtailed.py` ask much of one sign on one day, so that no sound site ever had it. Of the level
that readings crowd at most, on all days that never pass it, this counts instead how many more are there than below it
lets expect and how closely, while how much of the clear sky's light changes, how often and on how many days the power
comes back, how it stands still where it jumps elsewhere, and how often it does in light that would pass it. The numbers
that say what a sign is, from TRIED_FROM to STRONG_LIGHT, are chosen, with no source: what each sign is worth is fitted
to them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import compress

import numpy as np

from service.expect.grid import IntArray
from service.verify.case import BoolArray
from service.verify.inputs import FloatArray
from service.verify.odds import Weights, damped, log_odds

LIKELIER = 1.0
"""Log odds from which a limit is said. By fits to the others none of 4534 sites without one has more than 0.1, and one
of 1300 days of an engine that nothing was fitted to has 0.8; of 47 at a limit that no bound proves ten have more."""

LEAST_CHANGE = 5.0
"""How many times a level's width the clear sky's light must change while the power stands there, whatever the odds: of
13 at a limit that only odds tell all have 5.2 and more, the noon tops of a low site between even clouds 2 (our own
physics)."""

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

LEAST_OF_DAY, INDEPENDENT_MINUTES = 4, 20
"""Least readings of a day; so long clouds hold on: closer readings count as one (as in `skyfit`)."""

NARROWEST, LEAST_WIDTH = 0.002, 0.004
"""Width of a level that others count as so many times, and the least one that the light's change is held against."""


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
    much the clear sky's light changes while a day stands there, over the level's relative `width`; `returns` how often
    the power comes back to it from below; `still` the negative log of the probability that readings follow one another
    on it; `strong` how many, clouds counted once, stand at it in light that would pass it. `at` are the positions of
    all intervals at it.
    """

    level: float
    width: float
    at: IntArray
    crowd: float
    change: float
    returns: int
    still: float
    strong: float
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
            "width": math.log(self.width / NARROWEST),
            "days": math.log(self.days),
            "held": math.log(self.held),
        }

    @property
    def log_odds(self) -> float:
        """Return the log odds of a limit."""
        return log_odds(self.measures, WEIGHTS)


@dataclass(frozen=True)
class _Crowd:
    """A level and its relative width, where each day that never passes it stands at it, and how unlikely by chance."""

    level: float
    width: float
    held: tuple[DayPower, ...]
    at: tuple[BoolArray, ...]
    likelihood: float


def limit_signs(
    days: Sequence[DayPower], *, widths: Sequence[float], minutes: int, levels: tuple[float, float]
) -> LimitSigns | None:
    """Return what the most crowded of all `levels` between two shows, None where no day reaches any.

    A reading stands at a level within one of its relative `widths`; intervals are so many `minutes` long.
    """
    told = [day for day in days if len(day.power) >= LEAST_OF_DAY]
    tops = [np.sort(day.power)[int(TRIED_FROM * len(day.power)) :] for day in told]
    tried = np.unique(np.concatenate(tops)) if tops else np.zeros(0)
    tried = tried[(tried >= levels[0]) & (tried <= levels[1])]
    crowds = [crowd for width in widths if (crowd := _most_crowded(told, tried, width))]
    if not crowds:
        return None
    best = max(crowds, key=lambda crowd: crowd.likelihood)
    counted = min(minutes / INDEPENDENT_MINUTES, 1.0)
    return LimitSigns(
        level=best.level,
        width=best.width,
        at=np.concatenate([day.place[at] for day, at in zip(best.held, best.at, strict=True)]),
        crowd=best.likelihood,
        change=_change(best, counted) / max(best.width, LEAST_WIDTH),
        returns=_returns(best),
        still=_still(best) * counted,
        strong=counted * _strong(best),
        days=len(told),
        held=len(best.held),
    )


def _most_crowded(days: Sequence[DayPower], levels: FloatArray, width: float) -> _Crowd | None:
    """Return the level, of several (L,), at which most more readings stand than those below it let expect.

    Counted on the days that reach and do not pass it; None where no day does.
    """
    many, below, edges = np.zeros(len(levels)), np.zeros(len(levels)), levels * (1 - width)
    for day in days:
        power = np.sort(day.power)
        under = np.searchsorted(power, edges)
        at = np.searchsorted(power, levels * (1 + width), side="right") - under
        held = (at > 0) & _is_unpassed(power, levels, width)
        many += np.where(held, at, 0)
        below += np.where(held, under - np.searchsorted(power, COMPARED_FROM * edges), 0)
    if not many.any():
        return None
    expected = np.maximum(below * 2 * width / -math.log(COMPARED_FROM), FEWEST)
    gained = many * np.log(np.maximum(many, 1) / expected) - (many - expected)
    likelihood = np.where(many > expected, gained, 0.0)
    best = int(np.where(many > 0, likelihood, -1.0).argmax())
    return _crowd(days, float(levels[best]), width, float(likelihood[best]))


def _is_unpassed(power: FloatArray, levels: FloatArray, width: float) -> BoolArray:
    """Return which levels, (L,), a day's sorted power does not pass."""
    above = len(power) - np.searchsorted(power, levels * (1 + 2 * width), side="right")
    return np.asarray(above <= PASSED_SHARE * len(power))


def _crowd(days: Sequence[DayPower], level: float, width: float, likelihood: float) -> _Crowd:
    """Return where each day that reaches and does not pass a level stands at it."""
    at = [np.asarray(np.abs(day.power / level - 1) <= width) for day in days]
    one = np.array([level])
    held = [
        here.any() and _is_unpassed(np.sort(day.power), one, width)[0]
        for day, here in zip(days, at, strict=True)
    ]
    return _Crowd(level, width, tuple(compress(days, held)), tuple(compress(at, held)), likelihood)


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


def _returns(crowd: _Crowd) -> int:
    """Return how often the power comes to the level from below it."""
    below = BACK_FROM * crowd.level * (1 - crowd.width)
    marked = (at[at | (day.power < below)] for day, at in zip(crowd.held, crowd.at, strict=True))
    return sum(int((np.diff(here.astype(int), prepend=0) == 1).sum()) for here in marked)


def _still(crowd: _Crowd) -> float:
    """Return the negative log of the probability, by the other readings, that so many at the level follow another."""
    pairs = others = alike = 0
    for day, at in zip(crowd.held, crowd.at, strict=True):
        power, next_to = day.power, np.diff(day.place) == 1
        pairs += int((at[:-1] & at[1:] & next_to).sum())
        other = (
            next_to & (power[:-1] < crowd.level * (1 - crowd.width)) & (power[:-1] > OTHER_FROM * crowd.level)
        )
        others += int(other.sum())
        alike += int((np.abs(power[1:][other] / power[:-1][other] - 1) <= crowd.width).sum())
    return -pairs * math.log((alike + 1) / (others + 2))


def _strong(crowd: _Crowd) -> int:
    """Return how many readings stand at the level in light that would pass it."""
    days = zip(crowd.held, crowd.at, strict=True)
    return sum(int((day.clear[at] > STRONG_LIGHT * crowd.level).sum()) for day, at in days)


WEIGHTS: Weights = {
    "": -5.325,
    "crowd_in_change": 0.578,
    "returns": 3.312,
    "still": 0.556,
    "strong": 1.916,
    "width": -3.11,
    "days": -1.989,
    "held": -1.339,
}
"""Fitted as `python -m tests.bench.weigh limits` does to 4736 days and weeks that show a level, 202 of them at a limit:
the two fleets' seeds for tuning, trials of the roofs' tuning days and SERF East's own. Of the weeks without a limit
every twelfth is among them, and counts as twelve."""
