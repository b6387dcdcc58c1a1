"""What a real roof did by itself, as its own series shows it, and what is therefore no false finding.

An outage, or snow over all modules, shows as hours without output in light; a roof below the model's band shows by
its level in the level hours of the weeks around. Nothing else is excused: not a hill, not a curve that comes early.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import lru_cache

import numpy as np
import pandas as pd

from service.verify.result import Finding
from tests.bench.roofs.series import Series
from tests.fleet.roof import Facing

SILENT, IN_LIGHT, SILENT_MIN = 0.003, 0.1, 30
"""Output over the rating below which a roof is silent, a clear sky's from which that tells, and for how long."""

DEAD_CAUSES = frozenset({"no_output", "branch_out", "intermittent", "voltage_trip"})

LEVEL_SPREAD, LEVEL_MIN, STRONG, LOWEST = 0.02, 120, 0.85, 0.6
"""Level hours: the output over a clear sky's spreads by so little over so long, in the strongest light of the day (SERF
East's is 1.15 of a model's in the morning and 0.85 at noon), above that level."""

AROUND = 15
"""Days before and after from which a roof's own level is taken."""

BAND = 0.90
"""Level below which a site is beyond the model's band (`service/verify/causes/site_low.py`)."""


@dataclass(frozen=True)
class Own:
    """What the series shows of a window: minutes without output in light, and its level (1 where none shows)."""

    silent_min: int
    level: float

    @property
    def silent(self) -> bool:
        """Return whether the roof itself gave nothing for long enough to be told."""
        return self.silent_min >= SILENT_MIN


def own(series: Series, facing: Facing, first: date, days: int) -> Own:
    """Return what the roof did by itself in a window."""
    steps = series.steps(first, days)
    silent = (series.made(facing).total[steps] < SILENT) & (series.clear(facing).total[steps] > IN_LIGHT)
    silent_min = int(silent.sum()) * series.step_min if series.of_power else 0
    return Own(silent_min, _level(series, facing, first + timedelta(days=days // 2)))


def _level(series: Series, facing: Facing, middle: date) -> float:
    levels = _level_hours(series, facing)
    at = pd.Timestamp(middle, tz=series.starts.tz)
    away = np.abs((pd.DatetimeIndex(levels.index) - at) / timedelta(days=1))
    near = levels[away <= AROUND]
    return float(near.median()) if len(near) else 1.0


@lru_cache(maxsize=16)
def _level_hours(series: Series, facing: Facing) -> pd.Series:
    """Return the output over a clear sky's in level hours, by their starts."""
    clear = series.clear(facing).total
    share = pd.Series(series.made(facing).total / np.maximum(clear, 1e-9), index=series.starts)
    around = share.rolling(LEVEL_MIN // series.step_min, center=True)
    mean = around.mean()
    noon = clear.reshape(-1, series.steps_a_day).max(axis=1).repeat(series.steps_a_day)
    return share[(clear > STRONG * noon) & (around.std() < LEVEL_SPREAD * mean) & (mean > LOWEST)]


def without_own(
    findings: Sequence[Finding], roof: Own, struck: frozenset[str], *, lowered: bool = False
) -> tuple[list[Finding], list[str]]:
    """Return the findings less what the roof itself shows, and the causes that were left out.

    Units in `struck` have a fault that was laid over them: what is said of them stays. So does what is said of the
    level of a site that was `lowered`.
    """
    left: list[Finding] = []
    excused: list[str] = []
    for finding in findings:
        by_itself = finding.cause == "site_low" and roof.level < BAND and not lowered
        silent = finding.cause in DEAD_CAUSES and roof.silent
        stays = tuple(s for s in finding.serials if s in struck)
        if by_itself or (silent and not stays):
            excused.append(finding.cause)
        else:
            left.append(replace(finding, serials=stays) if silent else finding)
    return left, excused
