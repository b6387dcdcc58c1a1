"""Why a cause is not named, from what is true of the site: whether any judge could have named it.

A fault is undecidable if its effect on the unit's energies, known without any error, is within the meters' noise and
the register's steps, or if another explanation gives the same energies within them. The unit's own faultless power is
taken as known: what is decidable by this is so at best.
"""

from __future__ import annotations

import numpy as np

from tests.bench.fleet.build import STEP_WH
from tests.bench.fleet.half_hour import Told, told
from tests.bench.fleet.plan import Plan
from tests.bench.fleet.score import Miss
from tests.bench.fleet.truth import BenchSite
from tests.fleet.faults import ONE_SUBSTRING_LOST, TWO_SUBSTRINGS_LOST
from tests.fleet.simulate import NOISE
from tests.fleet.sun import Array

SEEN = 4.0
"""Standard deviations from which an effect stands out of the noise: of a thousand healthy units none does by chance."""

SHARES = np.linspace(0.1, 1.0, 181)
STEADY_CAUSES = ("low_output", "substring_out")
LIKE_A_SUBSTRING = 0.02
MODEL_BAND = 0.88
"""Level down to which a site may be low by turbidity, temperature and dirt alone (`service/verify/causes/site_low`)."""

UNDER_NOISE = "its effect is under the noise and the register's step"
LIKE_STEADY = "it takes as steady a share as weak modules or a lost substring do, within the noise"
LIKE_SUBSTRING = "its level is that of the other cause: a lost substring's"
IN_BAND = "the site's level is within what sky, air and dirt make of it"
SHOWS = "it shows, and is not named"

UNDECIDABLE = (UNDER_NOISE, LIKE_STEADY, LIKE_SUBSTRING, IN_BAND)


def reason(plan: Plan, site: BenchSite, miss: Miss) -> str:
    """Return why a cause was missed."""
    if miss.serial is None:
        low = site.site_fault is not None and (site.site_fault.factor or 0.0) >= MODEL_BAND
        return IN_BAND if miss.cause == "site_low" and low else SHOWS
    unit = next((u for u, one in enumerate(site.site.units) if one.serial == miss.serial), None)
    if unit is None:
        return SHOWS
    known = told(plan).by_record
    return of_energies(known, unit, known.roof.energies()[unit], site.readings.energy_wh[unit], miss)


def of_energies(known: Told, unit: int, made: Array, sent: Array, miss: Miss) -> str:
    """Return why a cause was missed on a unit that made so much (T,), Wh, and sent (T,), NaN where not heard."""
    due, heard = known.energies(unit), np.isfinite(sent)
    if _apart(made[heard], due[heard]) < SEEN:
        return UNDER_NOISE
    steady = [_apart(made[heard], known.energies(unit, share)[heard]) for share in SHARES]
    share = float(SHARES[int(np.argmin(steady))])
    if min(steady) >= SEEN:
        return SHOWS
    if miss.cause not in STEADY_CAUSES:
        return LIKE_STEADY
    between = (ONE_SUBSTRING_LOST, TWO_SUBSTRINGS_LOST)
    like = any(low - LIKE_A_SUBSTRING <= share <= high + LIKE_A_SUBSTRING for low, high in between)
    return LIKE_SUBSTRING if like and miss.said in STEADY_CAUSES else SHOWS


def _apart(made: Array, due: Array) -> float:
    """Return by how many standard deviations of noise and steps energies (T,) differ."""
    variance = (NOISE * due) ** 2 + STEP_WH**2 / 6
    return float(np.sqrt((((made - due) ** 2) / variance).sum()))
