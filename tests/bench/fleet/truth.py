"""What is true of a site of the benchmark: the outside world's knowledge that a verification is scored against."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from service.expect.site import Site
from service.verify.inputs import Readings
from tests.bench.fleet.plan import Plan
from tests.fleet.faults import Fault

VISIBLE = 0.025
"""Share of the window's energy from which a fault counts."""


@dataclass(frozen=True)
class SiteFault:
    """What is wrong with a whole site; what does not belong to the cause is None.

    `minutes` is label minus true time: positive where the timestamps are late. `azimuth_deg` and `tilt_deg` are the
    plane's real ones. `factor` is sent over true energy for `unit_scale`, real over recorded output for `site_low`,
    the limit over the window's peak for `curtailed`, and the unheard share of the lit intervals for `data_gap`.
    `visible` is the share of the window's energy that it changes.
    """

    cause: str
    judgeable: bool
    visible: float = 1.0
    minutes: int | None = None
    plane: str | None = None
    azimuth_deg: float | None = None
    tilt_deg: float | None = None
    factor: float | None = None
    changes_at_min: int | None = None
    """How far into the readings a clock that was right goes wrong; None: it is wrong all the time."""


@dataclass(frozen=True)
class BenchSite:
    """A site, what its units sent, and what is true of them.

    `faults` holds by serial all that befell a unit; a stranger's serial has `not_on_record`, the recorded one that
    it was mistaken for (`resembles`) has `not_reporting`. `clipped` is the share of energy at the inverter's rating.
    """

    plan: Plan
    site: Site
    readings: Readings
    faults: Mapping[str, tuple[Fault, ...]]
    site_fault: SiteFault | None
    clipped: Mapping[str, float]
    unheard: Mapping[str, float]
    """Share of the daylight intervals in which a unit was not heard, be it by chance."""
    resembles: Mapping[str, str]
    direct_sun_h: float
    """Hours of direct sun in the window."""

    def counted(self, serial: str) -> tuple[Fault, ...]:
        """Return the unit's faults that a judge is held to."""
        return tuple(f for f in self.faults.get(serial, ()) if f.visible >= VISIBLE and f.judgeable)
