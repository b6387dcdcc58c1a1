"""A roof on which one unit is changed for another within a day; nothing else is wrong."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from service.expect.site import Site
from service.verify.inputs import Readings
from tests.fleet.simulate import _air, _metered, _record, _roof
from tests.fleet.skies import DAY_MIN


@dataclass(frozen=True)
class Change:
    """The record before the change, all readings, who was taken off, who came, and on which local day.

    `readings` has a row more than the site: the last one is the new unit's.
    """

    site: Site
    readings: Readings
    old: str
    new: str
    day: date

    @property
    def changed(self) -> Site:
        """Return the record with both, the new one last."""
        unit = next(u for u in self.site.units if u.serial == self.old)
        kept = (replace(u, active_until=self.day) if u is unit else u for u in self.site.units)
        return replace(self.site, units=(*kept, replace(unit, serial=self.new, active_from=self.day)))


def make_change(
    seed: int,
    *,
    was: float = 1.0,
    days: int = 4,
    day: int = 2,
    hour: float = 12.0,
    sky: str = "mixed",
    units: int = 10,
) -> Change:
    """Return a change at the hour of day number `day`; `was` is the share of power that the old unit still gave."""
    rng = np.random.default_rng([seed, days, day])
    place, air = _air(rng, sky, days)
    site = _record(rng, place, units, 1)
    roof = _roof(rng, site, place, air, 5)
    unit, at = int(rng.integers(units)), int(day * DAY_MIN + hour * 60)
    roof.dc_share[unit, :at] *= was
    sent = _metered(rng, roof, roof.energies())
    late = np.full(sent.shape[1], np.nan)
    late[at // 5 :] = sent[unit, at // 5 :]
    sent[unit, at // 5 :] = np.nan
    first = air.minutes[0]
    local = first.tz_convert(place.timezone).date()
    return Change(
        site,
        Readings(first.to_pydatetime(), 5, np.vstack([sent, late])),
        site.units[unit].serial,
        f"{site.units[unit].serial[:6]}999999",
        date.fromordinal(local.toordinal() + day),
    )
