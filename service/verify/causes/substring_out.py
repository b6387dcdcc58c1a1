"""One or two bypass-diode substrings of a module give nothing: a steady loss of a third or two thirds.

Reasoning: a conducting or shorted bypass diode takes its substring's voltage away at every irradiance, so the DC
power stays at a fixed share: 0.653-0.667 of a healthy module with one of three substrings out, 0.307-0.333 with
two (single-diode model with bypass diodes at -0.5 V; a shorted diode leaves 2/3 also under cloud). Shade does not
stay at one level when the light changes: flatness tells the two apart. A DC voltage down by the same share, where
it is sent, makes it sure.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.verify.case import Case
from service.verify.causes import channels
from service.verify.causes.steady import SteadyLevel, steady_level
from service.verify.causes.wording import energy
from service.verify.result import Finding

DIODE_DROP = 0.0135
"""How far below the plain share one conducting diode's own voltage brings the level (0.667 to 0.653)."""

NEARNESS = 0.035
"""How close to a substring's level a unit must lie (of its module's power; common practice, no source)."""


WORTH_A_LOOK = 0.9


@dataclass(frozen=True)
class _Match:
    lost: int
    total: int
    low: float
    high: float


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return one finding for each unit at a substring's level."""
    found = []
    for i, serial in enumerate(case.serials):
        if serial in named or not _is_low(case, i):
            continue
        steady = steady_level(case, i)
        slack = float(case.levels.statistical[i])
        match = steady and match_level(steady.level, *_strings(case, i), slack=slack)
        if steady and match:
            found.append(_finding(case, i, steady, match))
    return found


def _is_low(case: Case, i: int) -> bool:
    """Return whether the unit, as a whole or in the window's last quarter, lies far below its peers."""
    series = case.levels.series[i]
    late = series[-max(len(series) // 4, 3) :]
    late = late[np.isfinite(late)]
    return bool(case.levels.relative[i] < WORTH_A_LOOK) or (
        len(late) > 0 and float(np.median(late)) < WORTH_A_LOOK
    )


def _strings(case: Case, i: int) -> tuple[int, int]:
    unit = case.day.site.units[i]
    return case.day.site.module_type(unit.module_type).substrings, unit.module_count


def match_level(level: float, substrings: int, modules: int, *, slack: float = 0.0) -> _Match | None:
    """Return which loss of substrings a level is, None if none.

    With n substrings a module and m modules on the unit, k lost leave 1 - k/(m n), less the diode's drop.
    Only losses within one module are considered. `slack` is the level's own uncertainty.
    """
    total = substrings * modules
    for lost in range(1, substrings):
        high = 1 - lost / total
        low = high - DIODE_DROP * lost / modules
        margin = NEARNESS / modules + slack
        if low - margin <= level <= high + margin:
            return _Match(lost, total, low, high)
    return None


def _finding(case: Case, i: int, steady: SteadyLevel, match: _Match) -> Finding:
    first, last = case.first_and_last(steady.where)
    lost = case.lost_wh(i, steady.where)
    middle = (match.low + match.high) / 2
    off = abs(steady.level - middle) / NEARNESS
    finding = Finding(
        cause="substring_out",
        serials=case.named([i]),
        confidence=round(float(0.97 - 0.25 * min(off, 1.0) ** 2), 2),
        evidence=(
            f"DC output stays at {steady.level:.2f} of its like units' for {100 * steady.share:.0f} % of the energy, "
            f"in strong and weak light; {match.lost} of {match.total} substrings out leaves "
            f"{match.low:.2f} to {match.high:.2f}. Lost: {energy(lost)}."
        ),
        advice=(
            "Look at the module first: hard shade on one corner, a hot junction box, a bypass diode; measure its open "
            "voltage only as a licensed person and with the unit isolated, then claim on its warranty."
        ),
        first_seen=first,
        last_seen=last,
        lost_wh=round(lost, 1),
        details={"level": round(steady.level, 3)},
    )
    return channels.sharpened(
        finding, channels.of_substring(case, i, steady.where, low=match.low, high=match.high)
    )
