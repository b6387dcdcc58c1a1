"""A visit to an invented roof: one unit is faulty until a moment, and then mended, left as it is, or mended in part."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.expect.site import Site
from service.verify.inputs import Readings
from tests.fleet.simulate import _air, _metered, _record, _roof
from tests.fleet.skies import DAY_MIN


@dataclass(frozen=True)
class Visit:
    """The record, the readings before and after the visit, and the unit that was faulty."""

    site: Site
    before: Readings
    after: Readings
    serial: str


def make_visit(
    seed: int,
    *,
    was: float,
    then: float,
    sky: str = "mixed",
    days_before: int = 2,
    days_after: int = 1,
    units: int = 12,
    hour: float = 9.0,
    interval_min: int = 5,
) -> Visit:
    """Return a visit at the hour of the day after `days_before`; `was` and `then` are shares of the unit's DC power."""
    rng = np.random.default_rng([seed, days_before, days_after])
    place, air = _air(rng, sky, days_before + days_after)
    site = _record(rng, place, units, 1)
    roof = _roof(rng, site, place, air, interval_min)
    unit, at = int(rng.integers(units)), int(days_before * DAY_MIN + hour * 60)
    roof.dc_share[unit, :at] *= was
    roof.dc_share[unit, at:] *= then
    sent = _metered(rng, roof, roof.energies())
    cut = at // interval_min
    start = air.minutes[0].to_pydatetime()
    return Visit(
        site,
        Readings(start, interval_min, sent[:, :cut]),
        Readings(air.minutes[at].to_pydatetime(), interval_min, sent[:, cut:]),
        site.units[unit].serial,
    )
