"""One or two bypass-diode substrings of a module give nothing: a steady loss of a third or two thirds.

Reasoning: a conducting or shorted bypass diode takes its substring's voltage away at every irradiance, so the DC
power stays at a fixed share: 0.653-0.667 of a healthy module with one of three substrings out, 0.307-0.333 with
two (single-diode model with bypass diodes at -0.5 V; a shorted diode leaves 2/3 also under cloud). Shade does not
stay at one level when the light changes: flatness tells the two apart. A DC voltage down by the same share, where
it is sent, makes it sure. The level with its uncertainty decides which is likeliest: a healthy module, one that is weak
for another reason, or one with so many substrings out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from service.verify.case import Case
from service.verify.causes import channels
from service.verify.causes.steady import SteadyLevel, steady_levels
from service.verify.causes.wording import duration, energy, number
from service.verify.elsewhere import may_be_the_sky
from service.verify.result import Finding
from service.verify.sentence import sentence

DIODE_DROP = 0.0135
"""How far below the plain share one conducting diode's own voltage brings the level (0.667 to 0.653)."""

BARE_SD = 0.012
"""Least standard uncertainty of a level: how far healthy like units lie apart (common practice, no source)."""

OUT_PER_HEALTHY = 0.01
"""Modules with a substring out for each healthy one, before any reading (from memory; so are weak modules)."""

USUAL_LOSS = 0.15
"""Mean loss of a module that is weak for another reason: great losses are rarer than small ones (from memory)."""


@dataclass(frozen=True)
class _Match:
    """So many of a unit's substrings out, the levels that leaves, and how likely that is, 0-1."""

    lost: int
    total: int
    low: float
    high: float
    likelihood: float


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return one finding for each unit at a substring's level."""
    found = []
    for i, (serial, steady) in enumerate(zip(case.serials, steady_levels(case), strict=True)):
        if serial in named or steady is None:
            continue
        match = match_level(steady.level, *_strings(case, i), sd=float(case.levels.sd[i]))
        if match and not may_be_the_sky(case, i, steady.where):
            found.append(_finding(case, i, steady, match))
    return found


def _strings(case: Case, i: int) -> tuple[int, int]:
    unit = case.day.site.units[i]
    return case.day.site.module_type(unit.module_type).substrings, unit.module_count


def match_level(level: float, substrings: int, modules: int, *, sd: float = BARE_SD) -> _Match | None:
    """Return which loss of substrings a level is, None if another reason is likelier.

    With n substrings a module and m modules on the unit, k lost leave 1 - k/(m n), less the diode's drop.
    Only losses within one module are considered. `sd` is the level's own standard uncertainty.
    """
    sd, total = max(sd, BARE_SD), substrings * modules
    healthy = _density(level, 1.0, sd) / OUT_PER_HEALTHY
    weak = math.exp(-max(1 - level, 0.0) / USUAL_LOSS) / USUAL_LOSS
    best: _Match | None = None
    for lost in range(1, substrings):
        high = 1 - lost / total
        low = high - DIODE_DROP * lost / modules
        out = _density(level, (low + high) / 2, math.hypot(sd, (high - low) / math.sqrt(12)))
        likelihood = out / (out + healthy + weak)
        if likelihood > max(0.5, best.likelihood if best else 0.0):
            best = _Match(lost, total, low, high, likelihood)
    return best


def _density(x: float, mean: float, sd: float) -> float:
    """Return the normal distribution's density."""
    return math.exp(-(((x - mean) / sd) ** 2) / 2) / (sd * math.sqrt(2 * math.pi))


def _finding(case: Case, i: int, steady: SteadyLevel, match: _Match) -> Finding:
    first, last = case.first_and_last(steady.where)
    lost = case.lost_wh(i, steady.where)
    minutes = float(steady.where.sum() * case.day.grid.interval_min)
    finding = Finding(
        cause="substring_out",
        serials=case.named([i]),
        confidence=round(min(match.likelihood, 0.97), 2),
        evidence=sentence(
            "DC output stays at %(level)s of its like units' for %(share)s %% of the energy over %(time)s; %(out)s of "
            "%(total)s substrings out leaves %(low)s to %(high)s. Lost: %(lost)s.",
            level=number(steady.level, 2),
            share=100 * steady.share,
            time=duration(minutes),
            out=match.lost,
            total=match.total,
            low=number(match.low, 2),
            high=number(match.high, 2),
            lost=energy(lost),
        ),
        advice=sentence(
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
