"""How well any judge could do in half an hour.

The judge here is told what no real one can know: every unit's own faultless power by the minute, and with it the sky,
its own level and the true scale. It weighs the faults that half an hour is asked for by their likelihood on the same
counters, and so misses only what the counters' steps and the noise hide (to the approximation that the roundings of a
counter are normal). What the service misses beyond it is not hidden by the counters but by the sky.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from service.verify.result import Finding
from tests.bench.fleet.build import STEP_WH
from tests.bench.fleet.plan import WINDOWS, Plan
from tests.bench.fleet.record import record, roof
from tests.bench.fleet.score import Score, score
from tests.bench.fleet.shelf import kept
from tests.bench.fleet.sitewide import draw_clock, limit, misdescribe
from tests.bench.fleet.strike import DEAD_MIN, strike
from tests.bench.fleet.truth import BenchSite
from tests.bench.fleet.weather import air, draw_day, draw_place, window_part
from tests.fleet.faults import LOW_OUTPUT, ONE_SUBSTRING_LOST, TWO_SUBSTRINGS_LOST
from tests.fleet.plant import ac_power, energy_wh
from tests.fleet.roof import Roof
from tests.fleet.simulate import NOISE
from tests.fleet.sun import Array

STRUCK = {"no_output": 0.03, "substring_out": 0.03, "low_output": 0.02}
"""Odds of what befalls a unit, roughly those of the plan; a branch is cut on one site in seven."""

CUT = 0.15
NEVER = -1e3
"""Log-likelihood of a dead counter that moves."""


@dataclass(frozen=True)
class Told:
    """A roof and what its units would make without a fault where they are, and where the record has them.

    DC power (U, N) by the minute, W.
    """

    roof: Roof
    faultless_dc_w: Array
    recorded_dc_w: Array

    @property
    def by_record(self) -> Told:
        """Return the roof with its units where the record has them."""
        return replace(self, faultless_dc_w=self.recorded_dc_w)

    def energies(self, unit: int, share: float = 1.0, dead_from: int | None = None) -> Array:
        """Return a unit's energies (T,), Wh, at a share of its DC power, until it dies."""
        power = ac_power(self.roof.inverters[unit], self.faultless_dc_w[unit] * share) * self.roof.ac_share
        power[dead_from if dead_from is not None else len(power) :] = 0.0
        return energy_wh(power, self.roof.interval_min)


def told(plan: Plan) -> Told:
    """Return the roof of a plan as `build.make` makes it, every stage with the same chance."""
    chance = np.random.default_rng([plan.seed, WINDOWS.index(plan.window), 2])
    of_place, of_clock, of_sky, of_record, of_part, of_wide, of_faults, _ = chance.spawn(8)
    place = draw_place(of_place)
    start, clock = draw_day(of_place, place), draw_clock(of_clock, plan)
    whole = air(of_sky, plan, place, start, clock.late_min)
    noted = record(of_record, place, plan)
    struck = roof(of_record, noted, place, whole, plan.interval_min).window(window_part(of_part, plan, whole))
    misdescribe(of_wide, plan, struck, noted)
    usual, recorded = struck.dc_share.copy(), list(struck.facings)
    strike(struck, plan, of_faults)
    limit(of_wide, plan, struck)
    real, noted_w = (
        np.array([struck.dc_w(u, facing) for u, facing in enumerate(facings)]) * usual
        for facings in (struck.facings, recorded)
    )
    return Told(struck, real, noted_w)


def findings(plan: Plan, site: BenchSite) -> list[Finding]:
    """Return what the judge that is told says of a site."""
    known, factor = told(plan), site.site_fault.factor if site.site_fault else None
    scaled = site.site_fault is not None and site.site_fault.cause == "unit_scale"
    sent = site.readings.energy_wh / (factor if scaled and factor else 1.0)
    heard = np.isfinite(sent).any(axis=1)
    by_unit = {int(u): _log_odds(known, int(u), sent[u]) for u in np.flatnonzero(heard)}
    said = {u: max(odds, key=lambda c: odds[c]) for u, odds in by_unit.items()}
    for rows in _branches(site, list(by_unit)):
        if _is_cut(known, sent, rows, by_unit):
            said |= dict.fromkeys(rows, "branch_out")
    said |= {int(u): "not_reporting" for u in np.flatnonzero(~heard)}
    serials = {site.site.units[u].serial: cause for u, cause in said.items() if cause != "healthy"}
    serials |= dict.fromkeys(site.readings.strangers, "not_on_record")
    return [Finding(cause, (serial,), 1.0, "", "") for serial, cause in serials.items()]


def _log_odds(known: Told, unit: int, sent: Array) -> dict[str, float]:
    """Return the logarithm of each cause's weight for a unit that sent (T,)."""
    deaths = range(len(known.roof.air.minutes) - DEAD_MIN + 1)
    tried = {
        "healthy": [known.energies(unit)],
        "no_output": [known.energies(unit, dead_from=d) for d in deaths],
        "substring_out": [
            known.energies(unit, s)
            for low, high in (ONE_SUBSTRING_LOST, TWO_SUBSTRINGS_LOST)
            for s in np.linspace(low, high, 3)
        ],
        "low_output": [known.energies(unit, s) for s in np.arange(*LOW_OUTPUT, 0.02)],
    }
    odds = STRUCK | {"healthy": 1 - sum(STRUCK.values())}
    return {
        c: float(np.logaddexp.reduce([_log_likelihood(sent, e) for e in energies]))
        + float(np.log(odds[c] / len(energies)))
        for c, energies in tried.items()
    }


def _log_likelihood(sent: Array, due: Array) -> float:
    """Return the log-likelihood of a counter's readings (T,), NaN where none came, under the energies due.

    A reading is its energy with noise, plus the rounding before it, less the one after.
    """
    moving = np.isfinite(sent) & (due > 0)
    if (sent[np.isfinite(sent) & (due <= 0)] > 0).any():
        return NEVER
    rounding = STEP_WH**2 / 12 * (2 * np.eye(len(due)) - np.eye(len(due), k=1) - np.eye(len(due), k=-1))
    covariance = (rounding + np.diag((NOISE * due) ** 2))[np.ix_(moving, moving)]
    off = (sent - due)[moving]
    log_det = float(np.linalg.slogdet(covariance)[1]) if moving.any() else 0.0
    return -0.5 * (float(off @ np.linalg.solve(covariance, off)) + log_det + moving.sum() * np.log(2 * np.pi))


def _branches(site: BenchSite, heard: list[int]) -> Iterator[list[int]]:
    """Give the heard units of each branch that is not the whole site: nothing outside would prove its light."""
    names = {u.branch for u in site.site.units}
    for name in sorted(n for n in names if n is not None):
        rows = [u for u in heard if site.site.units[u].branch == name]
        if 1 < len(rows) < len(heard):
            yield rows


def _is_cut(known: Told, sent: Array, rows: list[int], by_unit: dict[int, dict[str, float]]) -> bool:
    deaths = range(len(known.roof.air.minutes) - DEAD_MIN + 1)
    together = [sum(_log_likelihood(sent[u], known.energies(u, dead_from=d)) for u in rows) for d in deaths]
    apart = sum(float(np.logaddexp.reduce(list(by_unit[u].values()))) for u in rows)
    return float(np.logaddexp.reduce(together)) + float(np.log(CUT / len(together))) > apart


def bounded(plan: Plan) -> Score:
    """Return the score of the judge that is told, on one planned site."""
    site = kept(plan)
    return score(site, findings(plan, site))
